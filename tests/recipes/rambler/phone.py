"""What the phone makes of the light: white balance, tone, noise, smear, sharpening, JPEG."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tests.recipes.rambler.canvas import Floats
from tests.recipes.rambler.plan import Plan


@dataclass(frozen=True)
class Phone:
    """Settings of one photo's phone; noise is the spread of a pixel in shares of white."""

    balance: tuple[float, float, float]
    curve: float
    noise: float
    noise_blur_px: float
    smear: str
    sharpening: float
    quality: int

    @property
    def seen_noise(self) -> float:
        """Noise whose grains are wide averages out less over a spore."""
        return self.noise * (1 + 2 * self.noise_blur_px)


def draw_phone(rng: Generator, plan: Plan) -> Phone:
    """Draw a phone and how it was set."""
    hard = plan.preset == "hard"
    red, blue = np.exp(rng.normal(0, 0.06, 2))
    return Phone(
        balance=(float(red), 1.0, float(blue)),
        curve=float(rng.uniform(0, 0.12)),
        noise=float(rng.uniform(0.008, 0.04) if hard else rng.uniform(0.002, 0.022)),
        noise_blur_px=float(rng.choice((0.0, rng.uniform(0.5, 1.2)))),
        smear=str(rng.choice(("none", "median", "bilateral"), p=(0.6, 0.15, 0.25))),
        sharpening=float(rng.choice((0.0, rng.uniform(0.2, 0.9)))),
        quality=int(rng.integers(60, 96)),
    )


def take_photo(rng: Generator, phone: Phone, light: Floats) -> NDArray[np.uint8]:
    """Turn linear light, 1 for white, into an 8-bit photo."""
    grey = np.clip(light * np.asarray(phone.balance, np.float32), 0, 1) ** np.float32(1 / 2.2)
    # a mild S that leaves the middle tones nearly as they are
    grey += np.float32(phone.curve) * grey * (1 - grey) * (grey - np.float32(0.5)) * 2
    rows, cols = grey.shape[:2]
    noise = rng.standard_normal((rows, cols, 3), np.float32)
    noise = 0.75 * noise[..., :1] + 0.66 * noise
    if phone.noise_blur_px:
        noise = np.asarray(cv2.GaussianBlur(noise, (0, 0), phone.noise_blur_px), np.float32)
        noise /= max(float(noise[::7, ::7].std()), 1e-6)
    # in dark places the tone curve lifts the noise
    grey += np.float32(phone.noise) * noise * (np.float32(1.3) - np.float32(0.5) * grey)
    byte = np.round(np.clip(grey, 0, 1) * 255).astype(np.uint8)
    if phone.smear == "median":
        byte = cv2.medianBlur(byte, 3)
    elif phone.smear == "bilateral":
        byte = cv2.bilateralFilter(byte, 5, 255 * 2.5 * phone.noise + 2, 1.5)
    if phone.sharpening:
        soft = cv2.GaussianBlur(byte, (0, 0), 1.3)
        byte = cv2.addWeighted(byte, 1 + phone.sharpening, soft, -phone.sharpening, 0)
    done, packed = cv2.imencode(".jpg", byte[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])
    if not done:
        raise RuntimeError("JPEG encoding failed")
    return np.ascontiguousarray(np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), np.uint8)[..., ::-1])

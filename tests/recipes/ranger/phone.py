"""The phone: exposure, white balance, noise, denoising, tone, saturation, sharpening, resampling, JPEG."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.recipes.ranger.radial import Field
from tests.recipes.ranger.world import World


@dataclass(frozen=True)
class Phone:
    """One phone's settings for one photo."""

    gain: Field
    gamma: float
    s_curve: float
    saturation: float
    sharpen: float
    sharpen_px: float
    noise: float
    noise_px: float
    denoise_px: float
    shrink: float
    quality: int

    @property
    def smear_px(self) -> float:
        """Standard deviation of what denoising and resampling add to the blur."""
        return float(np.sqrt(self.denoise_px**2 + (self.shrink**2 - 1) / 6))


def draw_phone(rng: np.random.Generator, world: World, light: Field) -> Phone:
    """Draw a phone; it exposes for the brighter part of the light and balances the ground, not quite to grey."""
    hard = world.preset == "hard"
    bright = np.percentile(light[::7, ::7].reshape(-1, 3), 70, axis=0)
    balance = (bright.mean() / bright) ** rng.uniform(0.3, 1.0) * np.exp(rng.normal(0, 0.05, 3))
    target = np.exp(rng.uniform(np.log(0.16 if hard else 0.38), np.log(0.8)))
    small = (
        world.spore.length_um / world.um_per_px < 14
    )  # a phone that shrinks so small a spore would lose it
    return Phone(
        gain=(balance * target / bright.mean()).astype(np.float32),
        gamma=rng.uniform(1.9, 2.5),
        s_curve=rng.uniform(0, 0.45),
        saturation=rng.uniform(0.65, 1.5),
        sharpen=float(rng.exponential(0.5)),
        sharpen_px=rng.uniform(0.7, 2.2),
        noise=world.noise,
        noise_px=rng.uniform(0.3, 1.4),
        denoise_px=float(rng.choice((0.0, rng.uniform(0.3, 0.9)))) * (0.5 if small else 1),
        shrink=1.0 if small or rng.random() < 0.5 else rng.uniform(1.0, 1.9),
        quality=int(rng.integers(60, 96)),
    )


def tone(phone: Phone, linear: Field) -> Field:
    """Saturation and tone curve: from linear light to display values, 0 to 1."""
    grey = linear.mean(2, keepdims=True)
    mixed = np.maximum(grey + np.float32(phone.saturation) * (linear - grey), 1e-4)
    # A soft shoulder: a phone keeps the bright ground below its limit.
    mixed = np.where(mixed > 0.7, 0.7 + 0.3 * np.tanh((mixed - 0.7) / 0.3), mixed)
    shown = mixed ** np.float32(1 / phone.gamma)
    return (shown + np.float32(phone.s_curve) * shown * (1 - shown) * (2 * shown - 1)).astype(np.float32)


def _grain(rng: np.random.Generator, phone: Phone, shape: tuple[int, ...]) -> Field:
    """Noise of unit spread, correlated between neighbours, partly shared by the colours."""
    raw = rng.standard_normal(shape, dtype=np.float32)
    raw = np.float32(0.7) * raw + np.float32(0.7) * raw[..., [1]]
    soft = cv2.GaussianBlur(raw, (0, 0), phone.noise_px)
    return np.asarray(soft / np.float32(soft[::5, ::5].std()), np.float32)


def develop(rng: np.random.Generator, phone: Phone, light: Field) -> NDArray[np.uint8]:
    """Turn light into the finished photo."""
    linear = light * phone.gain
    spread = np.float32(phone.noise) * np.sqrt(np.maximum(linear, 0) * 0.6 + 0.03)
    linear = linear + spread * _grain(rng, phone, linear.shape)
    if phone.denoise_px > 0:
        linear = cv2.GaussianBlur(linear, (0, 0), phone.denoise_px)
    shown = tone(phone, linear.astype(np.float32))
    soft = cv2.GaussianBlur(shown, (0, 0), phone.sharpen_px)
    shown = shown + np.clip(np.float32(phone.sharpen) * (shown - soft), -0.15, 0.15)
    if phone.shrink > 1:
        rows, cols = shown.shape[:2]
        less = (round(cols / phone.shrink), round(rows / phone.shrink))
        shown = cv2.resize(
            cv2.resize(shown, less, interpolation=cv2.INTER_AREA), (cols, rows), interpolation=cv2.INTER_CUBIC
        )
    eight = np.clip(shown * 255 + 0.5, 0, 255).astype(np.uint8)
    packed = cv2.imencode(".jpg", eight[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])[1]
    return np.ascontiguousarray(np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), np.uint8)[..., ::-1])

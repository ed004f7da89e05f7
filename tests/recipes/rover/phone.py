"""A phone that computes its picture: zoom, mosaic, merged frames, tone mapping, colour, sharpening, JPEG."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import cv2
import numpy as np

from tests.recipes.rover.fields import Array, Rng, cloud

TINTS: dict[str, tuple[float, float, float]] = {
    "green": (0.72, 1.08, 0.74),
    "blue": (0.68, 0.88, 1.25),
    "pink": (1.18, 0.78, 1.0),
    "yellow": (1.1, 1.0, 0.52),
}


@dataclass
class Phone:
    """How one phone on one day takes its picture."""

    exposure: float
    gains: tuple[float, float, float]
    tint: str
    zoom: float
    noise: float
    merged: float
    smear: float
    local: float
    contrast: float
    sharpen: float
    chroma_noise: float
    halved_chroma: bool
    quality: int

    def told(self) -> dict[str, Any]:
        """Say it, JSON-ready."""
        out = {name: round(v, 4) if isinstance(v, float) else v for name, v in asdict(self).items()}
        out["gains"] = [round(g, 4) for g in self.gains]
        return out


def draw_phone(rng: Rng, preset: str, um_per_px: float) -> Phone:
    """Draw the phone; hard photos are noisier, good ones cleaner."""
    harsh = {"good_focus": 0.5, "hard": 1.3, "heavy": 0.8}.get(preset, 1.0)
    mood = rng.choice(("normal", "dark", "high"), p=(0.62, 0.22, 0.16))
    exposure = {"normal": (0.3, 0.75), "dark": (0.03, 0.14), "high": (0.8, 1.08)}[str(mood)]
    tint = str(rng.choice(["none", *TINTS], p=(0.6, 0.1, 0.1, 0.08, 0.12)))
    gains = np.exp(0.05 * rng.normal(size=3))
    if tint != "none":
        gains = gains * np.array(TINTS[tint]) ** rng.uniform(0.35, 1.1)
    finest = min(2.2, max(1.0, 1.1 / um_per_px))  # zoom never takes the spores themselves away
    return Phone(
        exposure=float(np.exp(rng.uniform(*np.log(exposure)))),
        gains=(float(gains[0]), float(gains[1]), float(gains[2])),
        tint=tint,
        zoom=float(rng.uniform(1, finest)) if rng.random() < 0.6 else 1.0,
        noise=float(harsh * np.exp(rng.uniform(np.log(0.006), np.log(0.05)))),
        merged=float(rng.uniform(1, 8)),
        smear=float(rng.uniform(0, 1) * min(harsh, 1.0)),
        local=float(rng.choice((0.0, rng.uniform(0.1, 0.55)))),
        contrast=float(rng.uniform(-0.15, 0.5)),
        sharpen=float(rng.choice((rng.uniform(0, 0.4), rng.uniform(0.4, 1.6)))),
        chroma_noise=float(harsh * rng.uniform(0, 0.02)),
        halved_chroma=bool(rng.random() < 0.7),
        quality=int(rng.integers(60, 96)),
    )


def resize(picture: Array, rows: int, cols: int) -> Array:
    """Scale a picture about its middle, by area when it shrinks."""
    shrinks = rows < picture.shape[0]
    return cv2.resize(picture, (cols, rows), interpolation=cv2.INTER_AREA if shrinks else cv2.INTER_CUBIC)


def mosaic(rng: Rng, light: Array, noise: float) -> Array:
    """One value per pixel through red, green and blue filters, with photon and read noise, filled in again."""
    raw = light[..., 1].copy()
    raw[::2, ::2] = light[::2, ::2, 0]
    raw[1::2, 1::2] = light[1::2, 1::2, 2]
    raw = np.maximum(raw, 0)
    raw += noise * (0.15 + np.sqrt(raw)) * rng.normal(size=raw.shape).astype(np.float32)
    counts = np.clip(raw * 32000 + 2000, 0, 65535).astype(np.uint16)
    # rggb by its first row is called BG by the library, which names the second row and column
    return (cv2.cvtColor(counts, cv2.COLOR_BayerBG2RGB).astype(np.float32) - 2000) / 32000


def denoise(rng: Rng, rgb: Array, phone: Phone) -> Array:
    """Smear flat parts as merging frames does, more in some patches than in others."""
    noisy = phone.noise / phone.merged**0.5
    if phone.smear < 0.08:
        return rgb
    smooth = cv2.bilateralFilter(rgb, 5, 2.5 * noisy + 0.01, 1.6)
    patchy = 1 / (1 + np.exp(-2 * cloud(rng, (rgb.shape[0], rgb.shape[1]), 70)))
    share = np.clip(phone.smear * (0.4 + 1.2 * patchy), 0, 1)[..., None]
    return rgb * (1 - share) + smooth * share


def tone(linear: Array, phone: Phone) -> Array:
    """Local tone mapping, then the display's curve with the phone's contrast; 0 to 1, or a little beyond."""
    out = np.maximum(linear, 0)
    if phone.local:
        grey = np.maximum(out.mean(axis=2), 1e-3)
        small = cv2.resize(grey, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
        wide = cv2.GaussianBlur(small, (0, 0), max(2.0, 0.06 * max(small.shape)))
        base = cv2.resize(wide, (grey.shape[1], grey.shape[0]), interpolation=cv2.INTER_LINEAR)
        out = out * ((phone.exposure / base) ** phone.local)[..., None]
    out = np.where(out > 0.85, 0.85 + 0.15 * np.tanh((out - 0.85) / 0.15), out)  # highlights roll off
    shown = out ** (1 / 2.2)
    return shown + phone.contrast * shown * (1 - shown) * (shown - 0.5)


def take(rng: Rng, light: Array, phone: Phone) -> Array:
    """Take the picture; light of about 1 is the ground."""
    rows, cols = light.shape[:2]
    small = (max(16, round(rows / phone.zoom)), max(16, round(cols / phone.zoom)))
    middle = light[rows // 5 : -rows // 5, cols // 5 : -cols // 5]
    level = float(np.percentile(middle[::3, ::3].mean(axis=2), 65))
    seen = (light * (phone.exposure / max(level, 1e-3))).astype(np.float32)
    if small != (rows, cols):
        seen = resize(seen, *small)
    rgb = mosaic(rng, seen, phone.noise / phone.merged**0.5)
    rgb = denoise(rng, rgb, phone)
    rgb = tone(rgb * np.array(phone.gains, np.float32), phone)
    if phone.chroma_noise:
        blotch = np.stack([cloud(rng, small, 9, 2) for _ in range(2)], axis=2) * phone.chroma_noise
        rgb[..., 0] += blotch[..., 0]
        rgb[..., 2] += blotch[..., 1]
        rgb[..., 1] -= 0.4 * (blotch[..., 0] + blotch[..., 1])
    if small != (rows, cols):
        rgb = resize(rgb.astype(np.float32), rows, cols)
    if phone.sharpen > 0.02:
        grey = rgb.mean(axis=2)
        radius = 0.9 * phone.zoom + 0.3
        rgb = rgb + phone.sharpen * (grey - cv2.GaussianBlur(grey, (0, 0), radius))[..., None]
    eight = np.clip(rgb * 255 + 0.5, 0, 255).astype(np.uint8)
    sampling = (
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420 if phone.halved_chroma else cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444
    )
    flags = [cv2.IMWRITE_JPEG_QUALITY, phone.quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, sampling]
    packed = cv2.imencode(".jpg", eight[..., ::-1], flags)[1]
    back: Array = np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR))
    return np.ascontiguousarray(back[..., ::-1])

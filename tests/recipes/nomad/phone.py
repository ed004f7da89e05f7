"""From light to the phone's saved picture."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.recipes.nomad.field import Floats


@dataclass(frozen=True)
class Phone:
    """One phone and its processing of one photo; noise in shares of full light."""

    exposure: float
    balance: tuple[float, float, float]
    shot: float
    read: float
    smear: float
    sharpen: float
    curve: float
    saturation: float
    fringe: float
    jpeg: int

    @staticmethod
    def drawn(rng: np.random.Generator, light: Floats, dim: bool, noise: float) -> Phone:
        """Meter the light, then draw the rest."""
        sample = light[::4, ::4].reshape(-1, 3)
        bright = np.percentile(sample, 96, axis=0)
        exposure = (rng.uniform(0.22, 0.5) if dim else rng.uniform(0.55, 0.95)) / max(
            float(bright.max()), 1e-3
        )
        # phones take most of the lamp's tint away, not all of it
        gain = (bright[1] / np.maximum(bright, 1e-3)) ** rng.uniform(0.35, 1.0) * rng.normal(1, 0.02, 3)
        return Phone(
            exposure=float(exposure),
            balance=(float(gain[0]), float(gain[1]), float(gain[2])),
            shot=float(noise * rng.uniform(0.006, 0.014)),
            read=float(noise * rng.uniform(0.001, 0.003)),
            smear=float(rng.choice([0, rng.uniform(0.4, 0.9)])),
            sharpen=float(rng.uniform(0, 0.9)),
            curve=float(rng.uniform(0, 0.35)),
            saturation=float(rng.uniform(0.9, 1.2)),
            fringe=float(rng.normal(0, 6e-4)),
            jpeg=int(rng.integers(60, 96)),
        )

    def noise_at(self, light: Floats) -> Floats:
        """Standard deviation of the noise left in the picture, over the light, about."""
        level = np.maximum(light * self.exposure, 1e-3)
        kept = 0.5 if self.smear else 1.0
        return np.asarray(kept * np.hypot(self.shot * np.sqrt(level), self.read) / level, np.float32)

    def shoot(self, rng: np.random.Generator, light: Floats) -> NDArray[np.uint8]:
        """Expose, add noise, balance, smear, tone, sharpen, compress."""
        raw = np.clip(light * self.exposure, 0, None)
        sigma = np.sqrt(self.shot**2 * raw + self.read**2)
        raw = (raw + sigma * rng.standard_normal(raw.shape, np.float32)) * np.array(self.balance, np.float32)
        raw = self._fringed(raw.astype(np.float32))
        if self.smear:
            flat = cv2.bilateralFilter(raw, 5, 0.06, 1.6)
            raw = 0.3 * raw + 0.7 * cv2.GaussianBlur(flat, (0, 0), self.smear)
        grey = raw.mean(axis=2, keepdims=True)
        tone = np.clip(grey + self.saturation * (raw - grey), 0, 1) ** (1 / 2.2)
        tone = (1 - self.curve) * tone + self.curve * tone * tone * (3 - 2 * tone)
        tone += self.sharpen * (tone - cv2.GaussianBlur(tone, (0, 0), 1.3))
        image = np.clip(np.round(tone * 255), 0, 255).astype(np.uint8)
        _, code = cv2.imencode(
            ".jpg", np.ascontiguousarray(image[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, self.jpeg]
        )
        decoded = cv2.imdecode(code, cv2.IMREAD_COLOR)
        return np.ascontiguousarray(np.asarray(decoded, np.uint8)[..., ::-1])

    def _fringed(self, raw: Floats) -> Floats:
        """Magnify red and blue a little against green, as a cheap eyepiece does."""
        rows, cols = raw.shape[:2]
        for channel, sign in ((0, 1), (2, -1)):
            grow = 1 + sign * self.fringe
            move = np.array([[grow, 0, (1 - grow) * cols / 2], [0, grow, (1 - grow) * rows / 2]])
            raw[..., channel] = cv2.warpAffine(
                np.ascontiguousarray(raw[..., channel]), move, (cols, rows), borderMode=cv2.BORDER_REPLICATE
            )
        return raw

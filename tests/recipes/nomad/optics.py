"""Bright field, partly coherent: absorption, light refracted out of the aperture, and the Becke line."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from tests.recipes.nomad.field import Floats

APERTURE = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
"""Numerical aperture of usual objectives by their magnification (common practice)."""
_WAVE_UM = 0.55
_FULL_DEFOCUS_UM = 9.0
"""Beyond about this the lens effect of a spore grows no more: the rays have crossed."""


@dataclass(frozen=True)
class Optics:
    """One setting of the microscope. `coherence` is 1 on clear glass and low on card, which scatters the light."""

    objective: float
    um_per_px: float
    coherence: float
    slant: tuple[float, float]
    colour_shift_um: float

    @property
    def aperture(self) -> float:
        """Numerical aperture."""
        near = min(APERTURE, key=lambda m: abs(np.log(m / self.objective)))
        return APERTURE[near]

    @property
    def sharpest_um(self) -> float:
        """Standard deviation of the blur in best focus: Airy core as a Gaussian, and the pixel's square."""
        return float(np.hypot(0.21 * _WAVE_UM / self.aperture, self.um_per_px * 0.4))

    @property
    def blur_per_um(self) -> float:
        """Standard deviation of the blur for each µm of defocus: half the radius of the cone of light."""
        return 0.5 * self.aperture

    def blur_um(self, defocus_um: Floats) -> Floats:
        """Standard deviation of the blur, objective and defocus together."""
        return np.asarray(np.hypot(self.sharpest_um, self.blur_per_um * defocus_um), np.float32)

    def refract(self, path_um: Floats, defocus_um: Floats, channels: tuple[int, ...]) -> Floats:
        """Factor of brightness, by channel, that a pure phase object makes.

        Flux is conserved along the axis, so brightness changes by minus defocus times the Laplacian of the path;
        rays bent beyond the aperture are lost; slanting light adds a relief along its direction.
        """
        pixel = self.um_per_px
        soft = cv2.GaussianBlur(path_um, (0, 0), max(0.8, 0.3 / pixel))
        gx = cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=1 / (8 * pixel))
        gy = cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=1 / (8 * pixel))
        laplacian = cv2.Laplacian(soft, cv2.CV_32F, ksize=3, scale=1 / (4 * pixel**2))
        steep = (gx**2 + gy**2) / (self.aperture + 0.08) ** 2
        kept = 1 / (1 + (0.25 + 0.75 * self.coherence) * steep)
        relief = self.slant[0] * gx + self.slant[1] * gy
        out = np.empty((*path_um.shape, len(channels)), np.float32)
        for n, channel in enumerate(channels):
            z = defocus_um + (channel - 1) * self.colour_shift_um
            z = z / (1 + np.abs(z) / _FULL_DEFOCUS_UM)
            lens = relief - self.coherence * z * laplacian
            out[..., n] = kept * np.exp(0.8 * np.tanh(lens / 0.8))
        return out


def smooth(scene: Floats, sigma_px: float) -> Floats:
    """Gaussian blur; wide ones run on a smaller picture."""
    if sigma_px < 0.2:
        return scene
    shrink = int(sigma_px // 4)
    if shrink < 2 or min(scene.shape[:2]) < 8 * shrink:
        return np.asarray(cv2.GaussianBlur(scene, (0, 0), sigma_px), np.float32)
    rows, cols = scene.shape[:2]
    small = cv2.resize(scene, (-(-cols // shrink), -(-rows // shrink)), interpolation=cv2.INTER_AREA)
    # what shrinking and linear enlarging blur already, box and triangle
    rest = np.sqrt(max(0.1, (sigma_px / shrink) ** 2 - 1 / 12 - 1 / 6))
    small = cv2.GaussianBlur(small, (0, 0), float(rest))
    return np.asarray(cv2.resize(small, (cols, rows), interpolation=cv2.INTER_LINEAR), np.float32)


def blur_by_map(scene: Floats, variance_px2: Floats) -> Floats:
    """Blur by a variance that differs from place to place, mixed between evenly blurred copies.

    A mix of two Gaussians has the mean of their variances, so mixing linearly in the variance is exact in it.
    """
    low, high = float(variance_px2.min()), float(variance_px2.max())
    if high < low * 1.05 + 0.01:
        return smooth(scene, float(np.sqrt((low + high) / 2)))
    copies = int(np.clip(np.ceil(np.log(np.sqrt(high / max(low, 0.05))) / 0.45), 1, 6)) + 1
    steps = np.linspace(np.sqrt(low), np.sqrt(high), copies) ** 2
    out = np.zeros_like(scene)
    for n, step in enumerate(steps):
        weight = np.ones_like(variance_px2)
        if n > 0:
            weight = np.minimum(weight, (variance_px2 - steps[n - 1]) / (step - steps[n - 1]))
        if n < copies - 1:
            weight = np.minimum(weight, (steps[n + 1] - variance_px2) / (steps[n + 1] - step))
        weight = np.clip(weight, 0, 1)
        copy = smooth(scene, float(np.sqrt(step)))
        out += copy * (weight[..., None] if scene.ndim == 3 else weight)
    return out

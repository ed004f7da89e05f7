"""A microscope's blur by depth: discs with fringes, in bins of defocus."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.floating[Any]]
_RADII_PX = np.array([0, 0.7, 1.3, 2.0, 2.8, 3.7, 4.8, 6.2, 8.0, 10.3, 13.0])
DISC_PX = np.concatenate([-_RADII_PX[:0:-1], _RADII_PX])
"""Radius of the disc of each depth bin; below zero on the near side of focus."""
_WIDE_PX = 6.0


@dataclass(frozen=True)
class Lens:
    """An objective with the focus that the user found.

    Parameters
    ----------
    um_per_px, aperture : float
        Pixel on the specimen; numerical aperture.
    fill : float
        Share of the aperture that the lamp fills.
    fringe, edge : float
        Strength of rings in the disc; how much brighter its edge is on one side of focus.
    focus_um : float
        Depth of the print's surface over the plane of focus, at the middle of the photo.
    tilt : tuple of two floats
        Rise of that depth per pixel in x and y.
    bowl_um : float
        What it rises by at half a diagonal from the middle.
    middle_px : tuple of two floats
        x and y of the middle.
    """

    um_per_px: float
    aperture: float
    fill: float
    fringe: float
    edge: float
    focus_um: float
    tilt: tuple[float, float]
    bowl_um: float
    middle_px: tuple[float, float]
    _bank: dict[int, Plane] = field(default_factory=dict, repr=False, compare=False)

    @property
    def spread(self) -> float:
        """Give the radius of the disc per defocus."""
        return float(np.tan(np.arcsin(self.aperture)) * (0.35 + 0.65 * self.fill))

    @property
    def sharp_px(self) -> float:
        """Give the standard deviation of the spot in focus: 0.21 wavelength over aperture."""
        return 0.21 * 0.55 / self.aperture / self.um_per_px

    def depth(self, x_px: float | Plane, y_px: float | Plane, height_um: float) -> float | Plane:
        """Give the defocus of things so high over the print, at places in the photo."""
        dx, dy = x_px - self.middle_px[0], y_px - self.middle_px[1]
        half = self.middle_px[0] ** 2 + self.middle_px[1] ** 2
        bowl = self.bowl_um * (dx * dx + dy * dy) / half
        return self.focus_um + self.tilt[0] * dx + self.tilt[1] * dy + bowl + height_um

    def bin_of(self, defocus_um: float | Plane) -> float | Plane:
        """Give the place among the bins, fractional."""
        return np.interp(defocus_um * self.spread / self.um_per_px, DISC_PX, np.arange(len(DISC_PX)))

    def kernel(self, index: int) -> Plane:
        """Give the spot of a depth bin, sum one, odd size."""
        if index not in self._bank:
            self._bank[index] = self._spot(float(DISC_PX[index]), self.sharp_px)
        return self._bank[index]

    def _half_kernel(self, index: int) -> Plane:
        """Give the same spot for pixels twice as large, less what changing their size blurs."""
        if -index - 1 not in self._bank:
            self._bank[-index - 1] = self._spot(
                float(DISC_PX[index]) / 2, np.sqrt(max(self.sharp_px**2 - 0.9, 0.36)) / 2
            )
        return self._bank[-index - 1]

    def _spot(self, disc_px: float, soft: float) -> Plane:
        fine, radius = 3, abs(disc_px)
        half = int(np.ceil(radius + 2.6 * soft + 0.5))
        n = (2 * half + 1) * fine
        at = (np.arange(n) - (n - 1) / 2) / fine
        away = np.hypot(at[:, None], at[None, :])
        if radius > 0.3:
            inner = np.clip(away / radius, 0, 1)
            rings = max(radius / (1.6 * soft + 0.6), 1.0)
            weight = (
                1
                + np.sign(disc_px) * self.edge * (2 * inner**2 - 1)
                + self.fringe * np.cos(2 * np.pi * rings * inner)
            )
            spot = np.clip(weight, 0.05, None) * np.clip((radius - away) * fine + 0.5, 0, 1)
        else:
            spot = (away < 0.5).astype(float)
        spot = cv2.GaussianBlur(spot, (0, 0), soft * fine, borderType=cv2.BORDER_CONSTANT)
        spot = spot.reshape(2 * half + 1, fine, 2 * half + 1, fine).sum(axis=(1, 3))
        return (spot / spot.sum()).astype(np.float32)

    def sigma_px(self, index: int) -> float:
        """Give the standard deviation of a bin's spot along one axis."""
        spot = self.kernel(index)
        at = np.arange(len(spot)) - len(spot) // 2
        return float(np.sqrt((spot.sum(axis=0) * at**2).sum()))

    def reach_px(self, places: Plane) -> int:
        """Give how far the blur of the bins round those places reaches."""
        ends = {int(np.floor(np.min(places))), int(np.ceil(np.max(places)))}
        return max(self.kernel(index).shape[0] for index in ends) // 2

    def blur(self, coverage: Plane, defocus_um: float | Plane, cut: tuple[slice, slice]) -> Plane:
        """Blur a coverage by one defocus, or by a map of it over the part `cut`; give that part.

        With a map, neighbouring bins are mixed.
        """
        if coverage.min() == coverage.max():
            return coverage[cut]
        place = self.bin_of(defocus_um)
        if np.ndim(place) == 0:
            return self.blur_bin(coverage, round(float(place)))[cut]
        total = np.zeros(np.shape(place), np.float32)
        for index in range(int(np.floor(np.min(place))), int(np.ceil(np.max(place))) + 1):
            weight = np.clip(1 - np.abs(place - index), 0, 1).astype(np.float32)
            total += weight * self.blur_bin(coverage, index)[cut]
        return total

    def blur_bin(self, coverage: Plane, index: int) -> Plane:
        """Blur a coverage by one bin; wide blurs are made on pixels twice as large."""
        if abs(DISC_PX[index]) < _WIDE_PX:
            soft = cv2.filter2D(coverage, -1, self.kernel(index), borderType=cv2.BORDER_REPLICATE)
            return np.asarray(soft, np.float32)
        h, w = coverage.shape
        even = cv2.copyMakeBorder(coverage, 0, h % 2, 0, w % 2, cv2.BORDER_REPLICATE)
        small = cv2.resize(even, (even.shape[1] // 2, even.shape[0] // 2), interpolation=cv2.INTER_AREA)
        small = cv2.filter2D(small, -1, self._half_kernel(index), borderType=cv2.BORDER_REPLICATE)
        wide = cv2.resize(small, (even.shape[1], even.shape[0]), interpolation=cv2.INTER_LINEAR)
        return np.asarray(wide[:h, :w], np.float32)

"""Where things meet pixels: the view of the print, and the layers that things are stamped on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LAYERS = 3

Box = tuple[int, int, int, int]
"""left, top, right, bottom of a window on the drawing grid; it may reach beyond the grid."""


def cut(shape: tuple[int, int], box: Box) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Slices of the grid and of the box's own array where the two meet."""
    left, top, right, bottom = box
    rows = slice(max(top, 0), min(bottom, shape[0]))
    cols = slice(max(left, 0), min(right, shape[1]))
    own = (slice(rows.start - top, rows.stop - top), slice(cols.start - left, cols.stop - left))
    return (rows, cols), own


@dataclass(frozen=True)
class View:
    """Window of a photo on the print.

    Parameters
    ----------
    width_px, height_px : int
        Of the finished photo.
    um_per_px : float
        Scale at the photo's centre.
    x_um, y_um : float
        Place on the print at the photo's centre.
    k1 : float
        Radial distortion: true radius = r (1 + k1 r^2), r in units of half the photo's diagonal.
    work_width, work_height : int
        Size of the grid that is drawn on; never larger than the photo.
    """

    width_px: int
    height_px: int
    um_per_px: float
    x_um: float
    y_um: float
    k1: float
    work_width: int
    work_height: int

    @property
    def work_um(self) -> float:
        """Size of a pixel of the drawing grid in um."""
        return self.um_per_px * self.width_px / self.work_width

    def to_photo(self, points_um: np.ndarray) -> np.ndarray:
        """Photo pixels (n, 2) of places on the print (n, 2), radial distortion included."""
        true = (np.asarray(points_um, float) - (self.x_um, self.y_um)) / self.um_per_px
        if self.k1:
            half = np.hypot(self.width_px, self.height_px) / 2
            goal = np.hypot(true[:, 0], true[:, 1]) / half
            seen = goal.copy()
            for _ in range(6):
                seen = goal / (1 + self.k1 * np.minimum(seen, 2.0) ** 2)  # far outside the law has no inverse
            true = true * np.where(goal > 0, seen / np.maximum(goal, 1e-12), 1.0)[:, None]
        return true + np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])

    def to_work(self, points_um: np.ndarray) -> np.ndarray:
        """Pixels of the drawing grid (n, 2) of places on the print (n, 2)."""
        zoom = (self.work_width / self.width_px, self.work_height / self.height_px)
        return (self.to_photo(points_um) + 0.5) * zoom - 0.5


class Canvas:
    """Layers of optical density, phase and scattered light on the drawing grid.

    Parameters
    ----------
    view : View
    above : bool
        Light from above: things also send light of their own colour.
    """

    def __init__(self, view: View, *, above: bool):
        shape = (view.work_height, view.work_width)
        self.view, self.above, self.shape = view, above, shape
        self.density = [np.zeros((*shape, 3), np.float32) for _ in range(LAYERS)]
        self.phase = [np.zeros(shape, np.float32) for _ in range(LAYERS)]
        self.scatter = [np.zeros((*shape, 3), np.float32) if above else None for _ in range(LAYERS)]
        self.kind = np.zeros(shape, np.uint8)
        self.clear = np.ones(shape, np.float32)  # share of light that what was painted so far lets through

    def stamp(
        self,
        layer: int,
        box: Box,
        density: np.ndarray,
        mask: np.ndarray,
        kind: int,
        *,
        phase: np.ndarray | None = None,
        scatter: np.ndarray | None = None,
        hides: float = 0.0,
    ) -> None:
        """Add a thing to a layer.

        Parameters
        ----------
        layer : int
        box : tuple of int
            left, top, right, bottom; what reaches beyond the grid is left out.
        density : ndarray of shape (h, w, 3)
            Optical density; below 0 where light is gathered.
        mask : ndarray of shape (h, w)
            Cover, 0 to 1.
        kind : int
        phase : ndarray of shape (h, w), optional
            Optical path, um.
        scatter : ndarray of shape (h, w, 3), optional
            Light sent back when lit from above, linear.
        hides : float
            Least share of light that it takes from what lies beneath, for the truth.
        """
        at, own = cut(self.shape, box)
        density, mask = density[own], mask[own]
        self.density[layer][at] += density
        if phase is not None:
            self.phase[layer][at] += phase[own]
        sent = self.scatter[layer]
        if sent is not None:
            sent[at] *= np.exp(-2.302585 * np.clip(density, 0, 4))
            if scatter is not None:
                sent[at] += scatter[own]
        # light from below shows what lies under a thin thing as well as what lies on it; from above not
        dim = density[..., 1] / 0.6 if self.above else (density[..., 1] - 0.2) / 0.7
        self.clear[at] *= 1 - np.clip(np.maximum(dim, hides * mask), 0.02 * mask, 0.999)
        self.kind[at][mask > 0.5] = kind

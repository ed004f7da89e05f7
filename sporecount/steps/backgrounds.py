"""What a spore would lie on, and how sharp it would be, at any place of a field."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.records import Clutter, WorkImage
from sporecount.steps.clutter import LargeObjects
from sporecount.steps.field_tally import SHARP_UM
from sporecount.steps.rescale import size_at

BACKGROUNDS = ("card", "scales", "glue")
"""Empty card; on or beside a scale or another large thing; under a bubble, a ridge or something opaque, which
the count leaves out."""

_BESIDE_UM = 12.0
"""About a spore's length: nearer than that the thing's edge lies in what is looked at."""

_GRID_UM = 3.0


@dataclass(frozen=True)
class Backgrounds:
    """Maps of a field on a coarse grid.

    Parameters
    ----------
    kind : ndarray of shape (h, w), int8
        Index into `BACKGROUNDS`; -1 outside the view.
    sharp : ndarray of shape (h, w), bool
        Sharp enough to tell a spore from dirt.
    zoom : float
        Coarse pixels per photo pixel.
    left_px, top_px : int
        Photo pixel at which the grid begins.
    """

    kind: np.ndarray
    sharp: np.ndarray
    zoom: float
    left_px: int
    top_px: int

    def at(self, x_px: np.ndarray, y_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Give kind and sharpness of places in the photo, each of shape (n,)."""
        height, width = self.kind.shape
        row = np.round((np.asarray(y_px) - self.top_px + 0.5) * self.zoom - 0.5).astype(int)
        col = np.round((np.asarray(x_px) - self.left_px + 0.5) * self.zoom - 0.5).astype(int)
        inside = (row >= 0) & (row < height) & (col >= 0) & (col < width)
        row, col = np.clip(row, 0, height - 1), np.clip(col, 0, width - 1)
        return np.where(inside, self.kind[row, col], -1), self.sharp[row, col] & inside


def find_backgrounds(
    work: WorkImage, clutter: Clutter, large: LargeObjects, blur_um: np.ndarray
) -> Backgrounds:
    """Bring what the steps know of a field onto one coarse grid.

    Parameters
    ----------
    work : WorkImage
    clutter : Clutter
    large : LargeObjects
    blur_um : ndarray of shape (tile rows, tile columns)
        As `focus.blur_map` gives it.
    """
    width = work.seen.shape[1]
    size = size_at(work, _GRID_UM)

    def coarse(mask: np.ndarray) -> np.ndarray:
        return np.asarray(cv2.resize(mask, size, interpolation=cv2.INTER_NEAREST))

    reach = max(1, round(_BESIDE_UM * size[0] / width / work.um_per_px))
    around = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    things = cv2.dilate(coarse((large.label > 0).astype(np.uint8)), around) > 0
    kind = np.where(things, 1, 0).astype(np.int8)
    kind[coarse(clutter.kind) > 0] = 2
    kind[coarse(work.seen.astype(np.uint8)) == 0] = -1
    return Backgrounds(
        kind=kind,
        sharp=coarse(np.nan_to_num(blur_um, nan=np.inf).astype(np.float32)) <= SHARP_UM,
        zoom=work.zoom * size[0] / width,
        left_px=work.left_px,
        top_px=work.top_px,
    )

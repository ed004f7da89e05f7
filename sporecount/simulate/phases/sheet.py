"""One thin sheet of the print: absorbance, optical path, and what lies topmost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES

Array = NDArray[np.float32]
Box = tuple[slice, slice]

LUMA = np.array([0.25, 0.6, 0.15], np.float32)
HIDING_OD = 0.5
"""Above this optical density a thing hides from a reader what lies beneath it."""


@dataclass(frozen=True)
class Sheet:
    """What the light meets in one plane.

    Parameters
    ----------
    path_um : ndarray of shape (H, W)
        Thickness times the difference of the refractive index to the glue.
    veil : ndarray of shape (H, W)
        Share of top light thrown back.
    owner : ndarray of shape (H, W), int32
        Number of the spore seen there, or -1.
    """

    density: Array
    path_um: Array
    veil: Array
    kinds: NDArray[np.uint8]
    owner: NDArray[np.int32]
    scaled: NDArray[np.bool_]
    px_um: float


def empty_sheet(shape: tuple[int, int], px_um: float) -> Sheet:
    """Nothing but glue."""
    kinds, owner = np.zeros(shape, np.uint8), np.full(shape, -1, np.int32)
    dense, blank = np.zeros((*shape, 3), np.float32), np.zeros(shape, np.float32)
    return Sheet(dense, blank, blank.copy(), kinds, owner, np.zeros(shape, np.bool_), px_um)


def window(
    sheet: Sheet, x: float, y: float, reach_um: float, angle: float
) -> tuple[Box, Array, Array] | None:
    """Cut a square window, and its coordinates in um along and across a direction; None outside the sheet."""
    rows, cols = sheet.kinds.shape
    reach = reach_um / sheet.px_um + 2
    top, bottom = max(0, int(y - reach)), min(rows, int(y + reach) + 2)
    left, right = max(0, int(x - reach)), min(cols, int(x + reach) + 2)
    if top >= bottom or left >= right:
        return None
    dx = ((np.arange(left, right) - x) * sheet.px_um).astype(np.float32)[None]
    dy = ((np.arange(top, bottom) - y) * sheet.px_um).astype(np.float32)[:, None]
    cos, sin = np.float32(np.cos(angle)), np.float32(np.sin(angle))
    return (slice(top, bottom), slice(left, right)), dx * cos + dy * sin, dy * cos - dx * sin


def cover(distance_um: Array, px_um: float) -> Array:
    """Share of each pixel inside an outline, from the signed distance (negative inside)."""
    return np.asarray(np.clip(0.5 - distance_um / px_um, 0, 1), np.float32)


def lay(
    sheet: Sheet,
    box: Box,
    share: Array,
    kind: str,
    amount: Array,
    tint: Array,
    path_um: Array | float = 0.0,
    veil: Array | float = 0.0,
    number: int = -1,
    hides: bool = False,
) -> None:
    """Add a thing to the sheet, in place: the share of each pixel it covers, and its density for the eye.

    A thing that `hides` does so even where it is not dark. A spore comes with its number.
    """
    dense = amount * share
    sheet.density[box] += dense[..., None] * tint
    sheet.path_um[box] += path_um * share
    sheet.veil[box] = sheet.veil[box] * (1 - share) + veil * share
    inside = share >= 0.5
    if kind in ("scale", "scale piece"):
        sheet.scaled[box] |= inside
    over = inside if hides or number >= 0 else inside & ((sheet.owner[box] < 0) | (dense > HIDING_OD))
    sheet.kinds[box][over] = KIND_NAMES.index(kind)
    sheet.owner[box][over] = number


def tint_of(red: float, green: float, blue: float) -> Array:
    """Scale colour densities so that the eye sees a density of one."""
    tint = np.array([red, green, blue], np.float32)
    return np.asarray(tint / (tint @ LUMA), np.float32)

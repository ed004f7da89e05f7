"""A cut-out: the colour that a body takes from the light, its cover and relief, at its own magnification."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES
from tests.recipes.voyager.textures import Floats

KIND = {name: number for number, name in enumerate(KIND_NAMES)}
_LEVELS = 5


@dataclass(frozen=True)
class Body:
    """A cut-out with its copies of halved size.

    Parameters
    ----------
    kind : int
        Number in `KIND_NAMES`.
    grain_um : float
        Size of a pixel of the finest copy.
    levels : tuple of ndarray of shape (h, w, 4)
        Optical density of red, green and blue, and cover 0 to 1. A density below 0 is a bright fringe.
    gloss : float
        Share of the light from above that the body itself sends back.
    height_um : float
        Relief that slanting light shows.
    hides : bool
        What lies beneath can no longer be counted.
    """

    kind: int
    grain_um: float
    levels: tuple[Floats, ...]
    gloss: float
    height_um: float
    hides: bool


def make_body(
    kind: str,
    grain_um: float,
    density: Floats,
    cover: Floats,
    *,
    gloss: float,
    height_um: float,
    hides: bool = True,
) -> Body:
    """Stack a density (h, w, 3) and a cover (h, w), padded so that halving keeps the centre, and halve them."""
    sheet: Floats = np.dstack([density, cover]).astype(np.float32)
    step = 2 ** (_LEVELS - 1)
    short = [-side % step + 2 * step for side in sheet.shape[:2]]
    # odd leftovers would move the centre by half a pixel: sides are made even beforehand
    top, left = short[0] // 2, short[1] // 2
    sheet = cv2.copyMakeBorder(sheet, top, short[0] - top, left, short[1] - left, cv2.BORDER_CONSTANT)
    levels = [sheet]
    for _ in range(_LEVELS - 1):
        half = (levels[-1].shape[1] // 2, levels[-1].shape[0] // 2)
        levels.append(cv2.resize(levels[-1], half, interpolation=cv2.INTER_AREA))
    return Body(KIND[kind], grain_um, tuple(levels), gloss, height_um, hides)


def edge_cover(distance_px: Floats, soft_px: float = 1.0) -> Floats:
    """Cover from the signed distance to the outline."""
    return np.clip(distance_px / soft_px + 0.5, 0, 1).astype(np.float32)


def even(side_px: float) -> int:
    """Round a side to an even number of pixels, at least 8."""
    return max(8, 2 * round(side_px / 2))


def tint(red: float, green: float, blue: float) -> NDArray[np.float32]:
    """Colour of a pigment as density of red, green and blue, of mean 1."""
    colour = np.array([red, green, blue], np.float32)
    return colour / colour.mean()


@dataclass(frozen=True)
class Placed:
    """A copy of a body in the view.

    Parameters
    ----------
    body : Body
    x_um, y_um : float
        Place of the tile's centre, from the centre of the first pixel.
    angle_deg : float
        Of the tile's x axis, from +x towards +y.
    stretch, squeeze : float
        Magnification along the tile's x axis and y axis.
    strength : float
        Factor of the density.
    depth : float
        What has more lies above.
    spore : int
        Index of the spore, -1 for anything else.
    """

    body: Body
    x_um: float
    y_um: float
    angle_deg: float
    stretch: float = 1.0
    squeeze: float = 1.0
    strength: float = 1.0
    depth: float = 0.0
    spore: int = -1

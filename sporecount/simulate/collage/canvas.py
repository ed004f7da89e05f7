"""The picture under work: its light, what is topmost where, and which spore owns a pixel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sporecount.simulate.collage.laws import Law, render
from sporecount.simulate.collage.outlines import Outline, extent, relative_places
from sporecount.simulate.truth import KIND_NAMES

HIDES = 0.45
"""Cover from which a thing hides what lies beneath."""

SHOWS = 0.12
"""Cover from which a thing is there at all, in the map of kinds."""


class Canvas:
    """Display values from 0 to 1 with the maps of kinds and of spores.

    Parameters
    ----------
    rgb : ndarray of shape (H, W, 3), float32
        Changed in place.
    px_um : float
    grain : ndarray of shape (h, w), float32
        Tile that textures are cut from, about unit spread.
    """

    def __init__(self, rgb: np.ndarray, px_um: float, grain: np.ndarray) -> None:
        self.rgb = rgb
        self.px_um = px_um
        self.grain = grain
        self.kind: np.ndarray = np.zeros(rgb.shape[:2], np.uint8)
        self.owner: np.ndarray = np.full(rgb.shape[:2], -1, np.int32)

    @property
    def size_um(self) -> tuple[float, float]:
        """Width and height."""
        return self.rgb.shape[1] * self.px_um, self.rgb.shape[0] * self.px_um

    def window(self, x_um: float, y_um: float, half_um: float) -> tuple[slice, slice] | None:
        """Rows and columns around a place, or None outside of the picture."""
        height, width = self.kind.shape
        col, row = x_um / self.px_um - 0.5, y_um / self.px_um - 0.5
        half = half_um / self.px_um + 2
        top, bottom = max(0, int(row - half)), min(height, int(row + half) + 2)
        left, right = max(0, int(col - half)), min(width, int(col + half) + 2)
        if top >= bottom or left >= right:
            return None
        return slice(top, bottom), slice(left, right)

    def places(self, box: tuple[slice, slice]) -> tuple[np.ndarray, np.ndarray]:
        """Coordinates x (one row) and y (one column) of a window's pixels, µm."""
        rows, cols = box
        x = (np.arange(cols.start, cols.stop, dtype=np.float32) + 0.5) * np.float32(self.px_um)
        y = (np.arange(rows.start, rows.stop, dtype=np.float32) + 0.5) * np.float32(self.px_um)
        return x[None, :], y[:, None]

    def mark(self, box: tuple[slice, slice], shape: np.ndarray, cover: np.ndarray, kind: str) -> None:
        """Enter a thing in the maps where it shows; spores beneath thin cover stay."""
        taken = shape & (cover > SHOWS) & ((self.owner[box] < 0) | (cover >= HIDES))
        self.kind[box][taken] = KIND_NAMES.index(kind)
        self.owner[box][taken] = -1


def grain_patch(rng: np.random.Generator, tile: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Cut a patch out of a tile at a random place, repeated where it is too small."""
    top, left = int(rng.integers(tile.shape[0])), int(rng.integers(tile.shape[1]))
    rows = (top + np.arange(shape[0])) % tile.shape[0]
    cols = (left + np.arange(shape[1])) % tile.shape[1]
    return tile[np.ix_(rows, cols)]


def drawn_window(canvas: Canvas, one: Outline, law: Law) -> tuple[slice, slice] | None:
    """Window that a thing with all its surroundings is drawn in, or None outside of the picture."""
    halo = law.halo_reach * 1.6 * extent(one) if law.halo else 0.0
    line = 1.6 * law.line_um if law.line else 0.0
    shadow = 1.5 * law.shadow_um if law.shadow else 0.0
    return canvas.window(one.x_um, one.y_um, extent(one) + max(halo, line, shadow, 2 * law.soft_um))


def stamp(
    rng: np.random.Generator,
    canvas: Canvas,
    one: Outline,
    law: Law,
    colours: tuple[np.ndarray, np.ndarray],
    kind: str,
    *,
    owner: int = -1,
    surface: np.ndarray | None = None,
) -> float:
    """Draw a thing by a law and enter it in the maps.

    Parameters
    ----------
    rng : numpy.random.Generator
    canvas : Canvas
        Changed in place.
    one : Outline
    law : Law
    colours : tuple of ndarray of shape (3,)
        The dark and the pale one.
    kind : str
        One of `KIND_NAMES`.
    owner : int
        Number of the spore, -1 for other things.
    surface : ndarray, optional
        Own texture of the thing, of the shape of its `drawn_window`.

    Returns
    -------
    float
        Pixels of the view inside its outline.
    """
    box = drawn_window(canvas, one, law)
    if box is None:
        return 0.0
    x, y = canvas.places(box)
    places = relative_places(one, x, y)
    grain = surface
    if grain is None and law.grain:
        grain = grain_patch(rng, canvas.grain, places[0].shape)
    if law.shadow:
        _cast(canvas, box, one, law)
    rgb, cover = render(law, *colours, canvas.rgb[box], places, one.angle, canvas.px_um, grain)
    canvas.rgb[box] = rgb
    shape = places[0] < 1
    if owner >= 0:
        canvas.kind[box][shape] = KIND_NAMES.index(kind)
        canvas.owner[box][shape] = owner
    else:
        canvas.mark(box, shape, cover, kind)
    return float(shape.sum())


def _cast(canvas: Canvas, box: tuple[slice, slice], one: Outline, law: Law) -> None:
    """Darken what lies on the side away from the light."""
    away_x, away_y = -np.cos(law.light_turn), -np.sin(law.light_turn)
    moved = replace(one, x_um=one.x_um + law.shadow_um * away_x, y_um=one.y_um + law.shadow_um * away_y)
    x, y = canvas.places(box)
    depth, reach, _, _ = relative_places(moved, x, y)
    soft = max(0.5 * law.shadow_um, canvas.px_um)
    dark = law.shadow * np.clip(0.5 + 0.5 * (1 - depth) * reach / soft, 0, 1)
    canvas.rgb[box] *= 1 - 0.8 * dark[..., None]

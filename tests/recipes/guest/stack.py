"""The print as a stack of slices on the working grid, and solids laid into it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES

Map = NDArray[np.float32]
SLICES_UM = (-6.0, 0.0, 6.0)
"""Heights of the slices, upwards to the objective."""
BORDERS_UM = (-1e6, -3.0, 3.0, 1e6)
FINEST_UM = 0.65
"""Solids are sampled about this finely and averaged over the pixels of a coarser grid."""


@dataclass(frozen=True)
class Grid:
    """Working grid: place `x_um` lies in column `x_um / step_um`; a margin surrounds the photo's view."""

    step_um: float
    rows: int
    cols: int
    margin: int

    @property
    def sub(self) -> int:
        return max(1, round(self.step_um / FINEST_UM))

    @property
    def size_um(self) -> tuple[float, float]:
        """Width and height."""
        return (self.cols * self.step_um, self.rows * self.step_um)


@dataclass(frozen=True)
class Patch:
    """Fine samples around a place: coordinates from it in µm, turned into the solid's own axes."""

    row: int
    col: int
    u: Map
    v: Map


def patch(grid: Grid, x_um: float, y_um: float, reach_um: float, turn: float = 0.0) -> Patch:
    step, sub = grid.step_um, grid.sub
    row, col = int(np.floor((y_um - reach_um) / step)), int(np.floor((x_um - reach_um) / step))
    n = int(np.ceil(2 * reach_um / step)) + 2
    fine = (np.arange(n * sub) - (sub - 1) / 2) / sub
    x = (((col + fine) * step) - x_um).astype(np.float32)[None, :]
    y = (((row + fine) * step) - y_um).astype(np.float32)[:, None]
    c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    return Patch(row, col, x * c + y * s, y * c - x * s)


@dataclass(frozen=True)
class Solid:
    """A body on its patch: all maps have the patch's shape.

    Parameters
    ----------
    at : Patch
    kind : str
    thick_um : map
        Zero outside.
    density : map of shape (h, w, 3)
        Optical density from bottom to top.
    path_um : map
        Difference of refractive index from the glue's, summed from bottom to top.
    z_um : float or map
        Height of the body's middle.
    sheen : tuple of 3 floats
        Colour that its surface throws back to a lamp above.
    cloud : float
        Share of the light from above that its inside scatters back.
    """

    at: Patch
    kind: str
    thick_um: Map
    density: Map
    path_um: Map
    z_um: float | Map
    sheen: tuple[float, float, float] = (0.02, 0.02, 0.02)
    cloud: float = 0.0


class Stack:
    """Slices being filled.

    Attributes
    ----------
    density : (3 slices, rows, cols, 3); path_um : (3 slices, rows, cols)
    kind : (rows, cols) uint8, the topmost
    top_um : (rows, cols), height of the topmost surface
    sheen : (rows, cols, 3); cloud : (rows, cols)
    """

    def __init__(self, grid: Grid) -> None:
        shape = (grid.rows, grid.cols)
        self.grid = grid
        self.density = np.zeros((3, *shape, 3), np.float32)
        self.path_um = np.zeros((3, *shape), np.float32)
        self.kind = np.zeros(shape, np.uint8)
        self.top_um = np.full(shape, -9.0, np.float32)
        self.sheen = np.zeros((*shape, 3), np.float32)
        self.cloud = np.zeros(shape, np.float32)

    def _cut(self, solid: Solid) -> tuple[tuple[slice, slice], tuple[slice, slice]] | None:
        h, w = (n // self.grid.sub for n in solid.thick_um.shape)
        r0, c0 = max(solid.at.row, 0), max(solid.at.col, 0)
        r1, c1 = min(solid.at.row + h, self.grid.rows), min(solid.at.col + w, self.grid.cols)
        if r1 <= r0 or c1 <= c0:
            return None
        inner = (slice(r0 - solid.at.row, r1 - solid.at.row), slice(c0 - solid.at.col, c1 - solid.at.col))
        return (slice(r0, r1), slice(c0, c1)), inner

    def _mean(self, fine: Map) -> Map:
        sub = self.grid.sub
        if sub == 1:
            return fine
        h, w = fine.shape[0] // sub, fine.shape[1] // sub
        return cv2.resize(fine, (w, h), interpolation=cv2.INTER_AREA)

    def lay(self, solid: Solid) -> tuple[tuple[slice, slice], NDArray[np.bool_]] | None:
        """Cut a solid into the slices; gives its window and outline there, None if it lies outside."""
        cut = self._cut(solid)
        if cut is None:
            return None
        outer, inner = cut
        thick = solid.thick_um
        low, high = solid.z_um - thick / 2, solid.z_um + thick / 2
        for k in range(3):
            part = np.minimum(high, BORDERS_UM[k + 1]) - np.maximum(low, BORDERS_UM[k])
            if part.max() <= 0:
                continue
            share = np.clip(part / np.maximum(thick, 1e-3), 0, 1)
            self.path_um[k][outer] += self._mean(solid.path_um * share)[inner]
            self.density[k][outer] += self._mean(solid.density * share[..., None])[inner]
        outline = self._mean((thick > 0).astype(np.float32))[inner] > 0.5
        top = self._mean(np.broadcast_to(np.asarray(high, np.float32), thick.shape).copy())[inner]
        mine = outline & (top > self.top_um[outer])
        self.kind[outer][mine] = KIND_NAMES.index(solid.kind)
        self.top_um[outer][mine] = top[mine]
        self.sheen[outer][mine] = solid.sheen
        self.cloud[outer][mine] = solid.cloud
        return outer, outline

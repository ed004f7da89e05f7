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
        """Fine samples of a solid along each side of a pixel."""
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
    sub: int
    fine_um: float


def patch(
    grid: Grid, x_um: float, y_um: float, reach_um: float, turn: float = 0.0, sub: int | None = None
) -> Patch:
    """Make the samples up to `reach_um` around a place; `sub` along each side of a pixel, if not the grid's."""
    step, sub = grid.step_um, sub or grid.sub
    row, col = int(np.floor((y_um - reach_um) / step)), int(np.floor((x_um - reach_um) / step))
    n = int(np.ceil(2 * reach_um / step)) + 2
    fine = (np.arange(n * sub) - (sub - 1) / 2) / sub
    x = (((col + fine) * step) - x_um).astype(np.float32)[None, :]
    y = (((row + fine) * step) - y_um).astype(np.float32)[:, None]
    c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    return Patch(row, col, x * c + y * s, y * c - x * s, sub, step / sub)


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
    topmost : (rows, cols) int32, number of the topmost solid in `sheens` and `clouds`; 0 is the bare ground
    """

    def __init__(self, grid: Grid) -> None:
        shape = (grid.rows, grid.cols)
        self.grid = grid
        self.density = np.zeros((3, *shape, 3), np.float32)
        self.path_um = np.zeros((3, *shape), np.float32)
        self.kind = np.zeros(shape, np.uint8)
        self.top_um = np.full(shape, -9.0, np.float32)
        self.topmost = np.zeros(shape, np.int32)
        self.sheens: list[tuple[float, float, float]] = [(0.0, 0.0, 0.0)]
        self.clouds: list[float] = [0.0]

    def _cut(self, solid: Solid) -> tuple[tuple[slice, slice], tuple[slice, slice]] | None:
        h, w = (n // solid.at.sub for n in solid.thick_um.shape)
        r0, c0 = max(solid.at.row, 0), max(solid.at.col, 0)
        r1, c1 = min(solid.at.row + h, self.grid.rows), min(solid.at.col + w, self.grid.cols)
        if r1 <= r0 or c1 <= c0:
            return None
        inner = (slice(r0 - solid.at.row, r1 - solid.at.row), slice(c0 - solid.at.col, c1 - solid.at.col))
        return (slice(r0, r1), slice(c0, c1)), inner

    @staticmethod
    def _mean(fine: Map, sub: int) -> Map:
        if sub == 1:
            return fine
        h, w = fine.shape[0] // sub, fine.shape[1] // sub
        return np.asarray(cv2.resize(fine, (w, h), interpolation=cv2.INTER_AREA))

    def lay(self, solid: Solid) -> tuple[tuple[slice, slice], NDArray[np.bool_]] | None:
        """Cut a solid into the slices; gives its window and outline there, None if it lies outside."""
        cut = self._cut(solid)
        if cut is None:
            return None
        outer, inner = cut
        thick, sub = solid.thick_um, solid.at.sub
        half = thick * np.float32(0.5)
        deepest = float(half.max())
        least, most = float(np.min(solid.z_um)) - deepest, float(np.max(solid.z_um)) + deepest
        for k in range(3):
            if most <= BORDERS_UM[k] or least >= BORDERS_UM[k + 1]:
                continue
            path, density = solid.path_um, solid.density
            if least < BORDERS_UM[k] or most > BORDERS_UM[k + 1]:
                part = np.minimum(solid.z_um + half, BORDERS_UM[k + 1]) - np.maximum(
                    solid.z_um - half, BORDERS_UM[k]
                )
                share = np.clip(part / np.maximum(thick, 1e-3), 0, 1).astype(np.float32)
                path, density = path * share, density * share[..., None]
            self.path_um[k][outer] += self._mean(path, sub)[inner]
            self.density[k][outer] += self._mean(density, sub)[inner]
        outline = self._mean((thick > 0).astype(np.float32), sub)[inner] > 0.5
        top = self._mean(half, sub)[inner]
        top += self._mean(solid.z_um, sub)[inner] if isinstance(solid.z_um, np.ndarray) else solid.z_um
        mine = outline & (top > self.top_um[outer])
        self.kind[outer][mine] = KIND_NAMES.index(solid.kind)
        self.top_um[outer][mine] = top[mine]
        self.topmost[outer][mine] = len(self.sheens)
        self.sheens.append(solid.sheen)
        self.clouds.append(solid.cloud)
        return outer, outline

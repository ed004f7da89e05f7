"""The print as layers on the photo's grid, patches to draw on, and smooth random fields."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES

F = NDArray[Any]
"""Arrays of float32, the kind all maps are kept in."""
KIND = {name: number for number, name in enumerate(KIND_NAMES)}


def cloud(rng: np.random.Generator, shape: tuple[int, ...], size_px: float) -> F:
    """Smooth random field of mean 0 and standard deviation near 1, with blobs about `size_px` wide."""
    rows, cols = (max(2, int(np.ceil(n / max(size_px, 1.0))) + 2) for n in shape)
    small = rng.standard_normal((rows, cols)).astype(np.float32)
    big = cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return big / max(float(big.std()), 1e-3)


@dataclass
class Stratum:
    """Layers that share one depth.

    Parameters
    ----------
    density : ndarray of shape (H, W, 3)
        Optical density, red, green, blue.
    path : ndarray of shape (H, W)
        Optical path over that of the surroundings, µm.
    haze : ndarray of shape (H, W)
        Light thrown back by the layer itself when lit from above, 0 to 1.
    """

    density: F
    path: F
    haze: F

    @classmethod
    def empty(cls, shape: tuple[int, int]) -> Stratum:
        """Make a layer with nothing on it."""
        zeros = np.zeros
        return cls(zeros((*shape, 3), np.float32), zeros(shape, np.float32), zeros(shape, np.float32))


@dataclass
class Patch:
    """A square of pixels about an object, with the object's own coordinates in µm.

    `u` runs along the object's axis and `v` across it, on a grid `fine` times finer than the photo's.
    """

    left: int
    top: int
    side: int
    fine: int
    u: F
    v: F
    px_um: float

    @property
    def corner(self) -> tuple[int, int]:
        """Column and row of its upper left pixel."""
        return self.left, self.top

    def shrink(self, values: NDArray) -> F:
        """Average values of the finer grid over the photo's pixels."""
        if self.fine == 1:
            return np.asarray(values, np.float32)
        shape = (self.side, self.fine, self.side, self.fine)
        return np.asarray(values, np.float32).reshape(shape).mean(axis=(1, 3))

    def inside(self, depth_um: NDArray) -> F:
        """Coverage from the depth inside an edge, soft over one grid step."""
        return np.clip(0.5 + depth_um * (self.fine / self.px_um), 0, 1).astype(np.float32)


@dataclass
class Scene:
    """All that is drawn, before the microscope looks at it.

    Parameters
    ----------
    shape : (int, int)
        Rows and columns.
    um_per_px : float
        At the centre of the photo.
    bend : float
        Share by which lengths are drawn larger at the corner of the photo than at its centre.
    """

    shape: tuple[int, int]
    um_per_px: float
    bend: float
    print: Stratum = field(init=False)
    spores: Stratum = field(init=False)
    raised: Stratum = field(init=False)
    kind: NDArray[np.uint8] = field(init=False)
    raised_kind: NDArray[np.uint8] = field(init=False)
    above: F = field(init=False)

    def __post_init__(self) -> None:
        self.print, self.spores, self.raised = (Stratum.empty(self.shape) for _ in range(3))
        self.kind, self.raised_kind = np.zeros(self.shape, np.uint8), np.zeros(self.shape, np.uint8)
        # Green density of all but spores and raised things, in the order of drawing: tells what lies on what.
        self.above = np.zeros(self.shape, np.float32)

    def px_um(self, x: float, y: float) -> float:
        """Give the µm per px at a place: an object is drawn rigid, with the scale of its centre."""
        rows, cols = self.shape
        half = np.array([(cols - 1) / 2, (rows - 1) / 2])
        r2 = float(((np.array([x, y]) - half) ** 2).sum() / (half**2).sum())
        return self.um_per_px / (1 + self.bend * r2)

    def patch(self, x: float, y: float, reach_um: float, angle_deg: float, fine: int = 1) -> Patch:
        """Lay out a patch that holds all within `reach_um` of a place, whether inside the photo or not."""
        px = self.px_um(x, y)
        reach = int(np.ceil(reach_um / px)) + 1
        left, top, side = round(x) - reach, round(y) - reach, 2 * reach + 1
        step = (np.arange(side * fine, dtype=np.float32) + 0.5) / fine - 0.5
        dx, dy = (step + (left - x)) * px, ((step + (top - y)) * px)[:, None]
        c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
        u, v = (dx * c + dy * s).astype(np.float32), (dy * c - dx * s).astype(np.float32)
        return Patch(left, top, side, fine, u, v, px)

    def window(
        self, corner: tuple[int, int], shape: tuple[int, ...]
    ) -> tuple[tuple[slice, slice], tuple[slice, slice]] | None:
        """Give the slices of the photo and of a patch that lie on one another, None without overlap.

        `corner` is the photo's (left, top) of the patch, `shape` its rows and columns.
        """
        left, top = corner
        across = [
            (max(a, 0), min(a + n, full)) for a, n, full in zip((top, left), shape, self.shape, strict=True)
        ]
        if any(a >= b for a, b in across):
            return None
        there = tuple(slice(a, b) for a, b in across)
        mine = tuple(slice(a - o, b - o) for (a, b), o in zip(across, (top, left), strict=True))
        return (there[0], there[1]), (mine[0], mine[1])

    def lay(
        self,
        corner: tuple[int, int],
        kind: str,
        cover: F,
        colour: NDArray,
        density: F,
        path: F,
        *,
        raised: bool = False,
        haze: float = 0.0,
    ) -> None:
        """Put an object on top of what is there.

        `cover` (0 to 1), `density` (a multiple of `colour`, three optical densities) and `path` (µm) are of
        the photo's pixels from `corner` (left, top) on, which may lie outside the photo.
        """
        if (both := self.window(corner, cover.shape)) is None:
            return
        there, mine = both
        layer = self.spores if kind == "spore" else self.raised if raised else self.print
        layer.density[there] += density[mine][..., None] * np.asarray(colour, np.float32)
        layer.path[there] += path[mine]
        if haze:
            layer.haze[there] = np.maximum(layer.haze[there], haze * cover[mine])
        if kind != "spore" and not raised:
            self.above[there] += density[mine] * np.float32(colour[1])
        kinds = self.raised_kind if raised else self.kind
        kinds[there][cover[mine] >= 0.5] = KIND[kind]

    def top_kind(self) -> NDArray[np.uint8]:
        """Give the number of the topmost kind at each pixel: raised things lie on top, whenever drawn."""
        return np.where(self.raised_kind > 0, self.raised_kind, self.kind)

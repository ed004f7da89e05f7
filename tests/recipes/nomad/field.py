"""The specimen as sums: optical path, pigment and scattered light, plus who lies on top."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES

Floats = NDArray[np.float32]
Box = tuple[slice, slice]
KIND = {name: number for number, name in enumerate(KIND_NAMES)}
NOBODY = -1


def _flat(*shape: int) -> Floats:
    return np.zeros(shape, np.float32)


@dataclass
class Field:
    """What lies in the view. Path and pigment add up whatever the order, so either can be taken apart again.

    `ink` is decadic optical density of red, green and blue; `path_um` the thickness times the step of the
    refractive index; `scatter` the share of light from above that a thing throws back; `veil` how much what was
    laid so far hides; `owner` the number of the topmost spore.
    """

    rows: int
    cols: int
    um_per_px: float
    path_um: Floats = field(init=False)
    spore_path_um: Floats = field(init=False)
    ink: Floats = field(init=False)
    spore_ink: Floats = field(init=False)
    scatter: Floats = field(init=False)
    veil: Floats = field(init=False)
    kind: NDArray[np.uint8] = field(init=False)
    owner: NDArray[np.int32] = field(init=False)
    scale_cover: NDArray[np.bool_] = field(init=False)
    scales: int = 0

    def __post_init__(self) -> None:
        shape = (self.rows, self.cols)
        self.path_um, self.spore_path_um = _flat(*shape), _flat(*shape)
        self.ink, self.spore_ink = _flat(*shape, 3), _flat(*shape, 3)
        self.scatter, self.veil = _flat(*shape), _flat(*shape)
        self.kind = np.zeros(shape, np.uint8)
        self.owner = np.full(shape, NOBODY, np.int32)
        self.scale_cover = np.zeros(shape, bool)

    @property
    def width_um(self) -> float:
        """Width of the view."""
        return self.cols * self.um_per_px

    @property
    def height_um(self) -> float:
        """Height of the view."""
        return self.rows * self.um_per_px

    @property
    def size_um(self) -> NDArray[np.float64]:
        """Width and height of the view."""
        return np.array([self.width_um, self.height_um])

    def window(self, x_um: float, y_um: float, reach_um: float) -> Box | None:
        """Cut the part of a square that lies in the view, or None if nothing does."""
        x, y, reach = x_um / self.um_per_px, y_um / self.um_per_px, reach_um / self.um_per_px + 2
        x0, x1 = max(0, int(x - reach)), min(self.cols, int(x + reach) + 2)
        y0, y1 = max(0, int(y - reach)), min(self.rows, int(y + reach) + 2)
        return (slice(y0, y1), slice(x0, x1)) if x1 > x0 and y1 > y0 else None

    def axes(
        self, box: Box, x_um: float, y_um: float, angle_rad: float, fine: int = 1
    ) -> tuple[Floats, Floats]:
        """Coordinates along and across a direction, µm from a place; `fine` samples to a pixel's side."""
        offset = (np.arange(fine) + 0.5) / fine - 0.5
        x = (np.arange(box[1].start, box[1].stop)[:, None] + offset).ravel() * self.um_per_px - x_um
        y = (np.arange(box[0].start, box[0].stop)[:, None] + offset).ravel() * self.um_per_px - y_um
        c, s = np.cos(angle_rad), np.sin(angle_rad)
        along = x[None, :] * c + y[:, None] * s
        across = y[:, None] * c - x[None, :] * s
        return along.astype(np.float32), across.astype(np.float32)

    def lay(
        self,
        box: Box,
        cover: Floats,
        kind: str,
        *,
        path_um: Floats | float = 0.0,
        ink: Floats | None = None,
        scatter: float = 0.0,
        hides: Floats | float = 0.0,
    ) -> None:
        """Lay a thing on top of all that is there; `path_um` and `ink` come multiplied with its soft cover."""
        self.path_um[box] += path_um
        if ink is not None:
            self.ink[box] += ink
            self.veil[box] += ink[..., 1]
        self.veil[box] += hides * cover
        self.scatter[box] += scatter * cover * (1 - self.scatter[box])
        self.kind[box][cover > 0.5] = KIND[kind]
        if kind == "scale":
            self.scale_cover[box] |= cover > 0.5

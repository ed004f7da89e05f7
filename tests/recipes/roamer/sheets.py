"""Sheets of bodies, one over the other: what each takes of the light, bends of it and scatters of it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES

Plane = NDArray[np.float32]
KIND = {name: number for number, name in enumerate(KIND_NAMES)}


@dataclass(frozen=True)
class Matter:
    """What a body is made of.

    Parameters
    ----------
    pigment : ndarray of 3
        Optical density of red, green and blue at thickness 1 of the patch.
    bend_um : float
        Optical path over the glue at thickness 1; negative for air.
    colour : ndarray of 3
        Share of light that it scatters back, linear.
    opacity : float
        Share of what lies beneath that it covers in light from above.
    """

    pigment: NDArray[np.float64]
    bend_um: float
    colour: NDArray[np.float64]
    opacity: float


@dataclass(frozen=True)
class Patch:
    """A drawn body: its cover (0 to 1) and thickness (about 0 to 1), from a corner that may lie outside."""

    row: int
    col: int
    cover: Plane
    thick: Plane


@dataclass
class Sheet:
    """Bodies of about one depth."""

    shape: tuple[int, int]
    density: Plane = field(init=False)
    path_um: Plane = field(init=False)
    alpha: Plane = field(init=False)
    colour: Plane = field(init=False)
    relief: Plane = field(init=False)

    def __post_init__(self) -> None:
        """Start empty."""
        self.density = np.zeros((*self.shape, 3), np.float32)
        self.colour = np.zeros((*self.shape, 3), np.float32)
        self.path_um, self.alpha, self.relief = (np.zeros(self.shape, np.float32) for _ in range(3))


class Stack:
    """The sheets from the ground up, and who lies on top."""

    def __init__(self, shape: tuple[int, int], um_per_px: float) -> None:
        self.shape, self.um_per_px = shape, um_per_px
        self.low, self.grains, self.high = Sheet(shape), Sheet(shape), Sheet(shape)
        self.kind = np.zeros(shape, np.uint8)
        self.owner = np.full(shape, -1, np.int32)
        self.scale_below = np.zeros(shape, bool)

    @property
    def sheets(self) -> tuple[Sheet, ...]:
        """From the ground up."""
        return self.low, self.grains, self.high

    def lay(
        self, sheet: Sheet, patch: Patch, matter: Matter, kind: str, rise_um: float = 1.0, owner: int = -1
    ) -> int:
        """Lay a body on a sheet; tell how many pixels it has, those outside the view included."""
        rows, cols = self.shape
        top, left = max(patch.row, 0), max(patch.col, 0)
        end, right = min(patch.row + patch.cover.shape[0], rows), min(patch.col + patch.cover.shape[1], cols)
        whole = int((patch.cover > 0.5).sum())
        if top >= end or left >= right:
            return whole
        inner = (slice(top - patch.row, end - patch.row), slice(left - patch.col, right - patch.col))
        # Only pixels of the body are touched: a thread fills little of its patch.
        there = np.nonzero((patch.cover[inner] > 0) | (patch.thick[inner] > 0))
        at = (there[0] + top, there[1] + left)
        cover, thick = patch.cover[inner][there], patch.thick[inner][there]
        mine = cover > 0.5
        if matter.pigment.any():
            sheet.density[at] += (cover * thick)[:, None] * matter.pigment.astype(np.float32)
        sheet.path_um[at] += thick * np.float32(matter.bend_um)
        if matter.opacity > 0:
            veil = cover * np.float32(matter.opacity)
            paint = matter.colour.astype(np.float32)
            sheet.colour[at] += veil[:, None] * (paint - sheet.colour[at])
            sheet.alpha[at] += veil * (1 - sheet.alpha[at])
            sheet.relief[at] = np.maximum(sheet.relief[at], cover * thick * rise_um)
            self.kind[at[0][mine], at[1][mine]] = KIND[kind]
            if sheet is self.grains:
                self.owner[at[0][mine], at[1][mine]] = owner
        return whole

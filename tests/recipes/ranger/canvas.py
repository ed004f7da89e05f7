"""The scene in optical density, with what lies topmost and which spore owns each pixel."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES
from tests.recipes.ranger.radial import Field, Outline, Patch, patch_of

KIND = {name: number for number, name in enumerate(KIND_NAMES)}
HIDES_FROM = 0.3
"""Mean density from which a thing on top is taken to hide what lies beneath (chosen by eye)."""


@dataclass
class Canvas:
    """Density of red, green and blue, topmost kind, owning spore (-1 for none) and whether a scale lies there."""

    density: Field
    um_per_px: float
    top_share: float
    kind: NDArray[np.uint8] = field(init=False)
    owner: NDArray[np.int32] = field(init=False)
    scale: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        self.kind = np.zeros(self.shape, np.uint8)
        self.owner = np.full(self.shape, -1, np.int32)
        self.scale = np.zeros(self.shape, bool)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.density.shape[0], self.density.shape[1]

    def patch(
        self, outline: Outline, x_px: float, y_px: float, angle_rad: float, margin: float = 1.0
    ) -> Patch | None:
        """Evaluate an outline at a place of this canvas."""
        return patch_of(outline, x_px, y_px, angle_rad, self.um_per_px, self.shape, margin)

    def lay(
        self,
        box: tuple[slice, slice],
        cover: Field,
        amount: Field,
        pigment: NDArray[np.floating],
        body: float,
        kind: str,
    ) -> None:
        """Put a thing on top.

        Parameters
        ----------
        box, cover
            Its pixels, and the share of each that it covers.
        amount
            Its density there, negative where it gathers light.
        pigment
            Weight of red, green and blue.
        body
            Share of the top light that it sends back itself, so that what lies beneath fades.
        kind
            One of `KIND_NAMES`.
        """
        veil = cover * np.float32(body * self.top_share)
        view = self.density[box]
        view *= (1 - veil)[..., None]
        view += amount[..., None] * pigment.astype(np.float32)
        mine = cover > 0.5
        self.kind[box][mine] = KIND[kind]
        if kind == "scale":
            self.scale[box] |= mine
        dense = float(amount[mine].mean() * pigment.mean()) if mine.any() else 0.0
        if dense > HIDES_FROM or body * self.top_share > 0.5:
            self.owner[box][mine] = -1

    def own(self, box: tuple[slice, slice], cover: Field, spore: int) -> int:
        """Give a spore the pixels that it covers by half or more; returns how many."""
        mine = cover > 0.5
        self.owner[box][mine] = spore
        return int(mine.sum())

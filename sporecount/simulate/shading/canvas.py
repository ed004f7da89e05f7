"""The light that comes through the print, and who lies on top of whom."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES

Array = NDArray[np.float32]
KIND = {name: number for number, name in enumerate(KIND_NAMES)}


@dataclass(frozen=True)
class Stamp:
    """One thing on the canvas: how much of each pixel of its window it covers, and how far it hides others."""

    window: tuple[slice, slice]
    cover: Array
    hides: float
    spore: int
    full: float


class Canvas:
    """The growing scene, with a margin around the view; `light` is what the bare ground lets through."""

    def __init__(self, light: Array, px_um: float, from_above: bool, lamp_deg: float) -> None:
        self.light = light
        self.px_um = px_um
        self.from_above = from_above
        self.lamp = np.array([np.cos(np.radians(lamp_deg)), np.sin(np.radians(lamp_deg))], np.float32)
        self.kinds: NDArray[np.uint8] = np.zeros(light.shape[:2], np.uint8)
        self.scaled: NDArray[np.bool_] = np.zeros(light.shape[:2], bool)
        self.stamps: list[Stamp] = []

    def grid(self, x: float, y: float, reach_um: float) -> tuple[tuple[slice, slice], Array, Array] | None:
        """Window around a place with distances from it in micrometres, or None off the canvas."""
        rows, cols = self.kinds.shape
        reach = int(np.ceil(reach_um / self.px_um)) + 1
        x0, x1 = max(int(x) - reach, 0), min(int(x) + reach + 2, cols)
        y0, y1 = max(int(y) - reach, 0), min(int(y) + reach + 2, rows)
        if x0 >= x1 or y0 >= y1:
            return None
        dx = (np.arange(x0, x1, dtype=np.float32) - np.float32(x)) * np.float32(self.px_um)
        dy = (np.arange(y0, y1, dtype=np.float32) - np.float32(y)) * np.float32(self.px_um)
        return (slice(y0, y1), slice(x0, x1)), dx[None, :], dy[:, None]

    def lay(
        self,
        window: tuple[slice, slice],
        through: Array,
        cover: Array,
        kind: str,
        hides: float,
        spore: int = -1,
        full: float = 0.0,
    ) -> None:
        """Let the light pass through one more thing; `hides` is 0 where things beneath stay plain to see."""
        self.light[window] *= through
        here = cover > 0.5
        if kind in ("scale", "scale piece"):
            self.scaled[window] |= here
        if hides < 0.5:
            here &= self.kinds[window] != KIND["spore"]
        self.kinds[window][here] = KIND[kind]
        self.stamps.append(Stamp(window, cover, hides, spore, full))

    def visible(self, number: int, outside: Array) -> NDArray[np.float64]:
        """Share of each spore's outline that nothing hides, from the top of the pile downwards."""
        hidden = outside.copy()
        shares = np.zeros(number)
        for stamp in reversed(self.stamps):
            at = hidden[stamp.window]
            if stamp.spore >= 0:
                shares[stamp.spore] = float((stamp.cover * (1 - at)).sum()) / stamp.full
            if stamp.hides > 0:
                at += (1 - at) * stamp.cover * np.float32(stamp.hides)
        return np.clip(shares, 0, 1)

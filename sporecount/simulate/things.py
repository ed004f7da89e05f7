"""What one thing on a print is, and where things are put."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sporecount.simulate.sample import log_between
from sporecount.simulate.truth import KIND_NAMES

LOW, ON, HIGH = 0, 1, 2
"""Layers by height: pressed into the adhesive and beneath scales; on top of scales; standing high."""

KIND = {name: number for number, name in enumerate(KIND_NAMES)}


@dataclass(frozen=True)
class Thing:
    """One object of the scene.

    Parameters
    ----------
    shape : str
        Which painter draws it: "spore", "scale", "solid", "bubble", "strand" or "band".
    kind : int
        Number in `KIND_NAMES`.
    layer : int
        `LOW`, `ON` or `HIGH`; within a layer the later thing lies on top.
    x_um, y_um, angle_deg : float
        Place and direction on the print.
    points : ndarray of shape (n, 2)
        Outline (or centre line of a "strand") in the thing's own frame, um.
    look : dict
        Numbers for the painter.
    seed : int
        Of its texture, so that a second photo of the place shows the same thing.
    """

    shape: str
    kind: int
    layer: int
    x_um: float
    y_um: float
    angle_deg: float
    points: np.ndarray
    look: dict
    seed: int = 0


class Placer:
    """Draws places and numbers of things on the rectangle."""

    def __init__(self, rng: np.random.Generator, extent_um: tuple[float, float, float, float], gain: float):
        self.rng, self.extent, self.gain = rng, extent_um, gain
        self.area_mm2 = extent_um[2] * extent_um[3] * 1e-6

    def number(self, rate: tuple[float, float], gain: float = 1.0) -> int:
        """Poisson number of things for a range of rates per mm2."""
        return int(self.rng.poisson(log_between(self.rng, rate) * gain * self.gain * self.area_mm2))

    def spot(self) -> tuple[float, float]:
        """Random place on the rectangle, um."""
        left, top, width, height = self.extent
        return float(left + self.rng.uniform(0, width)), float(top + self.rng.uniform(0, height))

    def thing(self, shape: str, kind: str, layer: int, points: np.ndarray, **look: object) -> Thing:
        """Make a thing at a random place and angle."""
        x, y = self.spot()
        return Thing(
            shape,
            KIND[kind],
            layer,
            x,
            y,
            float(self.rng.uniform(0, 360)),
            points,
            look,
            int(self.rng.integers(2**31)),
        )

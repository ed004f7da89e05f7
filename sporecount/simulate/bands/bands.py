"""Light in eight bands: pigments, lamps, and the three sensitivities of a camera."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Curve = NDArray[np.float32]
NM = np.array([415.0, 455.0, 490.0, 525.0, 555.0, 590.0, 625.0, 665.0])
"""Middles of the bands, nanometres."""


def bell(at_nm: float, wide_nm: float) -> Curve:
    """Give a bell over the bands, one at its top."""
    return np.exp(-0.5 * ((NM - at_nm) / wide_nm) ** 2).astype(np.float32)


def _power(slope: float) -> Curve:
    return ((555.0 / NM) ** slope).astype(np.float32)


PIGMENTS: dict[str, Curve] = {
    "amber": _power(5.2),
    "melanin": _power(2.7),
    "soot": _power(0.5),
    "lignin": _power(3.2),
    "carotenoid": bell(440, 30) + 0.75 * bell(480, 16),
    "pterin": bell(405, 38),
    "ommochrome": bell(480, 48),
    "olive": 0.55 * _power(2.0) + 0.5 * bell(430, 30) + 0.35 * bell(665, 30),
    "blue": bell(605, 52),
    "red": bell(522, 40),
    "green": bell(430, 40) + 0.9 * bell(650, 36),
    "plain": np.ones(8, np.float32),
}
"""Optical density of one unit: melanins rise steadily towards blue, carotenoids and pterins absorb in blue
and violet only, ommochromes in blue and green (textbook shapes, from memory)."""


@dataclass(frozen=True)
class Stuff:
    """What a part of a thing does to light.

    Parameters
    ----------
    pigments : dict
        Units of each pigment along the way of the light.
    scatter : float
        Share of the light that is thrown about: lost from below, sent back from above.
    sheen : ndarray of shape (8,), or float
        Light sent back by the surface when lit from above, over that of white card.
    gain : float
        Factor on the light that refraction concentrates here (above 1) or leads away.
    """

    pigments: dict[str, float] = field(default_factory=dict)
    scatter: float = 0.0
    sheen: Curve | float = 0.0
    gain: float = 1.0

    def density(self) -> Curve:
        """Give the optical density in each band, one way."""
        total = np.zeros(8, np.float32)
        for name, units in self.pigments.items():
            total += np.float32(units) * PIGMENTS[name]
        return total

    def through(self, from_above: bool) -> Curve:
        """Give the share of the light below that comes through; from above it passes twice."""
        passed = np.float32(10.0) ** (-self.density() * (1.7 if from_above else 1.0))
        lost = self.scatter if from_above else 0.55 * self.scatter
        return (passed * (1 - lost) * (1 + 0.3 * (self.gain - 1) if from_above else self.gain)).astype(
            np.float32
        )

    def back(self, from_above: bool) -> Curve:
        """Give the light that the part itself sends back."""
        if not from_above:
            return np.zeros(8, np.float32)
        return (self.scatter * 10.0 ** (-1.2 * self.density()) + self.sheen).astype(np.float32)


def lamp(kind: str, warmth: float) -> Curve:
    """Give a lamp's spectrum, mean one: "filament", "led" or "daylight"; warmth from 0 (cold) to 1."""
    if kind == "led":
        light = (1.3 - 0.8 * warmth) * bell(452, 16) + bell(560 + 35 * warmth, 62 + 8 * warmth)
    else:
        kelvin = 3600 - 1000 * warmth if kind == "filament" else 7000 - 2000 * warmth
        light = NM**-5.0 / np.expm1(1.4388e7 / (NM * kelvin))
    return (light / light.mean()).astype(np.float32)


def camera_curves(spread: float) -> NDArray[np.float32]:
    """Give the sensitivities of red, green and blue (3, 8), each with a sum of one; wider bells, paler colours."""
    red = bell(608, 30 * spread) + 0.07 * bell(440, 25)
    green = bell(535, 36 * spread)
    blue = bell(458, 27 * spread)
    curves = np.stack([red, green, blue])
    return (curves / curves.sum(axis=1, keepdims=True)).astype(np.float32)

"""Natural hues as absorption per unit of density, and the colour of the same body seen from above."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[Any]
"""Float pictures, mostly of 32 bits."""
Rng = np.random.Generator


class Pigment(NamedTuple):
    """What one unit of density takes from red, green and blue, and what a thick body of it throws back."""

    absorb: Floats
    body: Floats


def _pigment(absorb: tuple[float, float, float], body: tuple[float, float, float]) -> Pigment:
    """Scale absorption to a mean of one, so that density means the same for every hue."""
    taken = np.asarray(absorb, np.float32)
    return Pigment(taken / taken.mean(), np.asarray(body, np.float32))


SPORE = {
    "amber": _pigment((0.45, 0.95, 1.60), (0.26, 0.13, 0.045)),
    "brown": _pigment((0.65, 1.00, 1.35), (0.17, 0.085, 0.04)),
    "chocolate": _pigment((0.80, 1.00, 1.20), (0.085, 0.05, 0.03)),
    "grey-brown": _pigment((0.88, 1.00, 1.12), (0.15, 0.12, 0.09)),
    "straw": _pigment((0.35, 0.80, 1.85), (0.34, 0.23, 0.09)),
}
SCALE = {
    "black": _pigment((0.92, 1.00, 1.08), (0.025, 0.022, 0.02)),
    "brown": _pigment((0.70, 1.00, 1.30), (0.12, 0.065, 0.035)),
    "orange": _pigment((0.18, 0.95, 1.87), (0.52, 0.20, 0.03)),
    "pale": _pigment((0.85, 1.00, 1.15), (0.66, 0.62, 0.52)),
}
HAIR = _pigment((0.75, 1.0, 1.25), (0.09, 0.06, 0.04))
CELLULOSE = _pigment((0.95, 1.0, 1.05), (0.80, 0.79, 0.74))
THREAD_DYES = (
    _pigment((1.6, 0.9, 0.5), (0.10, 0.18, 0.45)),
    _pigment((0.3, 1.3, 1.4), (0.45, 0.08, 0.08)),
    CELLULOSE,
    CELLULOSE,
    CELLULOSE,
)
POLLEN = (
    _pigment((0.25, 0.75, 2.0), (0.75, 0.58, 0.12)),
    _pigment((0.45, 0.95, 1.6), (0.55, 0.32, 0.10)),
    _pigment((0.85, 1.0, 1.15), (0.68, 0.66, 0.55)),
)
SOIL = (
    _pigment((0.75, 1.0, 1.25), (0.16, 0.11, 0.07)),
    _pigment((0.95, 1.0, 1.05), (0.06, 0.06, 0.055)),
    _pigment((0.55, 0.9, 1.55), (0.32, 0.20, 0.09)),
    _pigment((1.1, 0.75, 1.15), (0.11, 0.16, 0.06)),  # frass, still green
)
SOOT = _pigment((1.0, 1.0, 1.0), (0.02, 0.02, 0.02))
MOULD = _pigment((0.8, 0.95, 1.25), (0.20, 0.20, 0.15))
STAIN = _pigment((0.5, 0.95, 1.55), (0.24, 0.12, 0.05))
CLEAR = _pigment((1.0, 1.0, 1.0), (0.85, 0.85, 0.85))
INKS = (
    _pigment((1.5, 0.95, 0.55), (0.10, 0.16, 0.38)),
    _pigment((0.5, 1.3, 1.2), (0.45, 0.14, 0.15)),
    _pigment((1.0, 1.0, 1.0), (0.10, 0.10, 0.11)),
)


def varied(pigment: Pigment, rng: Rng, spread: float = 0.08) -> Pigment:
    """Give an individual its own shade of a hue."""
    # nature varies between paler and redder browns, hardly towards green or violet
    shift = rng.normal(0, spread) * np.array([-1.0, 0.0, 1.0]) + rng.normal(0, 0.2 * spread, 3)
    absorb = pigment.absorb * np.exp(shift)
    body = pigment.body * np.exp(rng.normal(0, spread) - shift)
    return Pigment((absorb / absorb.mean()).astype(np.float32), np.clip(body, 0.01, 0.95).astype(np.float32))

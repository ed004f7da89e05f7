"""Wavelength bands, pigments, lamps and sensors: where colours come from."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]

BANDS_NM = np.linspace(430, 675, 8)
"""Middle wavelengths of the bands."""

PIGMENTS = ("melanin", "grey", "carotene", "rust", "lignin", "glue", "leaf", "ink", "thin", "thick")
"""Names of the rows of `ABSORBANCE`. "thin" and "thick" are chitin films, whose interference may also brighten."""

LUMA = np.array([0.25, 0.6, 0.15], np.float32)


def _bump(middle_nm: float, width_nm: float) -> NDArray[np.float64]:
    return np.exp(-0.5 * ((BANDS_NM - middle_nm) / width_nm) ** 2)


def _film(thickness_nm: float) -> NDArray[np.float64]:
    # Two faces of chitin (refractive index 1.56): light thrown back and forth interferes with the rest.
    return -np.cos(4 * np.pi * 1.56 * thickness_nm / BANDS_NM)


ABSORBANCE = np.stack(
    [
        (550 / BANDS_NM) ** 3,
        np.ones(8),
        1.4 * _bump(450, 28) + 1.1 * _bump(488, 22),
        1.3 * _bump(470, 60) + 0.5 * _bump(550, 35),
        1.5 * np.exp(-(BANDS_NM - 430) / 95),
        1.6 * np.exp(-(BANDS_NM - 430) / 45),
        1.2 * _bump(435, 25) + 0.9 * _bump(672, 22),
        1.3 * _bump(610, 55),
        _film(190),
        _film(330),
    ]
).astype(np.float32)
"""Natural absorbance of one unit of each pigment, shape (pigments, bands)."""


def mix(**amounts: float) -> Array:
    """Amounts of named pigments as a vector over `PIGMENTS`."""
    result = np.zeros(len(PIGMENTS), np.float32)
    for name, amount in amounts.items():
        result[PIGMENTS.index(name)] = amount
    return result


def density(pigments: Array) -> float:
    """Natural absorbance of a mixture as the eye weighs the bands."""
    weight = _bump(555, 45)
    return float(pigments @ ABSORBANCE @ weight / weight.sum())


def draw_lamp(rng: np.random.Generator) -> tuple[str, NDArray[np.float64]]:
    """Name and band powers of a lamp, mean 1."""
    name = str(rng.choice(["tungsten", "led", "cold led", "daylight"]))
    if name in ("tungsten", "daylight"):
        kelvin = rng.uniform(2500, 3300) if name == "tungsten" else rng.uniform(5000, 8000)
        power = (BANDS_NM / 550) ** -5 / np.expm1(1.4388e7 / (BANDS_NM * kelvin))
    else:
        blue = rng.uniform(0.3, 0.6) if name == "led" else rng.uniform(0.8, 1.5)
        power = blue * _bump(452, 14) + _bump(rng.uniform(555, 590), rng.uniform(50, 65)) + 0.02
    return name, power / power.mean()


def draw_sensor(rng: np.random.Generator) -> NDArray[np.float64]:
    """Sensitivity of red, green and blue to each band, shape (bands, 3)."""
    peaks = rng.normal((605, 538, 462), 6)
    widths = rng.uniform(26, 42, 3)
    raw = np.stack([_bump(peak, width) for peak, width in zip(peaks, widths, strict=True)], 1)
    return raw + rng.uniform(0, 0.08) * raw.sum(1, keepdims=True)


def draw_eye(rng: np.random.Generator, ground: Array) -> tuple[str, Array]:
    """Name of the lamp, and the matrix from bands to white-balanced RGB for an empty ground of this absorbance."""
    name, lamp = draw_lamp(rng)
    matrix = lamp[:, None] * draw_sensor(rng)
    empty = np.exp(-ground.astype(float))
    # Full balance makes the empty ground grey; phones often stop short of it, or know white from elsewhere.
    response = (empty[:, None] * matrix).sum(0)
    flat = matrix.sum(0)
    known = flat if rng.random() < 0.3 else response
    matrix = matrix / known ** rng.uniform(0.75, 1.0)
    matrix = matrix * np.exp(rng.normal(0, 0.05, 3))
    luma = ((empty[:, None] * matrix).sum(0) * LUMA).sum()
    return name, (matrix / luma).astype(np.float32)

"""What stays the same over the photos of one print: its spores, its butterfly, its card and its light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sporecount.simulate.ranges import PrintRanges, Range

SCALE_COLOURS: dict[str, tuple[tuple[float, float, float], tuple[float, float, float]]] = {
    # name: (optical density of R, G, B from below, colour of R, G, B seen from above, linear)
    "orange": ((0.06, 0.32, 0.95), (0.62, 0.24, 0.04)),
    "black": ((0.85, 0.95, 1.05), (0.022, 0.018, 0.018)),
    "brown": ((0.30, 0.50, 0.78), (0.16, 0.085, 0.045)),
    "grey": ((0.20, 0.22, 0.26), (0.30, 0.29, 0.28)),
    "white": ((0.05, 0.055, 0.065), (0.62, 0.62, 0.60)),
    "tan": ((0.10, 0.20, 0.42), (0.50, 0.33, 0.17)),
}


def between(rng: np.random.Generator, bounds: Range) -> float:
    """Uniform draw."""
    return float(rng.uniform(*bounds))


def log_between(rng: np.random.Generator, bounds: Range) -> float:
    """Log-uniform draw; a lower bound of 0 counts as a thousandth of the upper one."""
    low = max(bounds[0], bounds[1] * 1e-3)
    return float(np.exp(rng.uniform(np.log(low), np.log(max(bounds[1], low)))))


@dataclass(frozen=True)
class PrintSample:
    """One simulated print.

    Parameters
    ----------
    spore_length_um, spore_cv, spore_ratio, spore_pointed : float
        Sample mean of the length, its spread (relative), length / width, 0 ellipse to 1 lemon.
    amber : tuple of float
        Optical density of red, green, blue through the thickest place of a spore.
    spore_wall, spore_core : float
        How much darker the rim and how much lighter the middle is, relative to the density.
    spore_index : float
        Refractive index over the adhesive's.
    colours : tuple of float
        Weights of the scale colours, in the order of `SCALE_COLOURS`.
    scale_size : tuple of float
        Typical length and width of a scale in um.
    ridge_um : float
        Distance of the ridges on a scale.
    support : str
        "card" or "glass".
    light : str
        "below" or "above".
    mottle : float
        Optical density of the card's cloudiness (standard deviation).
    paper : tuple of float
        Colour of the card, linear R, G, B.
    seed : int
        Of the card's texture.
    """

    spore_length_um: float
    spore_cv: float
    spore_ratio: float
    spore_pointed: float
    amber: tuple[float, float, float]
    spore_wall: float
    spore_core: float
    spore_index: float
    colours: tuple[float, ...]
    scale_size: tuple[float, float]
    ridge_um: float
    support: str
    light: str
    mottle: float
    paper: tuple[float, float, float]
    seed: int


def draw_sample(rng: np.random.Generator, ranges: PrintRanges, *, light: str | None = None) -> PrintSample:
    """Draw a print within the ranges; `light` "below" or "above" may be set."""
    blue = log_between(rng, ranges.amber_density)
    green = blue * between(rng, ranges.amber_green)
    red = green * between(rng, ranges.amber_red)
    support = "card" if rng.random() < ranges.card_share else "glass"
    if light is None:
        light = "above" if support == "card" and rng.random() < ranges.above_share else "below"
    if light == "above":
        support = "card"
    weights = rng.dirichlet([1.6, 1.2, 0.7, 0.5, 0.8, 0.5])
    yellowing = rng.uniform(0, 0.12)
    grey = rng.uniform(0.6, 0.92) if light == "above" else rng.uniform(0.85, 1.0)
    return PrintSample(
        spore_length_um=float(np.clip(rng.normal(11.6, 1.7), *ranges.spore_length_um))
        if rng.random() < 0.7
        else between(rng, ranges.spore_length_um),
        spore_cv=between(rng, ranges.spore_length_cv),
        spore_ratio=between(rng, ranges.spore_ratio),
        spore_pointed=between(rng, ranges.spore_pointed),
        amber=(red, green, blue),
        spore_wall=float(rng.uniform(0.1, 1.2)),
        spore_core=float(rng.uniform(0.0, 0.65)),
        spore_index=between(rng, ranges.spore_index),
        colours=tuple(float(w) for w in weights),
        scale_size=(between(rng, ranges.scale_length_um), between(rng, ranges.scale_width_um)),
        ridge_um=between(rng, ranges.ridge_um),
        support=support,
        light=light,
        mottle=max(log_between(rng, ranges.mottle_density), 0.02 if light == "above" else 0.0)
        * (1.0 if support == "card" else 0.12),
        paper=(grey, grey * (1 - yellowing * 0.4), grey * (1 - yellowing)),
        seed=int(rng.integers(2**31)),
    )

"""Colours of spores and of what may be taken for them, as display values."""

from __future__ import annotations

import colorsys

import numpy as np

BROWNS = {
    "straw": ((0.085, 0.12), (0.4, 0.7), (0.6, 0.85)),
    "amber": ((0.07, 0.11), (0.6, 0.95), (0.5, 0.8)),
    "orange-brown": ((0.05, 0.08), (0.55, 0.9), (0.42, 0.72)),
    "red-brown": ((0.01, 0.05), (0.45, 0.8), (0.28, 0.55)),
    "olive-brown": ((0.11, 0.135), (0.4, 0.7), (0.3, 0.5)),
    "dull brown": ((0.04, 0.11), (0.3, 0.5), (0.3, 0.6)),
    "dark brown": ((0.03, 0.1), (0.45, 0.85), (0.15, 0.35)),
    "near black": ((0.02, 0.1), (0.4, 0.7), (0.07, 0.2)),
}
"""Ranges of hue, saturation and value."""


def _draw(rng: np.random.Generator, ranges: tuple[tuple[float, float], ...]) -> np.ndarray:
    return np.array(colorsys.hsv_to_rgb(*(float(rng.uniform(*one)) for one in ranges)), np.float32)


def brown_pair(rng: np.random.Generator, name: str | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Give a brown and its pale companion."""
    brown = _draw(rng, BROWNS[name or str(rng.choice(list(BROWNS)))])
    share = rng.uniform(0.15, 0.85)
    pale = brown + share * (np.array([1.0, rng.uniform(0.75, 0.95), rng.uniform(0.3, 0.75)]) - brown)
    return brown, pale.astype(np.float32)


def kept_brown(pair: tuple[np.ndarray, np.ndarray], base: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Hold a pair to browns against a ground: of what the ground sends, red is kept best and blue least."""
    ground = base / base.max()

    def held(colour: np.ndarray, least: float) -> np.ndarray:
        red, green, blue = colour
        green = min(green, (1 - 0.4 * least) * red)
        return (np.array([red, green, min(blue, (1 - least) * red, green)]) * ground).astype(np.float32)

    return held(pair[0], 0.35), held(pair[1], 0.2)


def mould_pair(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Give a colourless grey, a grey-green or an olive green, and a pale companion; never a brown."""
    sort = rng.integers(3)
    hue, dull = ((0.3, 0.3), (0.0, 0.05)) if sort == 0 else ((0.3, 0.5), (0.1, 0.35))
    if sort == 2:
        hue, dull = (0.19, 0.28), (0.25, 0.6)
    colour = _draw(rng, (hue, dull, (0.2, 0.65)))
    return colour, (colour + rng.uniform(0.4, 0.9) * (1 - colour)).astype(np.float32)


def yellow_pair(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Give a bright yellow without any brown, and a pale companion."""
    colour = _draw(rng, ((0.135, 0.175), (0.5, 0.95), (0.75, 1.0)))
    return colour, (colour + rng.uniform(0.2, 0.7) * (1 - colour)).astype(np.float32)


def grey_pair(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Give black, grey or white, now and then a bluish one, and a pale companion."""
    colour = _draw(rng, ((0.5, 0.7), (0.0, 0.1 if rng.random() < 0.7 else 0.5), (0.03, 0.75)))
    return colour, (colour + rng.uniform(0.1, 0.6) * (1 - colour)).astype(np.float32)


def any_pair(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Give any colour, mostly a dull one, and a pale companion."""
    hue, dull = rng.uniform(0, 1), rng.random() < 0.6
    colour = _draw(rng, ((hue, hue), (0.0, 0.3) if dull else (0.3, 1.0), (0.1, 0.85)))
    return colour, (colour + rng.uniform(0.2, 0.9) * (1 - colour)).astype(np.float32)


def scale_pair(rng: np.random.Generator, from_below: bool) -> tuple[np.ndarray, np.ndarray]:
    """Give the two colours of a butterfly scale: see-through browns and greys, or glossy ones from above."""
    if from_below:
        ranges = ((0.03, 0.15), (0.05, 0.6), (0.2, 0.9))
    else:
        hues = [(0.03, 0.09), (0.1, 0.15), (0.55, 0.7), (0.03, 0.09)]
        hue = hues[int(rng.integers(len(hues)))]
        ranges = (hue, (0.3, 1.0), (0.15, 0.9)) if rng.random() < 0.7 else (hue, (0.0, 0.2), (0.08, 0.95))
    colour = _draw(rng, ranges)
    return colour, (colour + rng.uniform(0.2, 0.8) * (1 - colour)).astype(np.float32)


def near(
    rng: np.random.Generator, pair: tuple[np.ndarray, np.ndarray], spread: float
) -> tuple[np.ndarray, np.ndarray]:
    """Shift a pair of colours together a little."""
    shift = rng.normal(0, spread) + rng.normal(0, 0.4 * spread, 3)
    return tuple(np.clip(one + shift, 0.0, 1.0).astype(np.float32) for one in pair)  # type: ignore[return-value]

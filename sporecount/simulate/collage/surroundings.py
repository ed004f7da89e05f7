"""What all things of one collage photo share, and how their sizes and directions are drawn."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sporecount.simulate.collage import colours, laws, outlines
from sporecount.simulate.collage.canvas import Canvas

ROUND = np.ones(outlines.DIRECTIONS)


@dataclass(frozen=True)
class Surroundings:
    """What all things of a photo share.

    Parameters
    ----------
    spore_law : laws.Law
    spore_pair : tuple of ndarray of shape (3,)
    spore_um : float
        Length of this photo's spores.
    light_turn : float
    from_below : bool
    alike : float
        Share of look-alikes that are rendered as the spores are.
    fine_um : float
        Worst blur of the photo: corners finer than some times this cannot be told from a spore's ends.
    grey : bool
        The photo will have no colour: what only colour tells from a spore must not be drawn.
    """

    spore_law: laws.Law
    spore_pair: tuple[np.ndarray, np.ndarray]
    spore_um: float
    light_turn: float
    from_below: bool
    alike: float
    fine_um: float
    grey: bool = False

    def odd_length(self, rng: np.random.Generator, low: float, high: float) -> float:
        """Draw a length of something angular; not a spore's length where the blur would round its corners."""
        length = log_draw(rng, low, high)
        if self.fine_um > 0.06 * self.spore_um and 0.45 < length / self.spore_um < 2.0:
            length = self.spore_um * (0.45 if rng.random() < 0.4 else float(rng.uniform(2.0, 3.0)))
        return length

    def manner(
        self, rng: np.random.Generator, size_um: float
    ) -> tuple[laws.Law, tuple[np.ndarray, np.ndarray]]:
        """Give a law and colours for a look-alike: those of the spores, or others."""
        if rng.random() < self.alike:
            return laws.varied(rng, self.spore_law, 0.1), colours.near(rng, self.spore_pair, 0.03)
        law = laws.random_law(rng, self.light_turn, self.from_below, size_um)
        pair = colours.brown_pair(rng) if rng.random() < 0.6 else colours.any_pair(rng)
        return law, pair


def log_draw(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw evenly in the logarithm."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def turn_draw(rng: np.random.Generator) -> float:
    """Draw the direction of an axis."""
    return float(rng.uniform(0, np.pi))


Painter = Callable[[np.random.Generator, Canvas, Surroundings, float, float], None]

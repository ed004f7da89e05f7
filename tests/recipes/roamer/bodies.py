"""Everything on a print that is no spore."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from tests.recipes.roamer.settings import Settings
from tests.recipes.roamer.shapes import ball, flake, lemon, lump, ridged, shield, strand
from tests.recipes.roamer.sheets import Matter, Patch, Stack

HUES = {
    "black": (1.15, 1.25, 1.35),
    "brown": (0.55, 0.8, 1.05),
    "orange": (0.12, 0.5, 1.1),
    "pale": (0.1, 0.13, 0.18),
}
PIECE_OF = ("black", "brown", "orange", "pale")
MOST = 160
"""Bodies of one sort in a view, so that a wide view stays quick to draw."""


def chitin(rng: np.random.Generator, hue: str, whole: float = 1.0) -> Matter:
    """Make scale matter of a hue."""
    pigment = np.array(HUES[hue]) * rng.uniform(0.6, 1.15) * whole
    opacity = 0.5 if hue == "pale" else 0.9
    return Matter(pigment, rng.uniform(0.1, 0.35), 0.8 * 10 ** (-1.1 * pigment) + 0.015, opacity)


def stroke(
    rng: np.random.Generator, stack: Stack, long_um: float, wide_um: float, curl: float, flat: float
) -> Patch | None:
    """Draw a curved thread from somewhere in or near the view."""
    rows, cols = stack.shape
    step = long_um / 40 / stack.um_per_px
    turns = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, curl, 40))
    turns += np.linspace(0, rng.normal(0, curl * 8), 40)
    points = np.cumsum(np.stack([np.cos(turns), np.sin(turns)], 1) * step, 0)
    middle = np.array([rng.uniform(0, cols), rng.uniform(0, rows)])
    return strand(stack.shape, points - points.mean(0) + middle, wide_um / stack.um_per_px, flat)


class Litter:
    """Lays look-alikes on a stack, as many as the view's size asks for."""

    def __init__(self, rng: np.random.Generator, stack: Stack, settings: Settings) -> None:
        self.rng, self.stack, self.settings = rng, stack, settings
        self.rows, self.cols = stack.shape
        self.area_mm2 = self.rows * self.cols * stack.um_per_px**2 / 1e6
        self.scales = 0
        self.main_hue = str(rng.choice(list(HUES), p=[0.35, 0.25, 0.25, 0.15]))

    def times(self, per_mm2: float, least: float = 0.0) -> range:
        """Draw how often a sort occurs."""
        mean = min(MOST, per_mm2 * self.settings.crowd * self.area_mm2 + least)
        return range(int(self.rng.poisson(mean)))

    def place(self) -> tuple[float, float]:
        """Draw a place in pixels."""
        return self.rng.uniform(0, self.cols), self.rng.uniform(0, self.rows)

    def px(self, low_um: float, high_um: float) -> float:
        """Draw a size in pixels, small ones more often."""
        return float(np.exp(self.rng.uniform(np.log(low_um), np.log(high_um)))) / self.stack.um_per_px

    def hue(self) -> str:
        """Draw a scale hue, most often the print's main one."""
        return self.main_hue if self.rng.random() < 0.6 else str(self.rng.choice(PIECE_OF))

    def lay_scales(self, high: bool) -> None:
        """Body and wing scales, beneath the spores or over them."""
        rng, um = self.rng, self.stack.um_per_px
        pitch_um, turn = rng.uniform(1.4, 2.6), rng.uniform(0, 2 * np.pi)
        for _ in self.times(9 if high else 26, 0.2 if high else 0.9):
            x, y = self.place()
            angle = turn + rng.normal(0, 0.6)
            long_um, wide_um = rng.uniform(70, 140), rng.uniform(35, 65)
            if rng.random() < 0.25:
                long_um, wide_um = rng.uniform(60, 300), rng.uniform(28, 70)
            body = shield(rng, self.stack.shape, (x, y), angle, (long_um / um, wide_um / um))
            body = ridged(body, angle, pitch_um / um, rng.uniform(0.05, 0.28))
            sheet = self.stack.high if high else self.stack.low
            self.stack.lay(sheet, body, chitin(rng, self.hue()), "scale", rng.uniform(1, 3))
            self.scales += int(0 <= x < self.cols and 0 <= y < self.rows)

    def lay_hairs_and_fibres(self) -> None:
        """Hairs of the animal, fibres of paper and cloth."""
        rng, stack = self.rng, self.stack
        hard = self.settings.preset == "hard"
        for _ in self.times(5, 0.3):
            hair = stroke(rng, stack, rng.uniform(150, 700), rng.uniform(2, 7), 0.02, 0.1)
            if hair is not None:
                sheet = stack.low if rng.random() < 0.6 else stack.high
                stack.lay(sheet, hair, chitin(rng, self.hue(), 1.2), "hair", 4)
        for _ in self.times(9 if hard else 4, 1.5 if hard else 0.25):
            fibre = stroke(rng, stack, rng.uniform(200, 1200), rng.uniform(8, 28), 0.08, 0.6)
            tint = rng.uniform(0.04, 0.22) * np.array([0.9, 1.0, 1.15])
            if rng.random() < 0.15:
                tint = rng.uniform(0.1, 0.6, 3)
            if fibre is not None:
                matter = Matter(tint, rng.uniform(0.3, 1.5), 0.85 * 10**-tint, 0.5)
                stack.lay(stack.low if rng.random() < 0.75 else stack.high, fibre, matter, "fibre", 6)

    def grain(
        self, patch: Patch, pigment: NDArray[np.float64], bend_um: float, kind: str, rise_um: float
    ) -> None:
        """Lay one small body among the grains; pale where a spore would be, over a dark card."""
        colour = 0.8 * 10 ** (-0.9 * pigment) + 0.02
        self.stack.lay(self.stack.grains, patch, Matter(pigment, bend_um, colour, 0.8), kind, rise_um)

    def lay_pieces(self) -> None:
        """Torn scale pieces, from dust to half a scale, many of spore size."""
        rng, um = self.rng, self.stack.um_per_px
        for _ in self.times(160, 3):
            size = self.px(4, 60) if rng.random() < 0.5 else self.px(7, 18)
            piece = flake(rng, *self.place(), size, int(rng.integers(3, 7)))
            if size * um > 8:
                piece = ridged(
                    piece, rng.uniform(0, np.pi), rng.uniform(1.4, 2.6) / um, rng.uniform(0.1, 0.3)
                )
            matter = chitin(rng, self.hue(), rng.uniform(0.5, 1.0))
            self.stack.lay(self.stack.grains, piece, matter, "scale piece", rng.uniform(0.5, 2))

    def lay_dust(self) -> None:
        """Dust, soot in chains, clear crystals."""
        rng = self.rng
        for _ in self.times(120, 2):
            dirt = rng.uniform(0.15, 1.1) * np.array([0.85, 1.0, 1.15])
            body = lump(rng, *self.place(), self.px(1.5, 22), rng.uniform(0.1, 0.5))
            self.grain(body, dirt, rng.uniform(0, 0.4), "dust", 2)
        for _ in self.times(8):
            x, y = self.place()
            for _ in range(int(rng.integers(3, 14))):
                self.grain(ball(x, y, self.px(0.5, 1.6)), np.full(3, 1.2), 0.0, "dust", 1)
                x, y = (
                    x + rng.normal(0, 1.3) / self.stack.um_per_px,
                    y + rng.normal(0, 1.3) / self.stack.um_per_px,
                )
        for _ in self.times(14):
            clear = flake(rng, *self.place(), self.px(4, 30), int(rng.integers(4, 7)))
            self.grain(clear, np.full(3, 0.03), rng.uniform(0.3, 1.2), "other", 3)

    def lay_round_things(self) -> None:
        """Pollen, brown droplets, stains."""
        rng, um = self.rng, self.stack.um_per_px
        for _ in self.times(7, 0.2):
            radius_um = rng.uniform(7.5, 20)
            spikes = int(rng.choice([0, 14, 20, 26]))
            yellow = rng.uniform(0.2, 0.7) * np.array([0.45, 0.75, 1.7])
            spike_px = rng.uniform(0.8, 2.5) / um if spikes else 0.0
            body = ball(*self.place(), radius_um / um, spikes, spike_px)
            self.grain(body, yellow, 0.05 * radius_um, "pollen", radius_um)
        for _ in self.times(22, 0.5):
            half = self.px(3, 8)
            brown = rng.uniform(0.1, 0.7) * np.array([0.5, 0.95, 1.6])
            squash = rng.uniform(0.8, 1.0)
            drop = lemon(*self.place(), rng.uniform(0, np.pi), (half, half * squash), 0.5)
            self.grain(drop, brown, rng.uniform(0.1, 0.5), "other", 1.5)
        for _ in self.times(5, 0.2):
            stain = lump(rng, *self.place(), self.px(10, 60), 0.3)
            pigment = rng.uniform(0.04, 0.2) * np.array([0.5, 1.0, 1.6])
            self.stack.lay(
                self.stack.low, stain, Matter(pigment, 0.05, np.array([0.4, 0.3, 0.2]), 0.2), "other", 0.2
            )

    def lay_mould(self) -> None:
        """Small mould spores in chains and heaps, and threads."""
        rng, um = self.rng, self.stack.um_per_px
        pigment = rng.uniform(0.15, 0.8) * np.array([0.8, 0.9, 1.1])
        for _ in self.times(6, 0.15):
            x, y = self.place()
            size, turn = rng.uniform(1.3, 3.2) / um, rng.uniform(0, 2 * np.pi)
            for _ in range(int(rng.integers(1, 14))):
                cell = lemon(x, y, turn, (size, size * rng.uniform(0.6, 1)), 0.5)
                self.grain(cell, pigment, 0.15, "other", 1.5)
                turn += rng.normal(0, 0.7)
                x, y = x + 1.9 * size * np.cos(turn), y + 1.9 * size * np.sin(turn)
        for _ in self.times(3, 0.1):
            thread = stroke(rng, self.stack, rng.uniform(60, 350), rng.uniform(1.5, 4), 0.15, 0.3)
            if thread is not None:
                self.grain(thread, pigment * 0.5, 0.15, "other", 1.5)

    def lay_scratches(self) -> None:
        """Bright or dark fine lines in the tape."""
        rng = self.rng
        for _ in self.times(3, 0.15):
            line = stroke(rng, self.stack, rng.uniform(100, 900), rng.uniform(0.8, 2.5), 0.01, 0.5)
            if line is not None:
                matter = Matter(np.full(3, 0.08), rng.choice([-1, 1]) * 0.3, np.full(3, 0.7), 0.3)
                self.stack.lay(self.stack.high, line, matter, "other", 0.3)


def before_spores(litter: Litter) -> None:
    """Lay what the spores fall upon or among."""
    litter.lay_scales(high=False)
    litter.lay_hairs_and_fibres()
    litter.lay_round_things()
    for sort in litter.rng.permutation(np.array([0, 1, 2])):
        lay: Callable[[], None] = (litter.lay_pieces, litter.lay_dust, litter.lay_mould)[sort]
        lay()


def after_spores(litter: Litter) -> None:
    """Lay what covers them."""
    litter.lay_scales(high=True)
    litter.lay_scratches()

"""What may be taken for a spore and is none: each too round, too long, too large, too small or too angular."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sporecount.simulate.collage import colours, outlines, small
from sporecount.simulate.collage.canvas import Canvas, stamp
from sporecount.simulate.collage.outlines import Outline
from sporecount.simulate.collage.surroundings import ROUND, Painter, Surroundings, log_draw, turn_draw


def droplet(rng: np.random.Generator, canvas: Canvas, around: Surroundings, x: float, y: float) -> None:
    """Round brown droplets of about a spore's size, single or few."""
    size = around.spore_um * log_draw(rng, 0.45, 1.6)
    law, pair = around.manner(rng, size)
    for _ in range(1 if rng.random() < 0.7 else int(rng.integers(2, 8))):
        half = 0.5 * size * log_draw(rng, 0.7, 1.2)
        one = Outline(x, y, half * rng.uniform(1.0, 1.07), half, turn_draw(rng), ROUND)
        stamp(rng, canvas, one, law, colours.near(rng, pair, 0.02), "other")
        way, far = (
            rng.uniform(0, 2 * np.pi),
            size * rng.uniform(1.6, 4.0),
        )  # two that touch would be too like one
        x, y = x + far * np.cos(way), y + far * np.sin(way)


def bubble(rng: np.random.Generator, canvas: Canvas, around: Surroundings, x: float, y: float) -> None:
    """Ring-like bubbles, alone or as froth."""
    law, _ = around.manner(rng, 12.0)
    rim = rng.uniform(0.6, 0.9)
    grey = rng.uniform(0.0, 0.45)
    pair = (np.full(3, grey, np.float32), np.full(3, rng.uniform(0.8, 1.0), np.float32))
    law = replace(
        law,
        opacity=tuple(float(v) for v in rng.uniform(0.4, 1.0) * np.array([0.1, 0.1, 0.35 * rim, rim, 1.0])),
        tone=(1.0, 0.8, 0.2, 0.0, rng.uniform(0, 0.5)),
        gloss=float(rng.choice([0.0, rng.uniform(0.3, 1.0)])),
        grain=0.0,
    )
    middle = log_draw(rng, 2.0, 16.0)
    for _ in range(1 if rng.random() < 0.5 else int(rng.integers(3, 14))):
        half = middle * log_draw(rng, 0.6, 1.5)
        table = ROUND if rng.random() < 0.8 else outlines.wavy(rng, 3, 0.05)
        stamp(
            rng,
            canvas,
            Outline(x, y, half, half * rng.uniform(0.94, 1.0), turn_draw(rng), table),
            law,
            pair,
            "bubble",
        )
        x, y = x + rng.normal(0, 2.2 * middle), y + rng.normal(0, 2.2 * middle)


def shard(rng: np.random.Generator, canvas: Canvas, around: Surroundings, x: float, y: float) -> None:
    """Angular dust."""
    size = 0.5 * around.odd_length(rng, 3.0, 28.0)
    law, pair = around.manner(rng, 2 * size)
    table = outlines.angular(rng, int(rng.integers(3, 7)), float(rng.uniform(0.25, 0.7)))
    one = Outline(x, y, size, size * rng.uniform(0.3, 1.0), turn_draw(rng), table)
    stamp(rng, canvas, one, law, pair, "dust")


def clod(rng: np.random.Generator, canvas: Canvas, around: Surroundings, x: float, y: float) -> None:
    """Lumpy dirt without any clear outline."""
    size = around.odd_length(rng, 3.0, 40.0) / 1.4
    law, pair = around.manner(rng, size)
    law = replace(law, grain=float(rng.uniform(0.1, 0.6)))
    for _ in range(int(rng.integers(1, 6))):
        table = outlines.wavy(rng, int(rng.integers(5, 12)), float(rng.uniform(0.25, 0.6)))
        half = size * rng.uniform(0.6, 1.0)
        one = Outline(x, y, half, half * rng.uniform(0.5, 1), turn_draw(rng), table)
        stamp(rng, canvas, one, law, colours.near(rng, pair, 0.05), "dust")
        x, y = x + rng.normal(0, 0.7 * size), y + rng.normal(0, 0.7 * size)


def speck(rng: np.random.Generator, canvas: Canvas, around: Surroundings, x: float, y: float) -> None:
    """Specks much smaller than a spore, in the spores' colour, single or strewn."""
    law, pair = around.manner(rng, 4.0)
    law = replace(law, soft_um=min(law.soft_um, 0.5), line_um=min(law.line_um, 0.4))
    for _ in range(int(rng.integers(1, 7))):
        half = 0.5 * log_draw(rng, 1.2, min(4.6, 0.45 * around.spore_um))
        one = Outline(x, y, half, half * rng.uniform(0.6, 1), turn_draw(rng), outlines.wavy(rng, 4, 0.15))
        stamp(rng, canvas, one, law, pair, "dust")
        x, y = x + rng.normal(0, 25), y + rng.normal(0, 25)


def pollen(rng: np.random.Generator, canvas: Canvas, around: Surroundings, x: float, y: float) -> None:
    """Larger, round, spiky, lobed or furrowed grains."""
    half = log_draw(rng, 9.0, 24.0)
    law, pair = around.manner(rng, half)
    if rng.random() < 0.5:
        pair = colours.brown_pair(rng, str(rng.choice(["straw", "amber", "orange-brown"])))
    law = replace(law, grain=float(rng.choice([0.0, rng.uniform(0.1, 0.6)])))
    sort = rng.integers(4)
    if sort == 0:
        table = outlines.spiky(
            int(rng.integers(10, 26)), float(rng.uniform(0.08, 0.25)), float(rng.uniform(1, 5))
        )
    elif sort == 1:
        table = outlines.spiky(3, float(rng.uniform(0.1, 0.3)), float(rng.uniform(0.5, 1.5)))
    else:
        table = outlines.wavy(rng, 5, 0.06)
    for _ in range(1 if rng.random() < 0.8 else int(rng.integers(2, 6))):
        one = Outline(x, y, half * rng.uniform(1, 1.15), half, turn_draw(rng), table)
        stamp(rng, canvas, one, law, colours.near(rng, pair, 0.02), "pollen")
        if sort == 3:
            furrow = replace(
                one, half_wide_um=0.12 * half, half_long_um=0.8 * half, radius=outlines.oval(0.8)
            )
            stamp(
                rng,
                canvas,
                furrow,
                replace(law, soft_um=1.0, halo=0.0, shadow=0.0),
                (pair[0] * 0.6, pair[0]),
                "pollen",
            )
        x, y = x + rng.normal(0, 2.4 * half), y + rng.normal(0, 2.4 * half)


def mould(rng: np.random.Generator, canvas: Canvas, around: Surroundings, x: float, y: float) -> None:
    """Dots of mould in a heap, or a chain of round cells."""
    blurred = around.fine_um > 0.06 * around.spore_um
    cell = log_draw(rng, 1.0, 0.12 * around.spore_um + 0.3 if blurred else 3.0)
    law, pair = around.manner(rng, 2 * cell)
    law = replace(law, soft_um=min(law.soft_um, 0.6), line_um=min(law.line_um, 0.6))
    chain, turn = rng.random() < 0.5, rng.uniform(0, 2 * np.pi)
    at_x, at_y = x, y
    for _ in range(int(rng.integers(3, 30))):
        one = Outline(at_x, at_y, cell * rng.uniform(1, 1.12), cell, turn_draw(rng), ROUND)
        stamp(rng, canvas, one, law, pair, "other")
        if chain:
            turn += rng.normal(0, 0.3)
            at_x, at_y = at_x + 1.9 * cell * np.cos(turn), at_y + 1.9 * cell * np.sin(turn)
        else:
            at_x, at_y = x + rng.normal(0, 4 * cell), y + rng.normal(0, 4 * cell)


def ink(rng: np.random.Generator, canvas: Canvas, around: Surroundings, x: float, y: float) -> None:
    """Dots of ink or print, any colour."""
    half = log_draw(rng, 1.5, 40.0)
    law, _ = around.manner(rng, half)
    law = replace(law, shadow=0.0, gloss=0.0, line=0.0, soft_um=half * float(rng.uniform(0.05, 0.5)))
    table = outlines.wavy(rng, 7, float(rng.uniform(0.0, 0.3)))
    stamp(
        rng,
        canvas,
        Outline(x, y, half, half * rng.uniform(0.8, 1), turn_draw(rng), table),
        law,
        colours.any_pair(rng),
        "other",
    )


def big_oval(rng: np.random.Generator, canvas: Canvas, around: Surroundings, x: float, y: float) -> None:
    """Ovals and lemons much larger than a spore."""
    half = 0.5 * max(22.5, 1.75 * around.spore_um) * log_draw(rng, 1.0, 2.5)
    law, pair = around.manner(rng, half)
    one = Outline(
        x, y, half, half / rng.uniform(1.15, 2.2), turn_draw(rng), outlines.oval(float(rng.uniform(0, 1)))
    )
    stamp(rng, canvas, one, law, pair, "other")


def slender(rng: np.random.Generator, canvas: Canvas, around: Surroundings, x: float, y: float) -> None:
    """Rods, spindles and boats, far too slender."""
    half = 0.5 * around.spore_um * log_draw(rng, 0.7, 3.0)
    law, pair = around.manner(rng, half)
    table = outlines.oval(float(rng.uniform(0, 1)), float(rng.uniform(-0.2, 0.2)), float(rng.uniform(1.8, 5)))
    one = Outline(x, y, half, half / rng.uniform(2.7, 8), turn_draw(rng), table)
    stamp(rng, canvas, one, replace(law, soft_um=min(law.soft_um, 0.1 * half)), pair, "other")


def square(rng: np.random.Generator, canvas: Canvas, around: Surroundings, x: float, y: float) -> None:
    """Crystals: square or oblong, with straight sides."""
    half = 0.5 * around.odd_length(rng, 0.6 * around.spore_um, 2 * around.spore_um)
    law, pair = around.manner(rng, 2 * half)
    if rng.random() < 0.5:
        pair = colours.any_pair(rng)
    turns = np.linspace(0, 2 * np.pi, outlines.DIRECTIONS, endpoint=False)
    table = 1 / np.maximum(np.abs(np.cos(turns)), np.abs(np.sin(turns)))
    one = Outline(x, y, 0.75 * half, 0.75 * half * rng.uniform(0.4, 1), turn_draw(rng), table)
    stamp(rng, canvas, one, replace(law, soft_um=0.3), pair, "dust")


PAINTERS: dict[str, Painter] = {
    one.__name__: one
    for one in (droplet, bubble, shard, clod, speck, pollen, mould, ink, big_oval, slender, square)
} | small.PAINTERS

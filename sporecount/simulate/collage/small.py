"""Things of a spore's size and often of its outline, told from spores by colour, rim, furrow or company."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sporecount.simulate.collage import colours, laws, outlines
from sporecount.simulate.collage.canvas import Canvas, stamp
from sporecount.simulate.collage.outlines import Outline
from sporecount.simulate.collage.surroundings import ROUND, Painter, Surroundings, log_draw, turn_draw

_PLAIN = {"halo": 0.0, "shadow": 0.0, "gloss": 0.0, "shade": 0.0, "grain": 0.0, "line": 0.0}


def _plain(rng: np.random.Generator, around: Surroundings, half_um: float, **more: object) -> laws.Law:
    """Give a law without any of the extras, but those that are named."""
    law = laws.random_law(rng, around.light_turn, around.from_below, 2 * half_um)
    return replace(law, **{**_PLAIN, "absorbs": False, "soft_um": 0.05 * half_um + 0.1, **more})  # type: ignore[arg-type]


def oval_bubble(rng: np.random.Generator, canvas: Canvas, around: Surroundings, x: float, y: float) -> None:
    """Oval or round air of 6-18 µm: colourless, a hard dark rim about a bright middle; single or strewn."""
    middle, rim = log_draw(rng, 3.0, 9.0), rng.uniform(0.45, 1.0)
    stretch = rng.uniform(1.05, 1.8)
    dark = np.full(3, rng.uniform(0.0, 0.3), np.float32)
    pale = np.full(3, rng.uniform(0.85, 1.0), np.float32)
    lit = float(rng.choice([0.0, rng.uniform(0.1, 0.5)]))
    law = _plain(
        rng,
        around,
        middle,
        opacity=(lit, lit, 0.3 * rim + 0.3 * lit, rim, 0.9 * rim),
        tone=(1.0, 1.0, 0.6, 0.0, 0.0),
        gloss=float(rng.choice([0.0, rng.uniform(0.3, 1.0)])),
        halo=float(rng.choice([0.0, rng.uniform(0.1, 0.4)])),
    )
    turn = turn_draw(rng)
    for _ in range(int(rng.choice([1, 1, 2, int(rng.integers(3, 12))]))):
        half = middle * log_draw(rng, 0.7, 1.3)
        one = Outline(
            x, y, half, half / (stretch * rng.uniform(0.92, 1.08)), turn + rng.normal(0, 0.3), ROUND
        )
        stamp(rng, canvas, one, law, (dark, pale), "bubble")
        x, y = x + rng.normal(0, 2.5 * middle), y + rng.normal(0, 2.5 * middle)


def ring(rng: np.random.Generator, canvas: Canvas, around: Surroundings, x: float, y: float) -> None:
    """Thin colourless ring, round or oval, through which the ground is seen unchanged."""
    half = log_draw(rng, 3.0, 9.0)
    law = _plain(
        rng, around, half, opacity=(0.0,) * 5, tone=(0.0,) * 5, line=float(rng.uniform(0.35, 0.9)),
        line_um=float(rng.uniform(0.06, 0.14)) * half,
    )  # fmt: skip
    pair = (np.full(3, rng.uniform(0.0, 0.5), np.float32), np.ones(3, np.float32))
    for _ in range(1 if rng.random() < 0.7 else int(rng.integers(2, 6))):
        one = Outline(x, y, half, half / rng.uniform(1.0, 1.6), turn_draw(rng), ROUND)
        stamp(rng, canvas, one, law, pair, "bubble")
        x, y = x + rng.normal(0, 3 * half), y + rng.normal(0, 3 * half)


def conidia(rng: np.random.Generator, canvas: Canvas, around: Surroundings, x: float, y: float) -> None:
    """Mould spores of 5-14 µm, colourless, grey-green or olive: single, in pairs, chains and sprays."""
    half = log_draw(rng, 2.5, 7.0)
    pair = colours.mould_pair(rng)
    fill, rim = rng.uniform(0.05, 0.6), rng.uniform(0.5, 1.0)
    law = _plain(
        rng, around, half, opacity=(fill, fill, 0.5 * (fill + rim), rim, rim), tone=(0.8, 0.7, 0.5, 0.2, 0.0)
    )
    stretch, blunt = rng.uniform(1.0, 1.7), float(rng.uniform(1.8, 3.0))
    number = int(rng.choice([1, 2, int(rng.integers(3, 14)), int(rng.integers(5, 24))]))
    if around.grey:  # nothing but company tells them then
        number = max(number, 4)
    chained, turn = number == 2 or rng.random() < 0.6, float(rng.uniform(0, 2 * np.pi))
    table = outlines.oval(0.0, float(rng.uniform(-0.15, 0.15)), blunt)
    at_x, at_y = x, y
    for _ in range(number):
        one = Outline(at_x, at_y, half * rng.uniform(0.9, 1.1), half / stretch, turn, table)
        stamp(rng, canvas, one, law, colours.near(rng, pair, 0.01), "other")
        if chained:
            at_x, at_y = at_x + 2 * half * np.cos(turn), at_y + 2 * half * np.sin(turn)
            turn += rng.normal(0, 0.25)
        else:
            turn = float(rng.uniform(0, 2 * np.pi))
            at_x, at_y = x + rng.normal(0, 3 * half), y + rng.normal(0, 3 * half)


def yellow_drop(rng: np.random.Generator, canvas: Canvas, around: Surroundings, x: float, y: float) -> None:
    """Clear yellow droplets of 4-18 µm with a bright spot, round or a little drawn out."""
    middle = log_draw(rng, 2.0, 9.0)
    law = _plain(
        rng, around, middle, opacity=(rng.uniform(0.3, 0.7),) * 3 + (0.8, rng.uniform(0.6, 1.0)),
        tone=(0.9, 0.7, 0.4, 0.2, 0.0), gloss=float(rng.uniform(0.3, 1.0)), shade=float(rng.uniform(0, 0.5)),
    )  # fmt: skip
    pair = colours.yellow_pair(rng)
    for _ in range(1 if rng.random() < 0.6 else int(rng.integers(2, 9))):
        half = middle * log_draw(rng, 0.6, 1.3)
        most = 1.05 if around.grey else 1.3
        one = Outline(x, y, half, half / rng.uniform(1.0, most), turn_draw(rng), ROUND)
        stamp(rng, canvas, one, law, pair, "other")
        x, y = x + rng.normal(0, 3 * middle), y + rng.normal(0, 3 * middle)


def oval_pollen(rng: np.random.Generator, canvas: Canvas, around: Surroundings, x: float, y: float) -> None:
    """Small yellow oval pollen, 8-18 µm: a thick wall and one to three furrows along it."""
    half = log_draw(rng, 4.0, 9.0)
    if around.grey:
        half = log_draw(rng, 10.0, 18.0)
    pair = colours.yellow_pair(rng)
    fill = rng.uniform(0.3, 0.8)
    law = _plain(rng, around, half, opacity=(fill, fill, fill, 0.9, 1.0), tone=(0.9, 0.8, 0.7, 0.2, 0.0))
    dent = replace(law, opacity=(0.7,) * 5, tone=(0.0,) * 5, soft_um=0.08 * half)
    stretch, furrows = rng.uniform(1.1, 1.7), int(rng.integers(1, 4))
    for _ in range(1 if rng.random() < 0.6 else int(rng.integers(2, 7))):
        one = Outline(x, y, half, half / stretch, turn_draw(rng), ROUND)
        stamp(rng, canvas, one, law, pair, "pollen")
        for place in np.linspace(-0.5, 0.5, furrows) if furrows > 1 else (0.0,):
            off = place * one.half_wide_um
            furrow = Outline(
                x - off * np.sin(one.angle), y + off * np.cos(one.angle), 0.75 * half * (1 - 0.3 * abs(place)),
                0.09 * half + 0.1, one.angle, ROUND,
            )  # fmt: skip
            stamp(rng, canvas, furrow, dent, pair, "pollen")
        x, y = x + rng.normal(0, 3 * half), y + rng.normal(0, 3 * half)


def flake(rng: np.random.Generator, canvas: Canvas, around: Surroundings, x: float, y: float) -> None:
    """Torn flakes of 6-18 µm, thin and angular, grey, white or black; brown ones where corners are sharp."""
    brown = rng.random() < 0.3
    length = around.odd_length(rng, 6.0, 18.0) if brown else log_draw(rng, 6.0, 18.0)
    pair = colours.scale_pair(rng, around.from_below) if brown else colours.grey_pair(rng)
    thin = rng.uniform(0.3, 1.0)
    law = _plain(rng, around, 0.5 * length, opacity=(thin,) * 5, grain=float(rng.uniform(0.0, 0.6)))
    for _ in range(1 if rng.random() < 0.6 else int(rng.integers(2, 8))):
        table = outlines.angular(rng, int(rng.integers(3, 6)), float(rng.uniform(0.4, 0.75)))
        half = 0.5 * length * rng.uniform(0.9, 1.1)
        one = Outline(x, y, half, half * rng.uniform(0.35, 0.9), turn_draw(rng), table)
        stamp(rng, canvas, one, law, colours.near(rng, pair, 0.02), "scale piece")
        x, y = x + rng.normal(0, 2 * length), y + rng.normal(0, 2 * length)


PAINTERS: dict[str, Painter] = {
    one.__name__: one for one in (oval_bubble, ring, conidia, yellow_drop, oval_pollen, flake)
}

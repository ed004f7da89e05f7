"""Look-alikes of a spore's size: told from spores by colour, rim, furrows, corners or company, not by size."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from sporecount.simulate.ranges import PrintRanges
from sporecount.simulate.sample import log_between
from sporecount.simulate.things import HIGH, LOW, ON, Placer, Thing


def _look(density: np.ndarray, **more: float) -> dict:
    look = {
        "density": density,
        "flat": 0.6,
        "wall": 0.0,
        "wall_um": 0.7,
        "core": 0.0,
        "grain": 0.0,
        "index": 0.03,
    }
    return {**look, **more}


def _ellipse(size_um: float, ratio: float) -> np.ndarray:
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    return np.column_stack([size_um / 2 * np.cos(angle), size_um / ratio / 2 * np.sin(angle)])


def _at(thing: Thing, x_um: float, y_um: float, angle_deg: float | None = None) -> Thing:
    return replace(
        thing,
        x_um=float(x_um),
        y_um=float(y_um),
        angle_deg=thing.angle_deg if angle_deg is None else angle_deg,
    )


def _near(rng: np.random.Generator, x_um: float, y_um: float, spread_um: float) -> tuple[float, float]:
    return float(x_um + rng.normal(0, spread_um)), float(y_um + rng.normal(0, spread_um))


def _groups(
    rng: np.random.Generator, place: Placer, rate: tuple[float, float], gain: float
) -> Iterator[tuple]:
    """Places of one sort of thing: centres of groups, and how many are in each."""
    for _ in range(place.number(rate, gain)):
        x, y = place.spot()
        yield x, y, int(rng.choice([1, 1, 2, int(rng.integers(3, 12))]))


def oval_bubbles(rng: np.random.Generator, ranges: PrintRanges, place: Placer) -> Iterator[Thing]:
    """Oval air and thin rings, 6-18 um: a rim without colour about a clear or bright middle."""
    for x, y, number in _groups(rng, place, ranges.oval_bubble_rate, ranges.look_alike_gain):
        size, ratio, turn = log_between(rng, (6, 18)), rng.uniform(1.0, 1.8), rng.uniform(0, 360)
        ring = rng.random() < 0.3
        look = {
            "dark": log_between(rng, (0.15, 1.3)) * (0.6 if ring else 1.0),
            "bright": 0.0 if ring else float(rng.uniform(0.0, 0.3)),
            "rim_um": float(rng.uniform(0.35, 0.6) if ring else rng.uniform(0.6, 1.6)),
            "lean": float(rng.uniform(0, 0.7)),
            "inner": 0.0 if ring else float(rng.normal(0, 0.03)),
        }
        for _ in range(number):
            points = _ellipse(size * rng.uniform(0.75, 1.25), ratio)
            thing = place.thing("bubble", "bubble", ON, points, **look)
            beside = _near(rng, x, y, 1.3 * size)
            yield _at(thing, beside[0], beside[1], turn + float(rng.normal(0, 12)))


def conidia(rng: np.random.Generator, ranges: PrintRanges, place: Placer) -> Iterator[Thing]:
    """Mould spores of 5-14 um, clear, grey-green or olive: single, in pairs, chains and sprays."""
    for x, y, number in _groups(rng, place, ranges.conidia_rate, ranges.look_alike_gain):
        size, ratio = log_between(rng, (5, 14)), rng.uniform(1.0, 1.7)
        sort = int(rng.integers(3))  # grey-green takes red most; olive takes green least
        share = np.array(([1.0, 1.0, 1.0], [1.3, 0.75, 1.0], [1.05, 0.75, 1.45])[sort])
        share = share + rng.uniform(0, 0.6) * (1 - share)  # more or less dull
        tone = share * log_between(rng, (0.04, 0.2) if sort == 0 else (0.08, 0.6))
        wall = float(rng.uniform(1.0, 5.0) if sort == 0 else rng.uniform(0.2, 2.0))
        look = _look(tone, wall=wall, wall_um=float(rng.uniform(0.5, 0.9)), flat=float(rng.uniform(0.3, 1)))
        chained, heading = number == 2 or rng.random() < 0.6, rng.uniform(0, 2 * np.pi)
        at = np.array([x, y])
        for _ in range(number):
            points = _ellipse(size * rng.uniform(0.9, 1.1), ratio)
            thing = place.thing("solid", "other", LOW, points, **look)
            yield _at(thing, at[0], at[1], float(np.rad2deg(heading)))
            if chained:
                at = at + size * 0.98 * np.array([np.cos(heading), np.sin(heading)])
                heading += rng.normal(0, 0.25)
            else:
                heading = rng.uniform(0, 2 * np.pi)
                at = np.array([x, y]) + rng.normal(0, 1.4 * size, 2)


def _yellow(rng: np.random.Generator) -> np.ndarray:
    """Optical density of clear yellow stuff: takes blue, hardly any green, no red."""
    return log_between(rng, (0.2, 1.0)) * np.array([0.01, rng.uniform(0.03, 0.15), 1.0])


def yellow(rng: np.random.Generator, ranges: PrintRanges, place: Placer) -> Iterator[Thing]:
    """Clear yellow droplets, 4-18 um, round or a little drawn out, and small furrowed yellow pollen."""
    for x, y, number in _groups(rng, place, ranges.yellow_rate, ranges.look_alike_gain):
        tone, size = _yellow(rng), log_between(rng, (4, 18))
        look = _look(tone, flat=float(rng.uniform(0, 0.6)), wall=float(rng.uniform(0, 0.8)), index=0.08)
        for _ in range(number):
            points = _ellipse(size * rng.uniform(0.6, 1.3), rng.uniform(1.0, 1.25))
            thing = place.thing("solid", "other", ON, points, **look)
            yield _at(thing, *_near(rng, x, y, 1.6 * size))
    for x, y, number in _groups(rng, place, ranges.yellow_rate, ranges.look_alike_gain):
        tone, size, ratio = _yellow(rng), log_between(rng, (8, 18)), rng.uniform(1.1, 1.7)
        look = _look(tone, wall=float(rng.uniform(0.8, 2.0)), wall_um=float(rng.uniform(0.7, 1.3)))
        furrows = np.linspace(-0.5, 0.5, 3)[: int(rng.integers(1, 4))] if rng.random() < 0.7 else np.zeros(1)
        for _ in range(number):
            thing = place.thing("solid", "pollen", HIGH, _ellipse(size, ratio), **look)
            thing = _at(thing, *_near(rng, x, y, 1.6 * size))
            yield thing
            turn = np.deg2rad(thing.angle_deg)
            for place_across in furrows:
                off = place_across * size / ratio / 2
                cleft = replace(thing, points=_ellipse(0.75 * size, 9.0), look=_look(tone * 1.2))
                yield _at(cleft, thing.x_um - off * np.sin(turn), thing.y_um + off * np.cos(turn))


def flakes(rng: np.random.Generator, ranges: PrintRanges, place: Placer) -> Iterator[Thing]:
    """Torn bits of scale, 6-18 um: sharp-cornered, flat, grey, black or bluish."""
    for x, y, number in _groups(rng, place, ranges.flake_rate, ranges.look_alike_gain):
        tint = np.ones(3) if rng.random() < 0.7 else np.array([1.25, 1.0, 0.8])
        density, bright = log_between(rng, (0.06, 1.0)) * tint, log_between(rng, (0.03, 0.6))
        size, ridge = log_between(rng, (6, 18)), float(rng.uniform(0.05, 0.5))
        for _ in range(number):
            long = size * rng.uniform(0.8, 1.2)
            corners = int(rng.integers(3, 6))
            angle = (np.arange(corners) + rng.uniform(-0.3, 0.3, corners)) * 2 * np.pi / corners
            reach = long * rng.uniform(0.4, 0.7, corners)
            slim = rng.uniform(0.35, 0.9)
            points = np.column_stack([reach * np.cos(angle), slim * reach * np.sin(angle)])
            thing = place.thing(
                "scale", "scale piece", LOW, points, density=density, colour=bright * 10 ** (-0.3 * tint),
                ridge_um=2.0, ridge=ridge, length_um=long, width_um=long, whole=False,
            )  # fmt: skip
            yield _at(thing, *_near(rng, x, y, 2 * size))

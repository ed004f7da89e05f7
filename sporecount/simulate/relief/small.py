"""Stray matter of a spore's size, told from spores by its colour, rim, furrows, corners or company."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sporecount.simulate.relief.forms import Oval, dome, shard, soft
from sporecount.simulate.relief.matters import clear, skin_of
from sporecount.simulate.relief.recipe import log_uniform
from sporecount.simulate.relief.terrain import Matter, Terrain
from sporecount.simulate.truth import KIND_NAMES

_PIECE, _BUBBLE, _POLLEN, _OTHER = (
    KIND_NAMES.index(name) for name in ("scale piece", "bubble", "pollen", "other")
)


def _round_places(
    terrain: Terrain, x_um: float, y_um: float, half: float, stretch: float, turn: float
) -> tuple | None:
    """Window, level and the coordinates along and across of an ellipse."""
    oval = Oval(half, half / stretch, turn)
    found = terrain.window(x_um, y_um, 1.1 * half)
    if found is None:
        return None
    at, dx, dy = found
    cos, sin = np.cos(turn), np.sin(turn)
    u = (dx * cos + dy * sin) / oval.half_long_um
    v = (dy * cos - dx * sin) / oval.half_wide_um
    return at, (1 - np.hypot(u, v)).astype(np.float32), u, v


def _dyed(rng: np.random.Generator, dye: np.ndarray, opacity: float, bend: float) -> Matter:
    dye = dye.astype(np.float32)
    return Matter(dye, skin_of(rng, dye, rng.uniform(0.5, 0.95)), opacity, rng.uniform(0.1, 0.9), bend)


def _yellow(rng: np.random.Generator, opacity: float, bend: float) -> Matter:
    """Clear yellow stuff: takes blue, hardly any green, no red."""
    dye = log_uniform(rng, 0.25, 1.0) * np.array([0.01, rng.uniform(0.03, 0.14), 1.0])
    skin = np.array([1.0, rng.uniform(0.85, 0.95), rng.uniform(0.1, 0.45)], np.float32)
    return Matter(dye.astype(np.float32), skin, opacity, rng.uniform(0.3, 1.0), bend)


def _beside(rng: np.random.Generator, x_um: float, y_um: float, spread_um: float) -> tuple[float, float]:
    return x_um + rng.normal(0, spread_um), y_um + rng.normal(0, spread_um)


def oval_bubble(rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay oval air in the glue, 6-18 um: colourless, a dark rim about a bright middle."""
    half, stretch, turn = log_uniform(rng, 3.0, 9.0), rng.uniform(1.0, 1.8), rng.uniform(0, np.pi)
    thick, strength = rng.uniform(0.08, 0.3), rng.uniform(0.3, 1.0)
    matter = replace(clear(rng, -rng.uniform(0.1, 0.4)), dye=np.full(3, strength, np.float32))
    for _ in range(int(rng.choice([1, 1, 2, int(rng.integers(3, 11))]))):
        size = half * rng.uniform(0.75, 1.25)
        found = _round_places(terrain, x_um, y_um, size, stretch, turn + rng.normal(0, 0.2))
        if found is not None:
            at, level, _, _ = found
            rim = np.exp(-(((level - 0.5 * thick) / thick) ** 2)).astype(np.float32)
            terrain.lay(at, soft(level), 0.8 * size * dome(level), rim, matter, _BUBBLE)
        x_um, y_um = _beside(rng, x_um, y_um, 2.5 * half)


def ring(rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay a thin grey ring, 6-18 um: the rim of a drop that dried up."""
    half = log_uniform(rng, 3.0, 9.0)
    matter = replace(clear(rng, rng.uniform(-0.2, 0.2)), dye=np.full(3, rng.uniform(0.2, 0.8), np.float32))
    for _ in range(1 if rng.random() < 0.7 else int(rng.integers(2, 6))):
        found = _round_places(terrain, x_um, y_um, half, rng.uniform(1.0, 1.6), rng.uniform(0, np.pi))
        if found is not None:
            at, level, _, _ = found
            line = np.exp(-(((level - 0.1) * half / rng.uniform(0.4, 0.8)) ** 2)).astype(np.float32)
            terrain.lay(at, soft(level), 0.8 * line, line, matter, _BUBBLE)
        x_um, y_um = _beside(rng, x_um, y_um, 3.0 * half)


def _mould_matter(rng: np.random.Generator) -> Matter:
    """Colourless, grey-green (red is taken most) or olive (blue most, and green least)."""
    share = np.array(([1.0, 1.0, 1.0], [1.35, 0.75, 1.1], [1.1, 0.75, 1.5])[int(rng.integers(3))])
    share = share + rng.uniform(0, 0.6) * (1 - share)  # more or less dull
    density = log_uniform(rng, 0.06, 0.5)
    return _dyed(rng, density * share, float(rng.uniform(0.3, 0.8)), rng.uniform(0.02, 0.15))


def conidia(grey: bool, rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay mould spores of 5-14 um, never brown: single, in pairs, in chains and in sprays."""
    half, stretch = log_uniform(rng, 2.5, 7.0), rng.uniform(1.0, 1.7)
    matter, fill, rim = _mould_matter(rng), rng.uniform(0.0, 1.0), rng.uniform(0.4, 1.6)
    number = int(rng.choice([1, 2, int(rng.integers(3, 13)), int(rng.integers(5, 22))]))
    if grey:  # nothing but company tells them then
        number = max(number, 4)
    chained, turn = number == 2 or rng.random() < 0.6, rng.uniform(0, 2 * np.pi)
    at_x, at_y = x_um, y_um
    for _ in range(number):
        found = _round_places(terrain, at_x, at_y, half * rng.uniform(0.92, 1.08), stretch, turn)
        if found is not None:
            at, level, _, _ = found
            depth = fill * dome(level) + rim * np.exp(-((level / 0.2) ** 2))
            terrain.lay(at, soft(level), 1.4 * half / stretch * dome(level), depth, matter, _OTHER)
        if chained:
            at_x, at_y = at_x + 1.95 * half * np.cos(turn), at_y + 1.95 * half * np.sin(turn)
            turn += rng.normal(0, 0.25)
        else:
            turn = rng.uniform(0, 2 * np.pi)
            at_x, at_y = _beside(rng, x_um, y_um, 2.8 * half)


def yellow_drop(grey: bool, rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay clear yellow drops, 4-18 um, round or a little drawn out, which gather light."""
    half, matter = log_uniform(rng, 2.0, 9.0), _yellow(rng, rng.uniform(0.2, 0.6), rng.uniform(0.1, 0.3))
    for _ in range(1 if rng.random() < 0.6 else int(rng.integers(2, 9))):
        size = half * rng.uniform(0.6, 1.3)
        most = 1.04 if grey else 1.25
        found = _round_places(terrain, x_um, y_um, size, rng.uniform(1.0, most), rng.uniform(0, np.pi))
        if found is not None:
            at, level, _, _ = found
            terrain.lay(at, soft(level), size * dome(level), 0.4 + 0.6 * dome(level), matter, _OTHER)
        x_um, y_um = _beside(rng, x_um, y_um, 3.0 * half)


def oval_pollen(grey: bool, rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay small yellow pollen, 8-18 um, oval, thick-walled, with one to three furrows."""
    half = log_uniform(rng, 4.0, 9.0) * (2.2 if grey else 1.0)
    stretch, matter = rng.uniform(1.1, 1.7), _yellow(rng, rng.uniform(0.6, 0.95), rng.uniform(0.05, 0.2))
    furrows = np.linspace(-0.5, 0.5, 3)[: int(rng.integers(1, 4))] if rng.random() < 0.7 else np.zeros(1)
    wall = rng.uniform(0.5, 1.5)
    for _ in range(1 if rng.random() < 0.6 else int(rng.integers(2, 7))):
        found = _round_places(terrain, x_um, y_um, half, stretch, rng.uniform(0, np.pi))
        if found is not None:
            at, level, u, v = found
            bow = np.sqrt(np.clip(1 - u * u, 0, 1))
            cleft = sum(np.exp(-(((v - place * bow) / 0.12) ** 2)) for place in furrows)
            depth = 0.4 + 0.5 * dome(level) + wall * np.exp(-(((level - 0.12) / 0.1) ** 2)) + 0.8 * cleft
            rise = 1.3 * half / stretch * dome(level) * (1 - 0.6 * np.clip(cleft, 0, 1))
            terrain.lay(
                at,
                soft(level),
                rise.astype(np.float32),
                depth.astype(np.float32),
                matter,
                _POLLEN,
                drapes=False,
            )
        x_um, y_um = _beside(rng, x_um, y_um, 3.0 * half)


def torn_flake(rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay torn bits of scale, 6-18 um: thin, flat, sharp-cornered, grey, black, white or bluish."""
    half = log_uniform(rng, 3.0, 9.0)
    tint = np.ones(3) if rng.random() < 0.7 else np.array([1.2, 1.0, 0.8])
    matter = _dyed(
        rng, log_uniform(rng, 0.08, 1.2) * tint, float(rng.uniform(0.5, 0.97)), rng.uniform(0, 0.1)
    )
    matter = replace(matter, skin=(log_uniform(rng, 0.04, 0.9) * 10 ** (-0.2 * tint)).astype(np.float32))
    ridge, strength = rng.uniform(1.3, 2.6), rng.choice([0.0, rng.uniform(0.1, 0.5)])
    for _ in range(1 if rng.random() < 0.6 else int(rng.integers(2, 8))):
        turn = rng.uniform(0, np.pi)
        points = shard(rng, half * rng.uniform(0.8, 1.2), rng.uniform(1.0, 2.6))
        found = terrain.polygon(points + np.array([x_um, y_um]))
        if found is not None:
            at, cover, depth = found
            rows, cols = np.ogrid[at]
            along = (cols * np.cos(turn) + rows * np.sin(turn)) * terrain.px_um
            lines = 1 + strength * np.sin(2 * np.pi / max(ridge, 2.5 * terrain.px_um) * along)
            terrain.lay(
                at, cover, np.minimum(depth, 0.8), (lines * (0.8 + 0.2 * (depth > 0.6))).astype(np.float32),
                matter, _PIECE,
            )  # fmt: skip
        x_um, y_um = _beside(rng, x_um, y_um, 4.0 * half)

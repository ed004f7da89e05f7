"""Spores: one kind of body for each photo, laid singly, in chains and in heaps."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sporecount.simulate.relief.forms import Oval, dome, roughness, soft
from sporecount.simulate.relief.matters import pigmented, skin_of
from sporecount.simulate.relief.recipe import log_uniform
from sporecount.simulate.relief.terrain import Matter, Terrain
from sporecount.simulate.truth import KIND_NAMES

_SPORE = KIND_NAMES.index("spore")


@dataclass(frozen=True)
class Breed:
    """What the spores of one photo have in common.

    Parameters
    ----------
    length_um, ratio, spread : float
        Mean long axis, mean of long over short axis, relative spread of sizes.
    fullness, uneven : float
        Mean fullness of the outline (see `Oval`) and how far outlines differ.
    body, wall, core : float
        Pigment in the whole body, in its rim, and in a body seen within (negative: pale).
    wall_width : float
        Width of the rim as a share of the half-width.
    flat : float
        0 for a round back, 1 for a flat one.
    tips : float
        Pigment at the two ends: positive dark, negative pale.
    sunken : float
        Share of collapsed spores.
    grain : ndarray
        Field of their ornament, tiled over each.
    grainy : float
    tones : float
        Spread of darkness between spores.
    """

    length_um: float
    ratio: float
    spread: float
    fullness: float
    uneven: float
    matter: Matter
    body: float
    wall: float
    core: float
    wall_width: float
    flat: float
    tips: float
    sunken: float
    grain: np.ndarray
    grainy: float
    tones: float


def random_breed(rng: np.random.Generator, from_above: bool, hard: bool) -> Breed:
    """Make up the spores of a photo."""
    density = log_uniform(rng, 0.16 if hard else 0.22, 1.3)
    if from_above:
        density = max(density, 0.4)
    opacity = float(rng.uniform(0.6, 1.0)) if from_above else None
    matter = pigmented(rng, density, rng.uniform(0.3, 1.1), opacity=opacity)
    red, green, blue = matter.dye  # red is always taken least and blue most
    dye = np.array([min(red, 0.85 * green), green, max(blue, 1.15 * green)], np.float32)
    bright = float(np.clip(0.75 - 0.5 * density, 0.12, 0.8))
    matter = replace(matter, dye=dye, skin=skin_of(rng, dye, bright))
    look = rng.choice(4, p=(0.35, 0.3, 0.2, 0.15))  # even, dark rim, pale middle, dark middle
    return Breed(
        length_um=float(np.clip(rng.normal(11.6, 2.2), 8.0, 16.5)),
        ratio=float(rng.uniform(1.32, 1.85)),
        spread=float(rng.uniform(0.02, 0.09)),
        fullness=float(rng.uniform(0.45, 0.95)),
        uneven=float(rng.uniform(0.0, 1.0)),
        matter=matter,
        body=1.0 if look != 1 else float(rng.uniform(0.3, 0.8)),
        wall=float((0.0, rng.uniform(0.7, 1.6), rng.uniform(0.2, 0.8), 0.1)[look]),
        core=float((0.0, 0.0, -rng.uniform(0.3, 0.8), rng.uniform(0.3, 0.8))[look]),
        wall_width=float(rng.uniform(0.12, 0.4)),
        flat=float(rng.random() ** 1.5),
        tips=float(rng.choice([0.0, rng.uniform(-0.7, 0.7)])),
        sunken=float(rng.choice([0.0, 0.1, 0.5], p=(0.5, 0.35, 0.15))),
        grain=roughness(rng, (96, 96), 10.0, 3),
        grainy=float(rng.choice([0.0, rng.uniform(0.05, 0.3)])),
        tones=float(rng.uniform(0.03, 0.16)),
    )


def one_oval(rng: np.random.Generator, breed: Breed, turn: float) -> Oval:
    """Make one spore of a breed."""
    length = float(np.clip(breed.length_um * np.exp(rng.normal(0, breed.spread)), 7.5, 17.0))
    ratio = float(np.clip(breed.ratio * np.exp(rng.normal(0, 0.05)), 1.25, 2.0))
    return Oval(
        length / 2,
        length / ratio / 2,
        turn,
        power=float(rng.uniform(1.8, 2.3)),
        fullness=float(np.clip(breed.fullness + 0.06 * rng.normal(), 0.42, 1.0)),
        lopsided=float(0.09 * breed.uneven * rng.normal()),
        bow=float(np.clip(0.12 * breed.uneven * rng.normal(), -0.35, 0.35)),
    )


def lay_spore(
    rng: np.random.Generator,
    terrain: Terrain,
    breed: Breed,
    oval: Oval,
    x_um: float,
    y_um: float,
    number: int,
) -> None:
    """Add one spore to the maps."""
    found = terrain.window(x_um, y_um, 1.25 * oval.half_long_um)
    if found is None:
        return
    at, dx, dy = found
    level, u, v = oval.places(dx, dy)
    near = np.clip(level, 0, 1) * np.clip((1 - np.abs(u)) * 3, 0, 1)
    back = (1 - breed.flat) * dome(near) + breed.flat * np.minimum(near * 3, 1)
    depth = breed.body * (0.35 + 0.65 * back)
    depth += breed.wall * np.exp(-((near / breed.wall_width) ** 2))
    depth += breed.core * np.exp(-((u / 0.5) ** 2) - (v / 0.55) ** 2)
    if breed.tips:
        depth += breed.tips * np.exp(-(((np.abs(u) - 0.92) / 0.16) ** 2))
    rise = 1.6 * oval.half_wide_um * back
    if rng.random() < breed.sunken:
        off = rng.uniform(-0.4, 0.4)
        dent = rng.uniform(0.3, 0.9) * np.exp(-(((v - off - 0.4 * u) / 0.35) ** 2)) * (near > 0.05)
        rise = rise * (1 - 0.7 * dent)
        depth = depth * (1 - 0.5 * dent)
    if breed.grainy:
        step = max(terrain.px_um / 0.22, 0.2)
        rows = (np.arange(level.shape[0]) * step + 7 * number).astype(int) % 96
        cols = (np.arange(level.shape[1]) * step + 13 * number).astype(int) % 96
        depth = depth * (1 + breed.grainy * breed.grain[np.ix_(rows, cols)])
        rise = rise * (1 + 0.3 * breed.grainy * breed.grain[np.ix_(rows, cols)])
    depth = np.maximum(depth, 0.02) * np.exp(rng.normal(0, breed.tones))
    terrain.lay(at, soft(level), rise, depth, breed.matter, _SPORE, owner=number, drapes=False)


def places(
    rng: np.random.Generator, breed: Breed, count: int, size_um: tuple[float, float], crowding: float
) -> list[tuple[float, float, float]]:
    """x, y and turn of about `count` spores: singles, chains and heaps; `crowding` is the share in groups."""
    laid: list[tuple[float, float, float]] = []
    wide = breed.length_um / breed.ratio
    spots = rng.uniform(0, 1, (3, 2)) * size_um
    gather = rng.uniform(0, 0.6)
    while len(laid) < count:
        if rng.random() < gather:
            x, y = spots[rng.integers(3)] + rng.normal(0, 0.15, 2) * size_um
        else:
            x, y = rng.uniform(-0.02, 1.02, 2) * size_um
        turn = float(rng.uniform(0, np.pi))
        kind = rng.random()
        if kind > crowding:
            laid.append((x, y, turn))
        elif kind < 0.4 * crowding:
            for _ in range(int(rng.integers(2, 6))):  # a chain: side by side or end to end
                laid.append((x, y, turn))
                side = rng.random() < 0.6
                turn += float(rng.normal(0, 0.3))
                way, gap = (turn + np.pi / 2, wide) if side else (turn, breed.length_um)
                gap *= rng.uniform(0.88, 1.05)
                x, y = x + gap * np.cos(way), y + gap * np.sin(way)
        else:
            heap = rng.random() < 0.2
            members = int(
                min(log_uniform(rng, 20, 300) if heap else log_uniform(rng, 4, 40), max(count / 2, 4))
            )
            spread = 0.5 * np.sqrt(members * breed.length_um * wide) * rng.uniform(0.7, 1.2)
            order = rng.normal(0, spread / 1.4, (members, 2))
            turns = turn + rng.normal(0, rng.choice([0.3, 2.0]), members)
            laid.extend((x + dx, y + dy, float(t)) for (dx, dy), t in zip(order, turns, strict=True))
    return laid[: max(count, 0)]

"""Things that a hasty eye takes for spores, and other stray matter."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from sporecount.simulate.relief import small
from sporecount.simulate.relief.forms import Oval, blob, dome, roughness, shard, soft, wandering
from sporecount.simulate.relief.matters import clear, pigmented, sooty, thread_like
from sporecount.simulate.relief.recipe import log_uniform
from sporecount.simulate.relief.terrain import Terrain
from sporecount.simulate.truth import KIND_NAMES

_FIBRE, _BUBBLE, _DUST, _POLLEN, _OTHER = (
    KIND_NAMES.index(name) for name in ("fibre", "bubble", "dust", "pollen", "other")
)


@dataclass(frozen=True)
class Sizes:
    """Keeps look-alikes honest: what blur would turn into a spore must not have a spore's size.

    Parameters
    ----------
    spore_um : float
        Mean length of the photo's spores, or of likely ones where it has none.
    blur_um : float
        Typical standard deviation of the blur.
    """

    spore_um: float
    blur_um: float

    def draw(self, rng: np.random.Generator, low_um: float, high_um: float) -> float:
        """Draw a length; in a blurred photo not between half and twice a spore's."""
        blurred = self.blur_um > 0.09 * self.spore_um
        for _ in range(8):
            length = log_uniform(rng, low_um, high_um)
            if not blurred or not 0.5 < length / self.spore_um < 2.0:
                return length
        return high_um if high_um > 2 * self.spore_um else low_um


def droplet(rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay a round brown drop."""
    radius = log_uniform(rng, 2.0, 14.0)
    found = terrain.window(x_um, y_um, radius)
    if found is None:
        return
    at, dx, dy = found
    level = 1 - np.hypot(dx, dy) / np.float32(radius)
    matter = pigmented(rng, log_uniform(rng, 0.1, 1.0), rng.uniform(0.2, 1.1))
    back = dome(level)
    terrain.lay(at, soft(level), radius * rng.uniform(0.3, 1.2) * back, back, matter, _OTHER)


def bubble(rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay a round or flattened bubble of air in the glue, alone or with small ones beside it."""
    for _ in range(int(rng.choice([1, 1, 3, 7]))):
        radius = log_uniform(rng, 1.5, 25.0)
        found = terrain.window(x_um, y_um, 1.6 * radius)
        if found is not None:
            at, dx, dy = found
            level = blob(rng, dx, dy, radius, 0.04, rng.uniform(1, 1.25)).astype(np.float32)
            rim = np.exp(-((level / rng.uniform(0.06, 0.3)) ** 2)) * rng.uniform(0.0, 0.9)
            matter = clear(rng, -rng.uniform(0.1, 0.5))
            matter = replace(matter, dye=np.full(3, rng.uniform(0.1, 0.9), np.float32))
            terrain.lay(at, soft(level), 0.8 * radius * dome(level), rim.astype(np.float32), matter, _BUBBLE)
        x_um, y_um = x_um + rng.normal(0, 2.2 * radius), y_um + rng.normal(0, 2.2 * radius)


def blister(rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay a low dome of glue without an edge to speak of."""
    radius = log_uniform(rng, 12.0, 70.0)
    found = terrain.window(x_um, y_um, 1.8 * radius)
    if found is None:
        return
    at, dx, dy = found
    level = np.clip(blob(rng, dx, dy, radius, 0.12, rng.uniform(1, 2)), 0, 1).astype(np.float32)
    rise = rng.uniform(0.1, 0.4) * radius * level * level * (3 - 2 * level)
    terrain.lay(at, soft(level), rise, 0.0, clear(rng, rng.uniform(-0.3, 0.3)), _BUBBLE)


def pollen(rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay a pollen grain: smooth, spined, three-pored, furrowed or netted; 18-50 um."""
    radius = log_uniform(rng, 9.0, 25.0)
    found = terrain.window(x_um, y_um, 1.5 * radius)
    if found is None:
        return
    at, dx, dy = found
    build = rng.choice(["smooth", "spined", "pored", "furrowed", "netted"])
    stretch = rng.uniform(1.3, 1.8) if build == "furrowed" else rng.uniform(1, 1.15)
    turn = rng.uniform(0, 6.3)
    x = (dx * np.cos(turn) + dy * np.sin(turn)) / np.sqrt(stretch)
    y = (dy * np.cos(turn) - dx * np.sin(turn)) * np.sqrt(stretch)
    angle, reach = np.arctan2(y, x), np.hypot(x, y) / radius
    edge = np.ones_like(angle)
    if build == "spined":
        edge += rng.uniform(0.08, 0.25) * np.abs(np.cos(angle * rng.integers(7, 14))) ** 3
    if build == "pored":
        edge += rng.uniform(0.05, 0.15) * np.clip(np.cos(3 * angle), 0, 1) ** 4
    level = (1 - reach / edge).astype(np.float32)
    depth = 0.3 + 0.7 * dome(level) + rng.uniform(0, 1.2) * np.exp(-((level / 0.1) ** 2))
    if build == "furrowed":
        depth = depth * (1 - 0.6 * np.exp(-((y / radius / 0.14) ** 2)))
    if build in ("spined", "netted"):
        net = roughness(rng, level.shape, max(radius / 4 / terrain.px_um, 2), 1)
        depth = depth * (1 + 0.25 * net)
    matter = pigmented(rng, log_uniform(rng, 0.12, 1.1), rng.uniform(0.1, 1.2))
    yellow = rng.uniform(0.4, 1) * np.array([1, rng.uniform(0.6, 1), rng.uniform(0.1, 0.8)], np.float32)
    matter = replace(matter, skin=yellow.astype(np.float32))
    terrain.lay(
        at, soft(level), 1.4 * radius * dome(level), np.maximum(depth, 0), matter, _POLLEN, drapes=False
    )


def mould(rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay round mould spores, 3-7 um, loose or in chains."""
    radius = rng.uniform(1.5, 3.2)
    matter = pigmented(rng, log_uniform(rng, 0.1, 1.2), rng.uniform(-0.2, 0.7))
    way, chained = rng.uniform(0, 6.3), rng.random() < 0.6
    for _ in range(int(rng.integers(3, 14))):
        found = terrain.window(x_um, y_um, radius)
        if found is not None:
            at, dx, dy = found
            level = 1 - np.hypot(dx, dy) / np.float32(radius)
            terrain.lay(at, soft(level), 1.5 * radius * dome(level), 0.4 + 0.6 * dome(level), matter, _OTHER)
        way = way + rng.normal(0, 0.35) if chained else rng.uniform(0, 6.3)
        gap = radius * (2 if chained else rng.uniform(2, 5))
        x_um, y_um = x_um + gap * np.cos(way), y_um + gap * np.sin(way)


def soot(sizes: Sizes, rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay angular black or grey shards, one or a few."""
    matter = sooty(rng)
    for _ in range(int(rng.integers(1, 4))):
        radius = sizes.draw(rng, 1.0, 30.0) / 2
        found = terrain.polygon(shard(rng, radius, rng.uniform(1, 2)) + np.array([x_um, y_um]))
        if found is not None:
            at, cover, depth = found
            terrain.lay(at, cover, np.minimum(2 * depth, radius), 0.6 + 0.4 * (depth > 1), matter, _DUST)
        x_um, y_um = x_um + rng.normal(0, 25), y_um + rng.normal(0, 25)


def frass(rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay a rough brown or greenish lump, 24-90 um."""
    radius = log_uniform(rng, 12.0, 45.0)
    found = terrain.window(x_um, y_um, 2 * radius)
    if found is None:
        return
    at, dx, dy = found
    crumbs = roughness(rng, dx.shape, max(9 / terrain.px_um, 2), 3)
    level = (blob(rng, dx, dy, radius, 0.3, rng.uniform(1, 1.8)) + 0.08 * crumbs).astype(np.float32)
    matter = pigmented(rng, log_uniform(rng, 0.4, 1.6), rng.uniform(-0.1, 0.9))
    depth = np.clip(dome(level) * (1 + 0.35 * crumbs), 0.05, None)
    rise = radius * np.clip(dome(level) * (0.8 + 0.15 * crumbs), 0, None)
    terrain.lay(at, soft(level), rise, depth, matter, _DUST)


def ink(rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay a flat ragged dot of ink, soaked in."""
    radius = log_uniform(rng, 6.0, 40.0)
    found = terrain.window(x_um, y_um, 2 * radius)
    if found is None:
        return
    at, dx, dy = found
    level = blob(rng, dx, dy, radius, 0.2, rng.uniform(1, 1.6)).astype(np.float32)
    level += 0.06 * roughness(rng, level.shape, max(6 / terrain.px_um, 2), 2)
    dye = (rng.uniform(0.2, 1.0) * rng.uniform(0.2, 1.2, 3)).astype(np.float32)
    matter = replace(
        sooty(rng), dye=dye, skin=(0.8 * 10 ** (-2 * dye)).astype(np.float32), bend=0.0, gloss=0.05
    )
    terrain.lay(at, soft(level), np.float32(0) * level, 1.0, matter, _OTHER)


def starch(rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay clear grains, nearly round or large, with a bright middle."""
    for _ in range(int(rng.integers(1, 6))):
        big = rng.random() < 0.4
        half = rng.uniform(10, 20) if big else rng.uniform(1.5, 8)
        oval = Oval(half, half / rng.uniform(1.0, 1.6 if big else 1.12), rng.uniform(0, np.pi))
        found = terrain.window(x_um, y_um, half)
        if found is not None:
            at, dx, dy = found
            level, _, _ = oval.places(dx, dy)
            terrain.lay(
                at, soft(level), 1.3 * half * dome(level), 1.0, clear(rng, rng.uniform(0.08, 0.25)), _OTHER
            )
        x_um, y_um = x_um + rng.normal(0, 2.5 * half), y_um + rng.normal(0, 2.5 * half)


def egg(rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay a brown oval far too large to be a spore, 24-45 um."""
    half = log_uniform(rng, 12.0, 22.0)
    oval = Oval(half, half / rng.uniform(1.25, 1.9), rng.uniform(0, np.pi), 2.0, rng.uniform(0.45, 0.9))
    found = terrain.window(x_um, y_um, half)
    if found is None:
        return
    at, dx, dy = found
    level, _, _ = oval.places(dx, dy)
    matter = pigmented(rng, log_uniform(rng, 0.15, 1.2), rng.uniform(0.1, 1.0))
    depth = dome(level) + rng.uniform(0, 1) * np.exp(-((level / 0.15) ** 2))
    terrain.lay(at, soft(level), 1.4 * half * dome(level), depth, matter, _OTHER, drapes=False)


def rod(rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay slender rods, at least 3.5 times as long as wide."""
    matter = pigmented(rng, log_uniform(rng, 0.1, 1.2), rng.uniform(-0.1, 1.0))
    for _ in range(int(rng.integers(1, 5))):
        half = log_uniform(rng, 5.0, 18.0)
        oval = Oval(
            half, half / rng.uniform(3.5, 7), rng.uniform(0, np.pi), 4.0, 0.5, bow=rng.uniform(-0.8, 0.8)
        )
        found = terrain.window(x_um, y_um, 1.2 * half)
        if found is not None:
            at, dx, dy = found
            level, _, _ = oval.places(dx, dy)
            terrain.lay(at, soft(level), oval.half_wide_um * dome(level), dome(level), matter, _OTHER)
        x_um, y_um = x_um + rng.normal(0, 1.5 * half), y_um + rng.normal(0, 1.5 * half)


def threads(rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay one to three long fibres that cross."""
    for _ in range(int(rng.integers(1, 4))):
        wide, length = log_uniform(rng, 3.0, 22.0), log_uniform(rng, 80.0, 1200.0)
        turn = rng.uniform(0, 2 * np.pi)
        start = np.array([x_um, y_um]) - rng.uniform(0.2, 0.8) * length * np.array(
            [np.cos(turn), np.sin(turn)]
        )
        path = wandering(rng, start, length, turn, rng.uniform(0.05, 0.9))
        ribbon = 1 + rng.choice([0.0, 0.5]) * np.sin(np.linspace(0, length / wide / 3, len(path)))
        found = terrain.strand(path, wide / 2 * np.maximum(ribbon, 0.4))
        if found is not None:
            at, cover, depth = found
            share = np.clip(depth / (wide / 2), 0, 1)
            back = np.sqrt(share * (2 - share))
            pigment = (0.5 + 0.5 * back) * (1 - rng.choice([0.0, 0.6]) * (share > 0.7))
            terrain.lay(at, cover, 0.7 * wide * back, pigment.astype(np.float32), thread_like(rng), _FIBRE)


def smear(rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float) -> None:
    """Lay a thin film of dried fluid with crumbs in it."""
    radius = log_uniform(rng, 40.0, 200.0)
    found = terrain.window(x_um, y_um, 1.5 * radius)
    if found is None:
        return
    at, dx, dy = found
    film = roughness(rng, dx.shape, max(0.7 * radius / terrain.px_um, 2), 4)
    level = (blob(rng, dx, dy, radius, 0.25, rng.uniform(1, 3)) + 0.25 * film).astype(np.float32)
    edge = 1 + rng.uniform(0, 2) * np.exp(-((level / 0.05) ** 2))
    matter = pigmented(rng, rng.uniform(0.02, 0.2), rng.uniform(0, 1), opacity=rng.uniform(0.05, 0.4))
    cover = soft(level) * rng.uniform(0.3, 0.49)  # below one half: what lies beneath still names the place
    terrain.lay(at, cover, 1.5 * np.clip(level, 0, 1), edge, matter, _OTHER)


Painter = Callable[[np.random.Generator, Terrain, float, float], None]


def painters(sizes: Sizes, *, grey: bool = False) -> dict[str, tuple[Painter, float]]:
    """Name each kind of stray matter, with what lays it and how common it is.

    In a `grey` photo nothing is laid that only its colour tells from a spore.
    """
    return {
        "droplet": (droplet, 1.0),
        "bubble": (bubble, 0.9),
        "blister": (blister, 0.4),
        "pollen": (pollen, 0.8),
        "mould": (mould, 0.7),
        "soot": (partial(soot, sizes), 1.0),
        "frass": (frass, 0.35),
        "ink": (ink, 0.3),
        "starch": (starch, 0.5),
        "egg": (egg, 0.6),
        "rod": (rod, 0.6),
        "threads": (threads, 0.5),
        "smear": (smear, 0.2),
        "oval_bubble": (small.oval_bubble, 0.8),
        "ring": (small.ring, 0.5),
        "conidia": (partial(small.conidia, grey), 0.8),
        "yellow_drop": (partial(small.yellow_drop, grey), 0.6),
        "oval_pollen": (partial(small.oval_pollen, grey), 0.6),
        "torn_flake": (small.torn_flake, 0.8),
    }

"""Spores: what those of a print look like, where they lie, and how one is laid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.bending.plan import Plan
from sporecount.simulate.bending.sheet import KIND, Array, Sheet, tint

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SporeLook:
    """What the spores of one print have in common.

    Half the width at u is (1 - |u / a| ** round_to) ** point of its greatest; 2 and 1/2 would be an ellipse.
    """

    colour: str  # "amber", "deep brown", "grey" or "colourless"
    tint: Array
    body: float  # optical density of the middle
    wall: float  # the same of the wall, on top
    wall_um: float
    pale: float  # share of the body's density that the very middle lacks
    height_um: float  # optical path through the middle, over that of the glue
    dome: float  # below 1 the sides are steep, above 1 they flatten out
    round_to: float
    point: float
    length_um: float
    spread: float
    aspect: float

    def area_um2(self, length_um: float, width_um: float) -> float:
        """Area inside an outline."""
        t = (np.arange(400) + 0.5) / 400
        return float(length_um * width_um * np.mean((1 - t**self.round_to) ** self.point))


@dataclass(frozen=True)
class Spores:
    """All spores of a photo, on the sheet's grid; the lower ones come first."""

    x: Floats
    y: Floats
    angle: Floats
    length_um: Floats
    width_um: Floats
    strength: Floats


@dataclass
class SporeSheet:
    """The sheet of spores with the number of the topmost one at each pixel (-1: none) and how many overlap."""

    sheet: Sheet
    owner: NDArray[np.int32]
    stack: NDArray[np.uint8]


def draw_look(rng: np.random.Generator) -> SporeLook:
    """Draw what the spores of a print look like."""
    colour = str(rng.choice(["amber", "deep brown", "grey", "colourless"], p=[0.34, 0.26, 0.22, 0.18]))
    inks = {
        "amber": (tint(0.30, 0.62, 1.2), (0.14, 0.36)),
        "deep brown": (tint(0.72, 1.0, 1.4), (0.26, 0.62)),
        "grey": (tint(0.92, 1.0, 1.08), (0.06, 0.20)),
        "colourless": (tint(0.85, 1.0, 1.2), (0.02, 0.07)),
    }
    ink, (low, high) = inks[colour]
    body = float(rng.uniform(low, high))
    # Nearly colourless spores are seen by what they bend alone.
    bends = rng.uniform(0.3, 0.62) if colour in ("grey", "colourless") else rng.uniform(0.14, 0.46)
    mixed = ink * np.exp(rng.normal(0, 0.07, 3))
    return SporeLook(
        colour=colour,
        tint=tint(float(mixed[0]), float(mixed[1]), float(mixed[2])),
        body=body,
        wall=float(rng.uniform(0.02, 0.2) + body * rng.uniform(0.1, 0.8)),
        wall_um=float(rng.uniform(0.45, 0.95)),
        pale=float(rng.uniform(0, 0.75)),
        height_um=float(bends),
        dome=float(rng.uniform(0.62, 1.05)),
        round_to=float(rng.uniform(1.9, 2.3)),
        point=float(rng.uniform(0.56, 0.92)),
        length_um=float(rng.uniform(9, 16)),
        spread=float(rng.uniform(0.03, 0.08)),
        aspect=float(rng.uniform(1.36, 1.74)),
    )


def _piles(
    rng: np.random.Generator,
    number: int,
    heavy: bool,
    origin: float,
    size: tuple[float, float],
    length: float,
) -> Floats:
    """Centres of spores in touching clumps, each spore next to an earlier one of its clump."""
    places: list[tuple[float, float]] = []
    while len(places) < number:
        many = min(number - len(places), 2 + int(rng.exponential(7.0 if heavy else 1.2)))
        if heavy and not places:
            many = min(number, max(many, 6))
        clump = [(origin + rng.uniform(0, size[0]), origin + rng.uniform(0, size[1]))]
        while len(clump) < many:
            x, y = clump[int(len(clump) * rng.beta(2, 1))] if len(clump) > 2 else clump[-1]
            # A spore rolls to where there is most room of three places, and still may lie on others.
            turn, far = rng.uniform(0, 2 * np.pi, 3), length * rng.uniform(0.58, 0.88)
            tries = np.stack([x + far * np.cos(turn), y + far * np.sin(turn)], axis=1)
            room = cKDTree(clump).query(tries)[0]
            clump.append((float(tries[room.argmax(), 0]), float(tries[room.argmax(), 1])))
        places += clump
    return np.array(places[:number], float).reshape(-1, 2)


def place_spores(
    rng: np.random.Generator, look: SporeLook, plan: Plan, margin: float, size: tuple[int, int], px_um: float
) -> Spores:
    """Place spores in a view of a `size` (columns, rows) with a `margin` around it, all on the sheet's grid."""
    n = plan.spores
    length_px = look.length_um / px_um
    piled = round(plan.piled * n)
    if plan.preset == "heavy":
        piled = max(piled, 6)
    xy = _piles(
        rng, min(piled, n), plan.preset == "heavy", margin, (float(size[0]), float(size[1])), length_px
    )
    free = rng.uniform(0, 1, (n - len(xy), 2)) * size + margin
    for _ in range(6):
        # Spores slide off one another: what fell too close to another falls again.
        everyone = np.concatenate([xy, free])
        near = cKDTree(everyone).query(free, k=2)[0][:, 1] < 0.8 * length_px if len(everyone) > 1 else []
        if not np.any(near):
            break
        free[near] = rng.uniform(0, 1, (int(np.sum(near)), 2)) * size + margin
    xy = np.concatenate([xy, free])
    xy = np.clip(xy, margin - 0.3 * length_px, np.array(size) + margin + 0.3 * length_px)
    rng.shuffle(xy)
    length = np.clip(look.length_um * np.exp(rng.normal(0, look.spread, n)), 8.5, 17)
    aspect = np.clip(look.aspect * np.exp(rng.normal(0, 0.035, n)), 1.3, 1.8)
    return Spores(
        x=xy[:, 0],
        y=xy[:, 1],
        angle=rng.uniform(0, np.pi, n),
        length_um=length,
        width_um=length / aspect,
        strength=np.exp(rng.normal(0, 0.12, n)),
    )


def lay_spore(on: SporeSheet, look: SporeLook, spores: Spores, k: int) -> None:
    """Lay one spore over the earlier ones."""
    sheet = on.sheet
    x, y = float(spores.x[k]), float(spores.y[k])
    a, b = float(spores.length_um[k] / 2), float(spores.width_um[k] / 2)
    box = sheet.box(x, y, a)
    if box is None:
        return
    u, v = sheet.along(box, x, y, float(spores.angle[k]))
    p, q = np.abs(u) / np.float32(a), np.abs(v) / np.float32(b)
    n, m = np.float32(look.round_to), np.float32(1 / look.point)
    level = p**n + q**m
    slope = np.hypot(n * p ** (n - 1) / np.float32(a), m * q ** (m - 1) / np.float32(b))
    outside_um = np.asarray((level - 1) / np.maximum(slope, 0.5 / a), np.float32)
    cover = sheet.edge(outside_um)
    inner = np.clip(1 - level, 0, 1)
    dome = inner ** np.float32(look.dome)
    wall = np.exp(-(((outside_um + look.wall_um * 0.6) / look.wall_um) ** 2))
    body = (1 - np.float32(look.pale) * inner**2) * (np.float32(0.55) + np.float32(0.45) * np.sqrt(inner))
    density = np.float32(spores.strength[k]) * (look.body * body + look.wall * wall)
    # The upper one of two hides part of what the lower one bends and swallows.
    keep = 1 - np.float32(0.65) * cover
    sheet.absorb[box] *= keep[..., None]
    sheet.relief[box] *= keep
    sheet.absorb[box] += (cover * density)[..., None] * look.tint
    sheet.relief[box] += dome * np.float32(look.height_um * spores.strength[k])
    mine = cover > 0.5
    sheet.kinds[box][mine] = KIND["spore"]
    on.owner[box][mine] = k
    on.stack[box][mine] += np.uint8(1)


def touching(spores: Spores, px_um: float) -> NDArray[np.int64]:
    """Count the spores in the touching group of each."""
    n = len(spores.x)
    if n < 2:
        return np.ones(n, np.int64)
    xy = np.stack([spores.x, spores.y], axis=1) * px_um
    pairs = cKDTree(xy).query_pairs(float(spores.length_um.max()) + 0.5, output_type="ndarray")
    i, j = pairs[:, 0], pairs[:, 1]
    step = xy[j] - xy[i]
    way, apart = np.arctan2(step[:, 1], step[:, 0]), np.hypot(step[:, 0], step[:, 1])

    def reach(k: NDArray[np.intp]) -> Floats:
        turn = way - spores.angle[k]
        a, b = spores.length_um[k] / 2, spores.width_um[k] / 2
        return np.asarray(a * b / np.hypot(b * np.cos(turn), a * np.sin(turn)))

    close = apart < reach(i) + reach(j) + 0.4
    links = coo_matrix((np.ones(int(close.sum())), (i[close], j[close])), shape=(n, n))
    group = connected_components(links, directed=False)[1]
    return np.asarray(np.bincount(group)[group], np.int64)

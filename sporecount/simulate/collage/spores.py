"""The spores of a photo: all alike in size, shape, colour and rendering, single or in clumps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.collage import colours, laws, outlines
from sporecount.simulate.collage.canvas import Canvas, stamp
from sporecount.simulate.collage.outlines import Outline

MOST = 1500
_TRIES = 12


@dataclass(frozen=True)
class SporeLook:
    """What the spores of one photo share; lengths in µm.

    Parameters
    ----------
    length, aspect : float
        Middle length and length over width.
    spread : float
        Relative spread of both sizes.
    colour_spread : float
        In display values.
    tables : tuple of ndarray
        Radius tables of a few outlines to choose from.
    law : laws.Law
    pair : tuple of ndarray of shape (3,)
    brown : str
    base : ndarray of shape (3,)
        Colour of the bare print.
    """

    length: float
    aspect: float
    spread: float
    colour_spread: float
    tables: tuple[np.ndarray, ...]
    law: laws.Law
    pair: tuple[np.ndarray, np.ndarray]
    brown: str
    base: np.ndarray


def random_look(rng: np.random.Generator, base: np.ndarray, light_turn: float, from_below: bool) -> SporeLook:
    """Draw the look of a photo's spores, such that they stand out from the bare print."""
    length = float(rng.uniform(7.5, 17.0))
    aspect = float(rng.uniform(1.25, 1.9))
    least = float(rng.uniform(0.05, 0.16))
    for _ in range(_TRIES):
        brown = str(rng.choice(list(colours.BROWNS)))
        pair = colours.kept_brown(colours.brown_pair(rng, brown), base)
        law = laws.random_law(rng, light_turn, from_below, length)
        if _stands_out(law, pair, base, length, aspect) > least:
            break
    point = float(rng.uniform(0.0, 0.85))
    tip = float(rng.uniform(0.0, 0.22)) if rng.random() < 0.5 else 0.0
    tip_width = float(rng.uniform(0.2, 0.5))
    tables = tuple(
        outlines.nippled(np.clip(point + rng.normal(0, 0.08), 0, 1), tip, tip_width)
        if tip
        else outlines.oval(float(np.clip(point + rng.normal(0, 0.08), 0, 1)), float(rng.normal(0, 0.04)))
        for _ in range(5)
    )
    return SporeLook(
        length,
        aspect,
        float(rng.uniform(0.02, 0.09)),
        float(rng.uniform(0.0, 0.05)),
        tables,
        law,
        pair,
        brown,
        base,
    )


def _stands_out(
    law: laws.Law, pair: tuple[np.ndarray, np.ndarray], base: np.ndarray, length: float, aspect: float
) -> float:
    """Difference between a spore's body and the bare print, after a blur of a sixth of its length."""
    side = np.linspace(-0.75 * length, 0.75 * length, 31)
    one = Outline(0.0, 0.0, length / 2, length / aspect / 2, 0.0, np.ones(outlines.DIRECTIONS))
    places = outlines.relative_places(one, side[None, :], side[:, None])
    below = np.broadcast_to(base, (31, 31, 3))
    rgb, _ = laws.render(law, *pair, below, places, 0.0, float(side[1] - side[0]), None)
    gap = (rgb - base) @ np.array([0.3, 0.5, 0.2])
    body, rim = places[0] < 0.6, (places[0] > 0.7) & (places[0] < 1)
    return float(max(abs(gap[body].mean()), abs(gap[rim].mean())))


def place(
    rng: np.random.Generator,
    look: SporeLook,
    size_um: tuple[float, float],
    wanted: int,
    *,
    single_share: float,
    clump_mean: float,
    resting: list[tuple[float, float, float]],
    on_scale_share: float,
    overlap: float,
    heaped: float = 0.0,
) -> list[Outline]:
    """Lay spores out, single and in touching groups; none hides another by more than a part.

    Parameters
    ----------
    rng : numpy.random.Generator
    look : SporeLook
    size_um : tuple of float
        Width and height of the view.
    wanted : int
    single_share : float
        Share of groups of one.
    clump_mean : float
        Mean number in the other groups.
    resting : list of tuple
        Centre and half width of scales, µm.
    on_scale_share : float
    overlap : float
        How deep two in a clump may lie in one another, 0 to 0.4 of their reach.
    heaped : float
        Share of the other groups that are heaps of 20 to 300 in several layers.
    """
    laid = np.zeros((wanted + 1, 5))  # x, y, half length, half width, angle
    count, tries = 0, 0
    order = rng.uniform(0, np.pi)
    while count < wanted and tries < 20 * wanted + 50:
        tries += 1
        x, y = rng.uniform(0, size_um[0]), rng.uniform(0, size_um[1])
        if resting and rng.random() < on_scale_share:
            sx, sy, far = resting[int(rng.integers(len(resting)))]
            turn, reach = rng.uniform(0, 2 * np.pi), far * rng.uniform(0, 1.4)
            x, y = sx + reach * np.cos(turn), sy + reach * np.sin(turn)
        members = 1 if rng.random() < single_share else 2 + int(rng.exponential(max(0.1, clump_mean - 1.5)))
        deep = overlap
        if members > 1 and rng.random() < heaped:
            members, deep = int(np.exp(rng.uniform(np.log(20), np.log(300)))), float(rng.uniform(0.15, 0.6))
        first = count
        for _ in range(min(members, wanted - count)):
            for _attempt in range(6):
                half = 0.5 * look.length * float(np.clip(np.exp(rng.normal(0, look.spread)), 0.8, 1.25))
                ratio = float(np.clip(look.aspect * np.exp(rng.normal(0, 0.6 * look.spread)), 1.2, 2.0))
                angle = float((order + rng.normal(0, 0.3)) if rng.random() < 0.15 else rng.uniform(0, np.pi))
                new = np.array([x, y, half, half / ratio, angle % np.pi])
                if count > first:
                    picks = laid[rng.integers(first, count, 3 if members > 20 else 1)]
                    beside = picks[np.hypot(picks[:, 0] - x, picks[:, 1] - y).argmax()]
                    way = rng.uniform(0, 2 * np.pi)
                    touch = _radius(beside, way) + _radius(new, way)
                    far = touch * rng.uniform(1 - deep, 1.04)
                    new[:2] = beside[0] + far * np.cos(way), beside[1] + far * np.sin(way)
                if _free(laid[:count], new, deep if count > first else 0.1):
                    laid[count] = new
                    count += 1
                    break
    return [
        Outline(x, y, half, wide, angle, look.tables[int(rng.integers(len(look.tables)))])
        for x, y, half, wide, angle in laid[:count].tolist()
    ]


def _radius(one: np.ndarray, way: float | np.ndarray) -> np.ndarray:
    """Radius of ellipses (last axis as in `place`) in a direction."""
    turned = way - one[..., 4]
    return 1 / np.hypot(np.cos(turned) / one[..., 2], np.sin(turned) / one[..., 3])


def _free(laid: np.ndarray, new: np.ndarray, overlap: float) -> bool:
    dx, dy = laid[:, 0] - new[0], laid[:, 1] - new[1]
    close = np.flatnonzero(np.abs(dx) + np.abs(dy) < 4.2 * new[2])
    if not close.size:
        return True
    way = np.arctan2(dy[close], dx[close])
    touch = _radius(laid[close], way) + _radius(new, way)
    return bool((np.hypot(dx[close], dy[close]) > (1 - overlap) * touch - 1e-9).all())


def groups(laid: list[Outline]) -> np.ndarray:
    """Count the spores in each one's touching group."""
    if not laid:
        return np.zeros(0, int)
    table = np.array([(s.x_um, s.y_um, s.half_long_um, s.half_wide_um, s.angle) for s in laid])
    pairs = cKDTree(table[:, :2]).query_pairs(2.1 * table[:, 2].max(), output_type="ndarray")
    one, two = table[pairs[:, 0]], table[pairs[:, 1]]
    way = np.arctan2(two[:, 1] - one[:, 1], two[:, 0] - one[:, 0])
    far = np.hypot(two[:, 0] - one[:, 0], two[:, 1] - one[:, 1])
    touching = pairs[far < 1.05 * (_radius(one, way) + _radius(two, way))]
    links = coo_matrix((np.ones(len(touching)), touching.T), shape=(len(laid), len(laid)))
    _, label = connected_components(links, directed=False)
    return np.bincount(label)[label]


def draw(rng: np.random.Generator, canvas: Canvas, look: SporeLook, one: Outline, number: int) -> float:
    """Draw one spore, a little different from the others, and give its pixels in the picture."""
    law = laws.varied(rng, look.law, min(0.12, 2 * look.colour_spread + 0.02))
    ground = look.base / look.base.max()
    dark, pale = colours.near(rng, look.pair, look.colour_spread)
    pair = colours.kept_brown((dark / ground, pale / ground), look.base)
    return stamp(rng, canvas, one, law, pair, "spore", owner=number)

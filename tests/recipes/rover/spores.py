"""Spores: the look that those of one photo share, where they lie, and their pigment by the level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from tests.recipes.rover.fields import Array, Rng, distance_um, superellipse
from tests.recipes.rover.sheet import Paint, Sheet

HUES = {
    "amber": (0.40, 1.0, 1.9),
    "brown": (0.62, 1.0, 1.45),
    "straw": (0.45, 1.0, 2.1),
    "grey-brown": (0.84, 1.0, 1.16),
    "chocolate": (0.80, 1.0, 1.25),
}
"""Density of red, green and blue, green being 1."""
LENGTH_UM = (7.0, 21.0)
"""No spore is drawn beyond."""


@dataclass
class Look:
    """What the spores of one photo share."""

    length_um: float
    spread: float
    aspect: float
    point: float
    hue: str
    density: float
    rim: float
    rim_um: float
    unevenness: float


@dataclass
class Spore:
    """A placed spore, in µm from the first pixel's centre."""

    x_um: float
    y_um: float
    length_um: float
    width_um: float
    angle_deg: float
    beneath: bool
    clump: int = 1
    area_px: float = 0.0


def draw_look(rng: Rng, pale: bool, dark: bool) -> Look:
    """Draw the shared look; pale and dark photos are asked for by name, so that there are many."""
    hue = str(rng.choice(list(HUES), p=(0.3, 0.28, 0.14, 0.14, 0.14)))
    low, high = {"straw": (0.1, 0.28), "chocolate": (0.35, 0.7)}.get(hue, (0.14, 0.6))
    density = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    if pale:
        density = float(rng.uniform(0.09, 0.17))
    if dark:
        density = float(rng.uniform(0.5, 0.75))
    return Look(
        length_um=float(rng.uniform(9.2, 16.5)),
        spread=float(rng.uniform(0.04, 0.09)),
        aspect=float(rng.uniform(1.38, 1.7)),
        point=float(rng.uniform(1.15, 2.0)),
        hue=hue,
        density=density,
        rim=float(rng.choice((-1, 1), p=(0.35, 0.65)) * rng.uniform(0.05, 1.0)),
        rim_um=float(rng.uniform(0.7, 1.6)),
        unevenness=float(rng.uniform(0.05, 0.3)),
    )


def _new(rng: Rng, look: Look, x_um: float, y_um: float, angle_deg: float, beneath: bool) -> Spore:
    length = float(np.clip(look.length_um * (1 + look.spread * rng.normal()), *LENGTH_UM))
    aspect = float(np.clip(look.aspect + rng.normal() * 0.06, 1.3, 1.8))
    return Spore(x_um, y_um, length, length / aspect, angle_deg % 180.0, beneath)


def place(
    rng: Rng, look: Look, size_um: tuple[float, float], singles: int, clumps: list[int], beneath: float
) -> list[Spore]:
    """Scatter single spores, and clumps that grow outwards with spores side by side or across.

    Parameters
    ----------
    beneath : float
        Share of the spores that lie under whatever comes later.
    """
    height, width = size_um
    edge = 0.3 * look.length_um
    spores = []
    for count in [1] * singles + clumps:
        x, y = rng.uniform(-edge, width + edge), rng.uniform(-edge, height + edge)
        if count > 3:  # a clump that is promised lies well in view
            x, y = rng.uniform(0.15, 0.85) * width, rng.uniform(0.15, 0.85) * height
        under = bool(rng.random() < beneath)
        pull = rng.uniform(0.75, 1.12)
        lead = rng.uniform(0, 180)
        mine = [_new(rng, look, x, y, lead, under)]
        while len(mine) < count:
            on = mine[int(rng.integers(max(0, len(mine) - 12), len(mine)))]
            turn = on.angle_deg + (rng.normal() * 15 if rng.random() < 0.5 else rng.uniform(0, 180))
            way = np.radians(on.angle_deg + 90 + rng.uniform(-75, 75)) + np.pi * rng.integers(2)
            step = pull * (on.width_um + 0.25 * look.length_um * abs(np.cos(way - np.radians(on.angle_deg))))
            at = (on.x_um + step * np.cos(way), on.y_um + step * np.sin(way))
            crowd = sum(np.hypot(at[0] - o.x_um, at[1] - o.y_um) < 0.6 * on.width_um for o in mine)
            if crowd and rng.random() < 0.85:
                continue
            mine.append(_new(rng, look, *at, turn, under))
        spores += mine
    spores = [s for s in spores if -edge <= s.x_um <= width + edge and -edge <= s.y_um <= height + edge]
    _tell_clumps(spores)
    return spores


def _half_way_um(spores: list[Spore], which: Array, way_rad: Array) -> Array:
    """Radius of the spores' ellipses towards a direction."""
    a = np.array([s.length_um / 2 for s in spores])[which]
    b = np.array([s.width_um / 2 for s in spores])[which]
    turn = way_rad - np.radians([s.angle_deg for s in spores])[which]
    return a * b / np.hypot(b * np.cos(turn), a * np.sin(turn))


def _tell_clumps(spores: list[Spore]) -> None:
    """Count for each spore how many touch each other in its group."""
    if len(spores) < 2:
        return
    xy = np.array([(s.x_um, s.y_um) for s in spores])
    pairs = cKDTree(xy).query_pairs(LENGTH_UM[1], output_type="ndarray")
    gap = xy[pairs[:, 1]] - xy[pairs[:, 0]]
    way = np.arctan2(gap[:, 1], gap[:, 0])
    reach = _half_way_um(spores, pairs[:, 0], way) + _half_way_um(spores, pairs[:, 1], way)
    pairs = pairs[np.hypot(gap[:, 0], gap[:, 1]) < 1.04 * reach]
    links = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(spores),) * 2)
    group = connected_components(links, directed=False)[1]
    for spore, size in zip(spores, np.bincount(group)[group], strict=True):
        spore.clump = int(size)


def put_spore(rng: Rng, sheet: Sheet, spore: Spore, look: Look, number: int, defocus_um: float) -> None:
    """Lay one spore on the sheet: pigment by depth within, rim against middle by look and defocus."""
    patch = sheet.patch(spore.x_um, spore.y_um, 0.55 * spore.length_um, float(np.radians(spore.angle_deg)))
    if patch is None:
        return
    field = superellipse(patch.u_um, patch.v_um, spore.length_um / 2, spore.width_um / 2, 2.0, look.point)
    level = distance_um(field, sheet.um_per_px)
    rim = float(np.clip(look.rim + 0.25 * defocus_um + 0.12 * rng.normal(), -1, 1))
    edge = np.exp(-((level / look.rim_um) ** 2))
    depth = np.sqrt(np.clip(-field, 0, 1))
    profile = 0.8 + rim * edge - 0.55 * rim * depth + 0.15 * (1 - edge)
    strength = look.density * float(np.exp(look.unevenness * rng.normal()))
    pigment = strength * np.clip(profile, 0.12, 2.0)
    hue = np.array(HUES[look.hue]) * np.exp(0.05 * rng.normal(size=3))
    paint = Paint(tuple(hue.tolist()), pigment, 0.04, (0.6, 0.45, 0.3))
    spore.area_px = sheet.put(patch, level, paint, "spore", number)

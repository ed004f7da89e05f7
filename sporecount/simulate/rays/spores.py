"""Spores: the look of one print's spores, where they lie, and their bodies with wall and contents."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.rays.film import Film
from sporecount.simulate.rays.forms import Field, between

Numbers = NDArray[np.float64]
LENGTH_UM = (8.5, 17.0)
ASPECT = (1.3, 1.8)


@dataclass(frozen=True)
class Look:
    """What the spores of one print have in common."""

    length_um: float
    spread: float
    aspect: float
    wall_um: float
    power: float
    """Of the outline: 0.5 is an ellipse, more is pointed."""
    wall_od: float
    """Density per µm of wall."""
    filling_od: float
    """Density per µm of contents."""
    tint: tuple[float, float, float]
    bend_wall: float
    """Refractive index of the wall over that of the glue."""
    bend_filling: float
    grain: float
    rim: float
    """Share of the darkening by slopes."""
    tips: float
    """Strength of a paler or darker cap at the ends."""


@dataclass
class Spores:
    """Columns of spores; places in pixels of the undistorted photo."""

    x_px: Numbers
    y_px: Numbers
    length_um: Numbers
    width_um: Numbers
    angle: Numbers
    sheet: NDArray[np.int_]

    def __len__(self) -> int:
        return len(self.x_px)


def draw_look(rng: np.random.Generator) -> Look:
    """Draw the spores' look for a print, from pale and glassy to dark brown."""
    brown = rng.beta(1.3, 1.6)
    pale = rng.random() < 0.18
    red = 0.22 + 0.48 * brown + rng.normal(0, 0.05)
    green = 0.62 + 0.26 * brown + rng.normal(0, 0.06)
    strength = between(rng, 0.012, 0.03) if pale else between(rng, 0.035, 0.13)
    return Look(
        length_um=float(np.clip(rng.normal(12.3, 1.6), 9, 16)),
        spread=rng.uniform(0.03, 0.08),
        aspect=rng.uniform(1.4, 1.7),
        wall_um=rng.uniform(0.45, 1.15),
        power=rng.uniform(0.56, 0.86),
        wall_od=strength,
        filling_od=strength * rng.uniform(0, 0.45),
        tint=(float(np.clip(red, 0.2, 1)), float(np.clip(green, 0.5, 1.1)), 1.15),
        bend_wall=between(rng, 0.03, 0.12),
        bend_filling=rng.uniform(-0.015, 0.05),
        grain=rng.uniform(0, 0.7) if rng.random() < 0.4 else 0.0,
        rim=rng.uniform(0.25, 1.0),
        tips=rng.uniform(-0.3, 0.6) if rng.random() < 0.5 else 0.0,
    )


def group_sizes(
    rng: np.random.Generator, number: int, alone: float, mean_group: float, largest: int
) -> list[int]:
    """Split a number of spores in groups; `alone` is the share of groups of one."""
    sizes: list[int] = []
    left = number
    while left > 0:
        size = 1 if rng.random() < alone else int(1 + rng.geometric(1 / max(mean_group - 1, 1.01)))
        sizes.append(min(size, left, largest))
        left -= sizes[-1]
    return sizes


def radius(length: Numbers, width: Numbers, angle: Numbers, towards: Numbers) -> Numbers:
    """Half extent of ellipses in a direction."""
    c, s = np.cos(towards - angle), np.sin(towards - angle)
    return 0.5 * length * width / np.sqrt((width * c) ** 2 + (length * s) ** 2)


def seat(
    rng: np.random.Generator,
    look: Look,
    sizes: list[int],
    view_um: tuple[float, float],
    um_per_px: float,
    pressed: float,
    uneven: float,
) -> Spores:
    """Place groups: members touch, or lie over each other by the share `pressed`; `uneven` crowds the groups."""
    number = sum(sizes)
    length = look.length_um * np.exp(rng.normal(0, look.spread, number))
    odd = rng.random(number) < 0.02
    length[odd] *= rng.uniform(0.8, 1.25, odd.sum())
    length = np.clip(length, *LENGTH_UM)
    width = length / np.clip(rng.normal(look.aspect, 0.055, number), *ASPECT)
    angle = rng.uniform(0, np.pi, number)
    xy = np.zeros((number, 2))
    view = np.array(view_um)
    hubs = rng.uniform(0, 1, (max(1, int(rng.integers(2, 9))), 2)) * view
    at = 0
    for size in sizes:
        if rng.random() < uneven:
            hub = hubs[int(rng.integers(len(hubs)))] + rng.normal(0, 0.11, 2) * view.max()
        else:
            hub = rng.uniform(-6, 6, 2) + rng.uniform(0, 1, 2) * view
        xy[at] = hub
        beside = rng.random() < 0.4
        for k in range(at + 1, at + size):
            best, best_gap = np.zeros(2), -np.inf
            for _ in range(4):
                j = int(rng.integers(at, k))
                if beside:
                    angle[k] = (angle[j] + rng.normal(0, 0.25)) % np.pi
                to = rng.uniform(0, 2 * np.pi)
                one = slice(j, j + 1)
                reach = radius(length[one], width[one], angle[one], np.array([to]))[0]
                own = slice(k, k + 1)
                reach += radius(length[own], width[own], angle[own], np.array([to]))[0]
                lie = rng.uniform(0.35, 0.85) if rng.random() < pressed else rng.uniform(0.93, 1.03)
                spot = xy[j] + reach * lie * np.array([np.cos(to), np.sin(to)])
                gap = np.hypot(*(xy[at:k] - spot).T).min() - (
                    0 if rng.random() < pressed else 1e3 * (lie < 0.9)
                )
                if gap > best_gap:
                    best, best_gap = spot, gap
                if gap > 0.85 * look.length_um / look.aspect:
                    break
            xy[k] = best
        at += size
    # Most lie in the plane of the print, some a little lower or higher.
    sheet = rng.choice(3, number, p=[0.16, 0.6, 0.24])
    return Spores(xy[:, 0] / um_per_px - 0.5, xy[:, 1] / um_per_px - 0.5, length, width, angle, sheet)


def touching(spores: Spores, um_per_px: float) -> NDArray[np.int_]:
    """Size of each spore's touching group."""
    number = len(spores)
    if number == 0:
        return np.zeros(0, int)
    xy = np.stack([spores.x_px, spores.y_px], 1) * um_per_px
    pairs = cKDTree(xy).query_pairs(spores.length_um.max(), output_type="ndarray")
    i, j = pairs[:, 0], pairs[:, 1]
    step = xy[j] - xy[i]
    to = np.arctan2(step[:, 1], step[:, 0])
    reach = radius(spores.length_um[i], spores.width_um[i], spores.angle[i], to)
    reach += radius(spores.length_um[j], spores.width_um[j], spores.angle[j], to)
    close = np.hypot(step[:, 0], step[:, 1]) <= 1.03 * reach
    links = coo_matrix((np.ones(close.sum()), (i[close], j[close])), shape=(number, number))
    _, label = connected_components(links, directed=False)
    return np.bincount(label)[label]


def thickness(u: Field, v: Field, half_long: float, half_wide: float, power: float) -> Field:
    """Thickness of a body of revolution with two pointed ends, 0 outside."""
    wide = half_wide * np.maximum(1 - (u / half_long) ** 2, 0) ** np.float32(power)
    return 2 * np.sqrt(np.maximum(wide * wide - v * v, 0))


def lay_spores(
    rng: np.random.Generator, film: Film, look: Look, spores: Spores, which: NDArray[np.int_]
) -> Numbers:
    """Lay some spores down, the lowest first; return the pixels that each outline covers, 0 for the others."""
    area = np.zeros(len(spores))
    for i in which[np.argsort(spores.sheet[which], kind="stable")]:
        long, wide = float(spores.length_um[i]), float(spores.width_um[i])
        area[i] = _lay(rng, film, look, i, spores, long, wide)
    return area


def _lay(
    rng: np.random.Generator, film: Film, look: Look, i: int, spores: Spores, long: float, wide: float
) -> float:
    pane = film.pane(spores.x_px[i], spores.y_px[i], long / 2 + 1.2, 0.33)
    changes = rng.normal(0, 1, 6)
    if pane is None:
        return 0.0
    u, v = pane.turned(float(spores.angle[i]))
    # A slight bend, its mean taken off so that the centre stays.
    v = v - np.float32(0.035 * wide * changes[0]) * ((u * np.float32(2 / long)) ** 2 - np.float32(0.2))
    power = float(np.clip(look.power + 0.035 * changes[1], 0.52, 0.92))
    outer = thickness(u, v, long / 2, wide / 2, power)
    wall = look.wall_um * float(np.clip(1 + 0.15 * changes[2], 0.6, 1.5))
    inner = thickness(u, v, long / 2 - 1.5 * wall, wide / 2 - wall, power)
    # Small grains in the contents.
    wave = np.cos(u * np.float32(1.5 + 0.2 * changes[3]) + v * np.float32(0.7) + np.float32(9 * changes[5]))
    wave *= np.cos(v * np.float32(2.0 + 0.2 * changes[4]) - u * np.float32(0.6) + np.float32(5 * changes[3]))
    lumps = 1 + np.float32(look.grain) * wave
    ends = 1 + np.float32(look.tips) * np.clip((np.abs(u) * np.float32(2 / long)) - np.float32(0.6), 0, 1) * 2
    shell = outer - inner
    empty = 0.45 if changes[4] > 1.9 else 1.0
    amount = (
        shell * np.float32(look.wall_od) * ends + inner * np.float32(look.filling_od) * lumps
    ) * np.float32(np.exp(0.13 * changes[5]) * empty)
    path = shell * np.float32(look.bend_wall) + inner * np.float32(look.bend_filling * empty)
    body = (outer > 0.02 * wide).astype(np.float32)
    rim = look.rim * film.optics.rim_od
    sheet = int(spores.sheet[i])
    film.lay(pane, sheet, "spore", body, amount, np.array(look.tint), path, rim_od=rim, albedo=0.25, owner=i)
    # The whole outline, also where the scene ends: the area between two pointed arcs.
    q = np.linspace(-1, 1, 201)
    return long * wide * float(np.mean((1 - q**2) ** power)) / film.optics.um_per_px**2

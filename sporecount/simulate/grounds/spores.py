"""The spores: how one print's spores look, where they lie, and which of them touch."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.grounds.slab import PRINT, Array, Scene, egg_distance

LUMA = np.array([0.299, 0.587, 0.114], np.float32)


@dataclass(frozen=True)
class SporeLook:
    """What the spores of one print have in common; density of the inside, and added by wall, middle and halo."""

    length_um: float
    aspect: float
    spread: float
    power: float  # of the outline: 2 is an ellipse, less is a lemon
    body: float
    rim: float
    core: float
    halo: float
    rim_um: float
    grains: float
    tint: Array
    gloss: float

    def area_share(self) -> float:
        """Area of the outline over length times width."""
        return float(quad(lambda s: (1 - s * s) ** (1 / self.power), 0, 1)[0])


def draw_look(rng: np.random.Generator, length_um: tuple[float, float] = (9.4, 15.4)) -> SporeLook:
    """Draw the look of one print's spores, from pale and glassy to dark brown."""
    manner = rng.choice(["amber", "brown", "pale", "glassy"], p=[0.42, 0.25, 0.2, 0.13])
    inks = {
        "amber": (
            rng.uniform(0.12, 0.32),
            rng.uniform(0.08, 0.35),
            rng.uniform((0.3, 0.95, 1.5), (0.7, 1.05, 2.4)),
        ),
        "brown": (
            rng.uniform(0.25, 0.6),
            rng.uniform(0.05, 0.35),
            rng.uniform((0.7, 0.95, 1.1), (0.95, 1.05, 1.5)),
        ),
        "pale": (
            rng.uniform(0.06, 0.14),
            rng.uniform(0.12, 0.3),
            rng.uniform((0.6, 0.95, 1.1), (0.9, 1.0, 1.7)),
        ),
        "glassy": (
            rng.uniform(0.0, 0.07),
            rng.uniform(0.3, 0.6),
            rng.uniform((0.75, 0.95, 1.05), (0.95, 1.05, 1.4)),
        ),
    }
    body, rim, ink = inks[str(manner)]
    tint = np.asarray(ink / (ink @ LUMA), np.float32)
    return SporeLook(
        length_um=float(rng.uniform(*length_um)),
        aspect=float(rng.uniform(1.36, 1.72)),
        spread=float(rng.uniform(0.03, 0.07)),
        power=float(rng.uniform(1.15, 1.75)),
        body=float(body),
        rim=float(rim),
        core=float(rng.choice([-1.0, -0.5, 0.0, 0.4]) * rng.uniform(0.05, 0.6) * body),
        halo=float(rng.uniform(-0.09, 0.05)),
        rim_um=float(rng.uniform(0.5, 1.3)),
        grains=float(max(0.0, rng.uniform(-0.15, 0.2))),
        tint=tint,
        gloss=float(rng.uniform(0, 0.5)),
    )


@dataclass
class Spores:
    """Columns of all spores of a photo; places in um as in `Scene`."""

    x_um: NDArray[np.float64]
    y_um: NDArray[np.float64]
    length_um: NDArray[np.float64]
    width_um: NDArray[np.float64]
    angle: NDArray[np.float64]
    strength: NDArray[np.float64]
    covered: NDArray[np.int64]
    """Pixels that each spore covers, hidden or not; filled as they are laid."""

    def __len__(self) -> int:
        """Count the spores."""
        return len(self.x_um)


def place_spores(
    rng: np.random.Generator,
    look: SporeLook,
    count: int,
    piled: float,
    area_um: tuple[float, float, float, float],
    scale_spots: NDArray[np.float64],
) -> Spores:
    """Scatter spores over an area (x0, y0, width, height), alone, in touching groups and near scales."""
    x0, y0, wide, tall = area_um
    length = np.clip(look.length_um * (1 + look.spread * rng.standard_normal(count)), 8.5, 17)
    aspect = np.clip(look.aspect * (1 + 0.5 * look.spread * rng.standard_normal(count)), 1.3, 1.8)
    angle = rng.uniform(0, np.pi, count)
    x, y = x0 + rng.uniform(0, wide, count), y0 + rng.uniform(0, tall, count)
    if len(scale_spots):
        drawn = rng.random(count) < rng.uniform(0, 0.4)
        spot = scale_spots[rng.integers(len(scale_spots), size=count)] + rng.normal(0, 35, (count, 2))
        x, y = np.where(drawn, spot[:, 0], x), np.where(drawn, spot[:, 1], y)
    k = 1
    tight = rng.uniform(0.5, 0.95)
    while k < count:
        if rng.random() > piled:
            k += 1
            continue
        size = int(min(rng.geometric(rng.uniform(0.06, 0.4)) + 1, count - k, 60))
        for n in range(k, k + size):
            # A pile grows by spores that lean on one of its members.
            parent = int(rng.integers(k - 1, n))
            way = rng.uniform(0, 2 * np.pi)
            off = way - angle[parent]
            half = 0.5 * length[parent] / np.hypot(np.cos(off), look.aspect * np.sin(off))
            far = half * (1 + rng.uniform(tight, 1.1)) * rng.uniform(0.8, 1.02)
            x[n], y[n] = x[parent] + far * np.cos(way), y[parent] + far * np.sin(way)
            if rng.random() < 0.5:
                angle[n] = (angle[parent] + rng.normal(0, 0.35)) % np.pi
        k += size
    x, y = np.clip(x, x0, x0 + wide), np.clip(y, y0, y0 + tall)
    strength = np.exp(rng.normal(0, 0.12, count))
    return Spores(x, y, length, length / aspect, angle, strength, np.zeros(count, np.int64))


def _profile(
    look: SporeLook, u: Array, v: Array, length: float, width: float, phase: float
) -> tuple[Array, ...]:
    """Signed distance, density inside and density outside, at places along and across one spore."""
    distance = egg_distance(u, v, length / 2, width / 2, look.power)
    wall = np.exp(-(((distance + 0.4 * look.rim_um) / look.rim_um) ** 2))
    middle = np.exp(-((u / (0.26 * length)) ** 2) - (v / (0.24 * width)) ** 2)
    poles = np.exp(-((np.abs(u) - 0.27 * length) ** 2 + v**2) / 0.9)
    # Focus above or below the middle of a small lens makes its heart dark or bright.
    od = look.body + look.rim * wall + (look.core - 0.12 * phase) * middle + look.body * look.grains * poles
    halo = (look.halo + 0.05 * phase) * np.exp(-((np.clip(distance, 0, None) / 1.3) ** 2))
    return distance, od.astype(np.float32), halo.astype(np.float32)


def lay_spores(
    scene: Scene, look: SporeLook, spores: Spores, which: range, phase: NDArray[np.float64]
) -> None:
    """Lay some of the spores; `phase` is the focus at each, about -1 to 1."""
    light = scene.light
    for k in which:
        length, width = float(spores.length_um[k]), float(spores.width_um[k])
        patch = scene.patch(float(spores.x_um[k]), float(spores.y_um[k]), 0.5 * length + 3)
        u, v = patch.turned(float(spores.angle[k]))
        distance, od, halo = _profile(look, u, v, length, width, float(phase[k]))
        strength = float(spores.strength[k])
        gloss: Array | float = 0.0
        if light.above > 0.2 and look.gloss > 0.05:
            gx, gy = patch.x_um + 0.2 * width * light.dx, patch.y_um + 0.2 * width * light.dy
            gloss = (look.gloss * light.above * np.exp(-(gx**2 + gy**2) / 1.6)).astype(np.float32)
        spores.covered[k] = scene.lay(
            patch,
            PRINT,
            distance,
            od * strength,
            look.tint,
            "spore",
            outside_od=halo * strength,
            albedo=0.35,
            gloss=gloss,
            relief_um=0.5 * width,
            owner=k,
        )


def shown_contrast(look: SporeLook, scene: Scene, blurs_um: Array) -> Array:
    """Mean luminance density of the mean spore over its surroundings, after each of the blurs.

    Measured on a spore that is laid alone, in the scene's light.
    """
    bare = Scene((97, 97), 0.5, scene.light)
    middle = np.array([24.0])
    length = np.array([look.length_um])
    one = Spores(middle, middle, length, length / look.aspect, np.zeros(1), np.ones(1), np.zeros(1, np.int64))
    lay_spores(bare, look, one, range(1), np.zeros(1))
    picture = (bare.passed[PRINT] + bare.added[PRINT]) @ LUMA
    inside = bare.owner == 0
    shown = []
    for blur in blurs_um:
        soft = cv2.GaussianBlur(picture, (0, 0), max(float(blur) / 0.5, 0.3))
        shown.append(np.log10(np.median(soft[~inside])) - np.log10(soft[inside].clip(1e-3)).mean())
    return np.array(shown, np.float32)


def _reach(spores: Spores, k: NDArray[np.int64], way: NDArray[np.float64]) -> NDArray[np.float64]:
    off = way - spores.angle[k]
    return 0.5 / np.hypot(np.cos(off) / spores.length_um[k], np.sin(off) / spores.width_um[k])


def touching(spores: Spores) -> tuple[NDArray[np.int64], list[tuple[int, int]]]:
    """Size of each spore's touching group, and the pairs that touch."""
    if len(spores) < 2:
        return np.ones(len(spores), np.int64), []
    places = np.stack([spores.x_um, spores.y_um], 1)
    pairs = cKDTree(places).query_pairs(float(spores.length_um.max()), output_type="ndarray").astype(np.int64)
    one, two = pairs[:, 0], pairs[:, 1]
    step = places[two] - places[one]
    way = np.arctan2(step[:, 1], step[:, 0])
    # Half a micrometre apart still looks like touching.
    close = np.hypot(step[:, 0], step[:, 1]) < _reach(spores, one, way) + _reach(spores, two, way) + 0.5
    one, two = one[close], two[close]
    links = coo_matrix((np.ones(len(one)), (one, two)), shape=(len(spores),) * 2)
    label = connected_components(links, directed=False)[1]
    return np.bincount(label)[label].astype(np.int64), list(zip(one.tolist(), two.tolist(), strict=True))


def outline_followed(
    spores: Spores, k: int, owner: NDArray[np.int32], px_um: float, rim_seen: float
) -> float:
    """Share of a spore's outline that can be followed; next to another spore only the rim tells them apart."""
    t = np.linspace(0, 2 * np.pi, 32, endpoint=False)
    c, s = np.cos(spores.angle[k]), np.sin(spores.angle[k])
    rows, cols = owner.shape

    def at(grow_um: float) -> NDArray[np.int32]:
        a, b = 0.5 * spores.length_um[k] + grow_um, 0.42 * spores.width_um[k] + grow_um
        x, y = a * np.cos(t), b * np.sin(t)
        col = np.round((spores.x_um[k] + x * c - y * s) / px_um).astype(int).clip(0, cols - 1)
        row = np.round((spores.y_um[k] + x * s + y * c) / px_um).astype(int).clip(0, rows - 1)
        return owner[row, col]

    mine = at(-max(1.2, 0.8 * px_um)) == k
    other = at(max(1.0, 0.8 * px_um))
    free = (other < 0) | (other == k)
    return float((mine * np.where(free, 1.0, rim_seen)).mean())

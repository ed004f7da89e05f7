"""Butterfly scales: toothed blades with ridges and a stalk, whole, bent, torn, or in flakes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.rays.film import ABOVE, BENEATH, PRINT, Film, Pane
from sporecount.simulate.rays.forms import Points, between, blob, brushed, cloud, plate, rotated, shard

COLOURS = {
    # Density in red, green and blue of a whole blade.
    "orange": (0.07, 0.33, 0.78),
    "tawny": (0.16, 0.36, 0.62),
    "brown": (0.33, 0.52, 0.72),
    "black": (0.78, 0.88, 0.95),
    "white": (0.13, 0.14, 0.16),
    "pale": (0.06, 0.08, 0.13),
    "yellow": (0.03, 0.09, 0.3),
    "grey": (0.3, 0.32, 0.34),
}


@dataclass(frozen=True)
class Blade:
    """What one sort of scale on a print has in common."""

    colour: tuple[float, float, float]
    length_um: float
    width_um: float
    widest: float
    """Where the blade is widest, 0 at the stalk, 1 at the tip."""
    shoulder: float
    teeth: int
    tooth_um: float
    ridge_um: float
    ridge_depth: float
    ribs: float
    mottle: float
    base_pale: float
    thick_um: float
    bend: float
    edge: float


def draw_blade(rng: np.random.Generator) -> Blade:
    """Draw a sort of scale."""
    names = list(COLOURS)
    name = names[int(rng.choice(len(names), p=[0.24, 0.1, 0.16, 0.14, 0.1, 0.12, 0.06, 0.08]))]
    strength = float(np.clip(rng.normal(0.85, 0.28), 0.25, 1.5))
    colour = np.clip(np.array(COLOURS[name]) * strength + rng.normal(0, 0.02, 3), 0.01, 1.6)
    length = float(np.clip(rng.normal(165, 40), 100, 250))
    return Blade(
        colour=(float(colour[0]), float(colour[1]), float(colour[2])),
        length_um=length,
        width_um=float(np.clip(length * rng.uniform(0.3, 0.62), 50, 120)),
        widest=rng.uniform(0.45, 0.85),
        shoulder=rng.uniform(0.32, 0.75),
        teeth=int(rng.choice([0, 1, 3, 4, 5, 6], p=[0.22, 0.1, 0.22, 0.22, 0.14, 0.1])),
        tooth_um=between(rng, 5, 28),
        ridge_um=rng.uniform(1.4, 2.8),
        ridge_depth=rng.uniform(0.1, 0.75),
        ribs=rng.uniform(0, 0.3) if rng.random() < 0.4 else 0.0,
        mottle=rng.uniform(0.02, 0.17),
        base_pale=rng.uniform(0, 0.5),
        thick_um=rng.uniform(1, 2.5),
        bend=rng.uniform(0.01, 0.07),
        edge=rng.uniform(0, 0.5),
    )


def outline(rng: np.random.Generator, blade: Blade, long: float, wide: float) -> Points:
    """Outline along +x, the stalk's end at -long/2, its middle near the origin."""
    q = np.linspace(0, 1, 40) ** 1.7
    # Rises from a rounded base to the widest place, then narrows a little towards the tip.
    rise = np.clip(q / blade.widest, 0, 1)
    fall = np.clip((q - blade.widest) / (1 - blade.widest), 0, 1)
    half = (
        wide
        / 2
        * np.sin(rise * np.pi / 2) ** blade.shoulder
        * (1 - (0.12 + 0.25 * (blade.teeth == 0)) * fall**2)
    )
    half *= 1 + rng.normal(0, 0.012, q.size)
    x = long * (q - 0.5)
    top, bottom = np.stack([x, -half], 1)[1:], np.stack([x, half], 1)[1:]
    end = half[-1]
    if blade.teeth == 0:
        turn = np.linspace(-np.pi / 2, np.pi / 2, 20)[1:-1]
        tip = np.stack([x[-1] + 0.6 * end * np.cos(turn), end * np.sin(turn)], 1)
    else:
        across = np.linspace(-1, 1, 2 * blade.teeth + 1)
        out = np.where(
            np.arange(across.size) % 2 == 1, blade.tooth_um * rng.uniform(0.6, 1.25, across.size), 0.0
        )
        out += blade.tooth_um * 0.7 * (1 - across**2)
        shift = rng.normal(0, 0.08 / blade.teeth, across.size)
        tip = np.stack([x[-1] + out, end * (across + shift)], 1)[1:-1]
    stalk = long * rng.uniform(0.05, 0.12)
    thin = rng.uniform(1.0, 2.2)
    foot = np.array([[x[0], thin], [x[0] - stalk, thin * 0.7], [x[0] - stalk, -thin * 0.7], [x[0], -thin]])
    return np.concatenate([top, tip, bottom[::-1], foot])


def lay_scale(rng: np.random.Generator, film: Film, blade: Blade, x: float, y: float, torn: bool) -> float:
    """Put a scale down; return the share of its blade that was left whole."""
    grow = float(np.clip(rng.normal(1, 0.1), 0.75, 1.25))
    long, wide = blade.length_um * grow, blade.width_um * grow * float(np.clip(rng.normal(1, 0.1), 0.8, 1.2))
    angle = rng.uniform(0, 2 * np.pi)
    shape = outline(rng, blade, long, wide)
    turned = rotated(shape, angle)
    low, high = turned.min(0) - 2, turned.max(0) + 2
    pane = film.pane_of(x, y, (low[0], low[1], high[0], high[1]), 0.75)
    if pane is None:
        return 0.0
    mask = pane.fill(turned)
    left = 1.0
    if torn:
        cut = _tear(rng, long, wide)
        whole = float((mask > 127).sum())
        mask[pane.fill(rotated(cut, angle)) > 127] = 0
        left = float((mask > 127).sum()) / max(whole, 1.0)
    if not mask.any():
        return 0.0
    _lay_blade(rng, film, blade, pane, angle, mask, (long, wide))
    return left


def _tear(rng: np.random.Generator, long: float, wide: float) -> Points:
    """Outline of what is missing: all beyond a jagged line across, or a bite."""
    if rng.random() < 0.4:
        bite = blob(rng, rng.uniform(0.4, 0.9) * wide, 0.8)
        return bite + np.array([rng.uniform(-0.4, 0.5) * long, rng.choice([-1, 1]) * wide * 0.4])
    across = np.linspace(-wide, wide, 24)
    at = rng.uniform(-0.3, 0.4) * long + rng.normal(0, 0.6) * across
    at += np.cumsum(rng.normal(0, wide * 0.035, 24))
    side = float(rng.choice([-1, 1]))
    far = np.array([[side * 2 * long, wide], [side * 2 * long, -wide]])
    return np.concatenate([np.stack([at, across], 1), far])


def lay_piece(rng: np.random.Generator, film: Film, blade: Blade, x: float, y: float, size_um: float) -> None:
    """Put a flake of a scale down, ridges on it."""
    piece = shard(rng, size_um) if rng.random() < 0.6 else blob(rng, size_um, 0.6, rng.uniform(1, 1.9))
    pane = film.pane(x, y, size_um * 0.8 + 1.5, min(0.6, size_um / 18))
    if pane is None:
        return
    mask = pane.fill(piece)
    if mask.any():
        size = blade.length_um, blade.width_um
        _lay_blade(rng, film, blade, pane, rng.uniform(0, np.pi), mask, size, "scale piece")


def _lay_blade(
    rng: np.random.Generator,
    film: Film,
    blade: Blade,
    pane: Pane,
    angle: float,
    mask: NDArray[np.uint8],
    size_um: tuple[float, float],
    kind: str = "scale",
) -> None:
    """Substance of a blade within a mask."""
    long, wide = size_um
    step = pane.step_um
    u, v = pane.turned(angle)
    q = np.clip(u / np.float32(long) + np.float32(0.5), 0, 1)
    shape = (mask.shape[0], mask.shape[1])
    body = mask.astype(np.float32) / 255
    amount = 1 + np.float32(blade.mottle) * cloud(rng, shape, between(rng, 8, 50) / step)
    amount += np.float32(0.8 * blade.mottle) * brushed(rng, shape, 60 / step, max(3 / step, 1.5), angle)
    path = plate(pane.depth(mask), blade.thick_um * blade.bend, 1.2)
    if step < 0.45 * blade.ridge_um:
        # Ridges run together towards the stalk.
        across = v * (1 + np.float32(0.45) * (1 - q) ** 3) + np.float32(rng.uniform(0, 9))
        ridge = np.cos(across * np.float32(2 * np.pi / blade.ridge_um))
        if blade.ribs and step < 0.5:
            ridge += np.float32(blade.ribs) * np.cos(u * np.float32(2 * np.pi / rng.uniform(0.9, 1.6)))
        amount += np.float32(0.45 * blade.ridge_depth) * ridge
        path += body * ridge * np.float32(0.35 * blade.bend * blade.ridge_depth)
    amount *= 1 - np.float32(blade.base_pale) * (1 - q) ** 2
    near = pane.depth(mask)
    amount += np.float32(blade.edge) * np.exp(-near / 1.3)
    if rng.random() < 0.25:
        # A crease where the blade was bent.
        way = rng.normal(0, 0.7)
        line = (
            u * np.float32(np.cos(way))
            + v * np.float32(np.sin(way))
            - np.float32(rng.uniform(-0.3, 0.3) * long)
        )
        line += np.float32(wide * 0.03) * cloud(rng, shape, 25 / step)
        amount += np.float32(rng.uniform(0.15, 0.6)) * np.exp(
            -((line / np.float32(between(rng, 0.8, 3))) ** 2)
        )
    sheet = PRINT if rng.random() < 0.65 else int(rng.choice([BENEATH, ABOVE]))
    albedo = 0.75 if min(blade.colour) < 0.3 else 0.45
    film.lay(
        pane, sheet, kind, body, np.maximum(amount, 0.08) * body, np.array(blade.colour), path, albedo=albedo
    )

"""Everything on a print that is no spore: scales, their pieces, dust, drops, pollen, mould, threads, bubbles."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.lamps.bench import Bench, Patch, clouds
from sporecount.simulate.lamps.style import Array, log_uniform

SCALE_TINTS = {
    "black": (1.0, 1.05, 1.1),
    "brown": (0.4, 0.65, 0.9),
    "orange": (0.08, 0.42, 1.0),
    "yellow": (0.04, 0.14, 0.75),
    "white": (0.06, 0.07, 0.09),
    "grey": (0.35, 0.37, 0.4),
}
DUST_TINTS = (
    (0.9, 0.95, 1.0),  # soot
    (0.3, 0.5, 0.8),  # soil
    (0.12, 0.3, 0.75),  # rust and resin
    (0.5, 0.2, 0.7),  # plant crumbs
    (0.12, 0.13, 0.15),  # glassy grains
    (0.5, 0.45, 0.2),  # dyed lint
    (0.06, 0.16, 0.6),  # wax
)

DUST_SHARES = (0.25, 0.25, 0.18, 0.06, 0.14, 0.03, 0.09)


@dataclass(frozen=True)
class Spot:
    """Where a body goes: the bench, the place on it, and the lens effect there."""

    bench: Bench
    x: float
    y: float
    focus: float = 0.0

    def put(
        self,
        kind: str,
        inside: Array,
        amount: NDArray[np.floating],
        tint: Array | Sequence[float],
        height_um: NDArray[np.floating],
        glass: tuple[float, float, float],
    ) -> bool:
        """Lay a body of the given amount of pigment; `glass` is its bend, white and gloss."""
        density = (amount[..., None] * np.asarray(tint, np.float32)).astype(np.float32)
        rows, cols = inside.shape
        patch = Patch(density, np.asarray(height_um, np.float32), inside, *map(float, glass))
        top, left = round(self.y) - rows // 2, round(self.x) - cols // 2
        return self.bench.lay(patch, top, left, kind, focus=self.focus)

    def grid(self, reach_um: float, turn: float) -> tuple[Spot, Array, Array]:
        """Coordinates in um, turned by `turn`, where a square patch meets the bench; and its middle."""
        half = int(reach_um / self.bench.px_um) + 3
        ends = ((self.x, self.bench.gain.shape[1]), (self.y, self.bench.gain.shape[0]))
        x, y = (np.arange(max(round(at) - half, -8), min(round(at) + half, end + 8) + 1) for at, end in ends)
        du = ((x - round(self.x)) * self.bench.px_um).astype(np.float32)[None]
        dv = ((y - round(self.y)) * self.bench.px_um).astype(np.float32)[:, None]
        c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
        left = replace(self, x=int(x[x.size // 2]), y=int(y[y.size // 2]))
        return left, du * c + dv * s, dv * c - du * s


def _brown(rng: np.random.Generator, red: tuple[float, float], green: tuple[float, float]) -> Sequence[float]:
    return float(rng.uniform(*red)), float(rng.uniform(*green)), 1.0


def _edge(depth_um: NDArray[np.floating], px_um: float) -> Array:
    return np.clip(depth_um / np.float32(px_um) + 0.5, 0, 1).astype(np.float32)


def lay_scale(rng: np.random.Generator, spot: Spot, sort: int, piece_um: float | None = None) -> bool:
    """Lay a scale, or a piece of one of about `piece_um` across; whether it lies there whole or nearly so.

    `sort` is the seed of everything that one print's scales of a sort have in common.
    """
    px, common = spot.bench.px_um, np.random.default_rng(sort)
    name = str(common.choice(list(SCALE_TINTS), p=[0.24, 0.2, 0.26, 0.1, 0.12, 0.08]))
    tint = (np.array(SCALE_TINTS[name]) * np.exp(common.normal(0, 0.12, 3))).astype(np.float32)
    dark = log_uniform(common, *{"black": (0.5, 1.4), "white": (0.5, 2.5)}.get(name, (0.25, 1.0)))
    white = common.uniform(0.2, 0.5) if name in ("white", "yellow", "grey") else common.uniform(0.04, 0.25)
    ridge_um, ridged = common.uniform(1.6, 3.4), common.uniform(0.1, 0.6)
    teeth, tooth_um = int(common.integers(0, 8)), common.uniform(4, 26)
    fade = common.uniform(-0.4, 0.6)
    long = common.uniform(110, 230) * np.exp(rng.normal(0, 0.1))
    wide = common.uniform(55, 110) * np.exp(rng.normal(0, 0.1))
    turn = rng.uniform(0, 2 * np.pi)
    from_middle = (0.0, 0.0)
    if piece_um is not None:
        from_middle = (float(rng.uniform(-0.35, 0.5) * long), float(rng.uniform(-0.45, 0.45) * wide))
    spot, along, across = spot.grid(long * 0.58 if piece_um is None else piece_um * 0.75, turn)
    u, v = along + from_middle[0], across + from_middle[1]
    v = v + rng.normal(0, 0.12) * u**2 / long
    share = u / long + 0.5
    grows = 1 - (1 - np.clip((share - 0.06) / rng.uniform(0.35, 0.8), 0, 1)) ** rng.uniform(2, 3.2)
    half = np.maximum(wide / 2 * grows * (1 - rng.uniform(0, 0.25) * share**3), 2.2)
    jagged = np.abs(((v / wide + 0.5) * teeth + rng.uniform()) % 1 - 0.5) * 2 if teeth else 0.0
    end = long * 0.5 - tooth_um * jagged - rng.uniform(0.1, 0.35) * wide * (2 * v / wide) ** 2
    depth = np.minimum(np.minimum(half - np.abs(v), end - u), u + long * 0.5)
    torn = False
    if piece_um is not None:
        wobble = clouds(rng, depth.shape, max(2.0, piece_um / 5 / px)) * np.float32(0.07 * piece_um)
        sides = int(rng.integers(3, 6))
        bearing = (
            rng.uniform(0, 2 * np.pi) + np.arange(sides) * 2 * np.pi / sides + rng.normal(0, 0.25, sides)
        )
        for b in bearing:
            depth = np.minimum(
                depth, rng.uniform(0.25, 0.55) * piece_um - along * np.cos(b) - across * np.sin(b) + wobble
            )
    elif rng.random() < 0.35:
        torn = rng.random() < 0.4
        b, cut = rng.uniform(0, 2 * np.pi), rng.uniform(-0.1, 0.1) if torn else rng.uniform(0.2, 0.4)
        wobble = clouds(rng, depth.shape, max(2.0, 14 / px)) * np.float32(5)
        depth = np.minimum(depth, cut * long - u * np.cos(b) - v * np.sin(b) + wobble)
    inside = _edge(depth, px)
    if inside.max() < 0.5:
        return False
    shown = np.exp(-(((1.2 * px) / ridge_um) ** 2) * 2)
    ridges = np.cos(2 * np.pi * v / ridge_um + rng.uniform(0, 6)) * ridged * shown
    cross = (
        clouds(rng, depth.shape, max(1.5, 2.5 / px)) * 0.08 + clouds(rng, depth.shape, max(2, 20 / px)) * 0.12
    )
    amount = dark * np.exp(rng.normal(0, 0.12)) * (1 + fade * (share - 0.5))
    amount = amount * np.clip(1 + 0.5 * ridges + cross, 0.2, 2) + 0.12 * np.exp(-((depth / 1.2) ** 2))
    kind = "scale" if piece_um is None and not torn else "scale piece"
    kept = spot.put(kind, inside, amount * inside, tint, inside * (0.9 + 0.25 * ridges), (0.6, white, 0.15))
    return kept and kind == "scale"


def _dust_tint(rng: np.random.Generator) -> Array:
    tint = np.array(DUST_TINTS[int(rng.choice(len(DUST_TINTS), p=DUST_SHARES))])
    return (tint * np.exp(rng.normal(0, 0.15, 3))).astype(np.float32)


def lay_grain(rng: np.random.Generator, spot: Spot) -> bool:
    """Lay an angular splinter: flat faces and straight edges, of mineral, soot, resin or plant."""
    across_um = float(np.clip(5.5 * np.exp(rng.normal(0, 0.6)), 1.2, 32))
    px = spot.bench.px_um
    spot, u, v = spot.grid(across_um * 0.9, rng.uniform(0, np.pi))
    sides = int(rng.integers(3, 8))
    stretch = rng.uniform(0.45, 1.0)
    depth = np.full_like(u, across_um)
    for b in (np.arange(sides) + rng.uniform(-0.35, 0.35, sides)) * 2 * np.pi / sides:
        face = rng.uniform(0.32, 0.55) * across_um
        depth = np.minimum(depth, (face - u * np.cos(b) - v * np.sin(b) / stretch) * np.sqrt(stretch))
    inside = _edge(depth, px)
    slope = rng.normal(0, 0.4, 2) / across_um
    flat = np.clip(1 + slope[0] * u + slope[1] * v, 0.3, 1.7)
    flat = flat * (1 + 0.25 * clouds(rng, u.shape, max(1.5, 0.2 * across_um / px)))
    glass = (rng.uniform(0.3, 1.5), rng.uniform(0, 0.35), rng.uniform(0, 1))
    amount = inside * flat * log_uniform(rng, 0.15, 1.6)
    return spot.put("dust", inside, amount, _dust_tint(rng), np.clip(depth, 0, 0.25 * across_um) * 0.9, glass)


def lay_crumb(rng: np.random.Generator, spot: Spot) -> bool:
    """Lay a ragged lump, or a few specks together, without any rim."""
    across_um = float(np.clip(7 * np.exp(rng.normal(0, 0.55)), 1.5, 45))
    px = spot.bench.px_um
    spot, u, v = spot.grid(across_um * 0.9, rng.uniform(0, np.pi))
    depth = 0.5 * across_um * rng.uniform(0.5, 0.95) - np.hypot(u, v / rng.uniform(0.4, 1))
    ragged = clouds(rng, (depth.shape[0], depth.shape[1]), max(1.5, across_um * rng.uniform(0.12, 0.35) / px))
    depth += np.clip(ragged, -2, 2) * np.float32(0.14 * across_um)
    inside = _edge(depth, px)
    grains = np.exp(0.35 * clouds(rng, depth.shape, max(1.5, 0.9 / px)))
    amount = inside * grains * np.clip(0.4 + depth / (0.3 * across_um), 0, 1.4) * log_uniform(rng, 0.12, 1.2)
    glass = (rng.uniform(0, 0.8), rng.uniform(0.02, 0.3), 0.1)
    return spot.put("dust", inside, amount, _dust_tint(rng), np.clip(depth, 0, 2.5) * 0.6, glass)


def lay_droplet(rng: np.random.Generator, spot: Spot) -> bool:
    """Lay a round, even drop of brown, yellow or clear fluid, sometimes run together with a second one."""
    radius = float(np.clip(4.5 * np.exp(rng.normal(0, 0.5)), 1.2, 24))
    spot, u, v = spot.grid(radius * 2.4, rng.uniform(0, np.pi))
    ball = radius**2 - u**2 - v**2
    if rng.random() < 0.25:
        apart = radius * rng.uniform(0.5, 1.2)
        ball = np.maximum(ball, (radius * rng.uniform(0.35, 0.95)) ** 2 - (u - apart) ** 2 - v**2)
    dome = np.sqrt(np.clip(ball, 0, None))
    amount = dome / radius * log_uniform(rng, 0.04, 0.9)
    glass = (rng.uniform(0.3, 1.2), rng.uniform(0, 0.06), rng.uniform(0.3, 1))
    tint = _brown(rng, (0.05, 0.6), (0.25, 0.8))
    inside = _edge(ball / (2 * radius), spot.bench.px_um)
    return spot.put("other", inside, amount, tint, dome * rng.uniform(0.3, 1), glass)


def lay_pollen(rng: np.random.Generator, spot: Spot) -> bool:
    """Lay a round grain: with spines, with three pores, or with a net on its wall."""
    radius = float(np.clip(9 * np.exp(rng.normal(0, 0.4)), 4, 24))
    px = spot.bench.px_um
    spot, u, v = spot.grid(radius * 1.4, rng.uniform(0, np.pi))
    out, turn = np.hypot(u, v), np.arctan2(v, u)
    manner = str(rng.choice(["spines", "pores", "net"]))
    rim = np.full(out.shape, radius, np.float32)
    if manner == "spines":
        rim += rng.uniform(0.1, 0.22) * radius * np.clip(np.cos(rng.integers(12, 22) * turn), 0, 1) ** 3
    if manner == "pores":
        rim -= rng.uniform(0.08, 0.2) * radius * np.clip(np.cos(3 * turn), 0, 1) ** 6
    depth = rim - out
    inside = _edge(depth, px)
    dome = np.sqrt(np.clip(1 - (out / rim) ** 2, 0, 1))
    wall = np.exp(-(((depth - 0.08 * radius) / (0.09 * radius + 0.3)) ** 2))
    amount = inside * (0.5 + 0.5 * dome + rng.uniform(0.3, 1.2) * wall) * log_uniform(rng, 0.1, 0.7)
    if manner != "pores":
        net = clouds(rng, out.shape, max(1.5, rng.uniform(0.12, 0.25) * radius / px))
        amount = amount * np.clip(1 + 0.35 * net, 0, 2)
    glass = (0.8, rng.uniform(0.05, 0.3), 0.3)
    return spot.put(
        "pollen", inside, amount, _brown(rng, (0.03, 0.2), (0.12, 0.5)), dome * radius * 0.7, glass
    )


def lay_mould(rng: np.random.Generator, spot: Spot) -> bool:
    """Lay mould spores: a chain or heap of small beads, or a long spindle with cross walls."""
    px = spot.bench.px_um
    tint, dark = _brown(rng, (0.5, 0.9), (0.55, 0.9)), log_uniform(rng, 0.08, 0.6)
    glass = (0.8, 0.03, 0.2)
    if rng.random() < 0.35:
        long, wide = rng.uniform(18, 42), rng.uniform(4.5, 9)
        spot, u, v = spot.grid(long * 0.6, rng.uniform(0, 2 * np.pi))
        half = wide / 2 * np.sqrt(np.clip(1 - (2 * u / long) ** 2, 0, 1)) * (1 + 0.5 * u / long)
        depth = np.where(half > 0, half - np.abs(v), -1.0).astype(np.float32)
        inside = _edge(depth, px)
        walls = np.exp(-((np.abs((u / long * rng.integers(4, 8) + 0.5) % 1 - 0.5) * 6) ** 2))
        amount = inside * (0.7 + 0.9 * walls + np.exp(-((depth / 0.8) ** 2))) * dark
        return spot.put("other", inside, amount, tint, np.clip(depth, 0, 3), glass)
    radius, turn = rng.uniform(1.2, 2.6), rng.uniform(0, 2 * np.pi)
    spot, u, v = spot.grid(radius * 1.5, 0)
    dome = np.sqrt(np.clip(1 - (u**2 + v**2) / radius**2, 0, 1))
    inside = _edge(radius - np.hypot(u, v), px)
    chain, laid = rng.random() < 0.5, False
    for _ in range(int(rng.integers(2, 14))):
        laid |= spot.put("other", inside, inside * (1.2 - 0.6 * dome) * dark, tint, dome * radius, glass)
        turn = turn + rng.normal(0, 0.35) if chain else rng.uniform(0, 2 * np.pi)
        step = radius * rng.uniform(1.7, 2.1) / px
        spot = replace(spot, x=spot.x + step * np.cos(turn), y=spot.y + step * np.sin(turn))
    return laid


def lay_bubble(rng: np.random.Generator, spot: Spot) -> bool:
    """Lay an air bubble in the glue: no pigment, a broad black rim from below, a ring of gloss from above."""
    radius = float(np.clip(7 * np.exp(rng.normal(0, 0.6)), 1.8, 60))
    stretch = rng.uniform(0.75, 1.0)
    spot, u, v = spot.grid(radius * 1.3, rng.uniform(0, np.pi))
    out = np.hypot(u, v / stretch) / radius
    inside = _edge((1 - out) * radius * stretch, spot.bench.px_um)
    lost = np.exp(-((np.clip(1 - out, 0, 1) / rng.uniform(0.12, 0.45)) ** 2)) * rng.uniform(0.3, 1.4)
    lost = inside * (lost * (0.25 + 0.75 * spot.bench.light.below) + 0.01)
    height = np.sqrt(np.clip(1 - out**2, 0, 1)) * radius * rng.uniform(0.2, 0.6)
    return spot.put("bubble", inside, lost, (1, 1, 1), height, (-0.6, 0.02, 1.0))


def lay_thread(rng: np.random.Generator, spot: Spot, kind: str) -> bool:
    """Lay a long insect "hair", a "stub" broken off one, or a paper or cotton "fibre"."""
    px, size = spot.bench.px_um, np.array(spot.bench.gain.shape[::-1])
    hair = kind != "fibre"
    half_um = rng.uniform(1.2, 3.5) if hair else rng.uniform(3, 11)
    if kind == "stub":
        half_um = rng.uniform(0.7, 2.0)
    # A stub is four times as long as wide or more.
    lengths = {"hair": (60, 500), "stub": (6 * half_um, 20 * half_um), "fibre": (150, 1500)}
    long = log_uniform(rng, *lengths[kind]) / px
    t = np.linspace(-0.5, 0.5, 60)
    turn = rng.uniform(0, 2 * np.pi) + rng.normal(0, 0.5 if hair else 1.6) * t
    turn += (0 if hair else 0.5) * np.sin(rng.uniform(4, 14) * t + rng.uniform(0, 6))
    line = np.stack([np.cumsum(np.cos(turn)), np.cumsum(np.sin(turn))], axis=1) * long / len(t)
    line += np.array([spot.x, spot.y]) - line[30]
    room = half_um * 1.7 / px + 6
    low = np.floor(np.maximum(line.min(axis=0) - room, -room)).astype(int)
    high = np.ceil(np.minimum(line.max(axis=0) + room, size + room)).astype(int)
    if (high <= low + 2).any():
        return False
    canvas = np.full((high[1] - low[1], high[0] - low[0]), 255, np.uint8)
    cv2.polylines(canvas, [np.round((line - low) * 16).astype(np.int32)], False, 0, 1, cv2.LINE_8, 4)
    off = np.asarray(cv2.distanceTransform(canvas, cv2.DIST_L2, 5) * px, np.float32)
    half = half_um * np.exp(rng.uniform(0, 0.15 if hair else 0.35) * clouds(rng, off.shape, max(4, 60 / px)))
    depth = half - off
    inside = _edge(depth, px)
    tint: Sequence[float] = _brown(rng, (0.3, 0.95), (0.5, 0.95))
    if not hair and rng.random() < 0.75:
        tint = (1.0, 1.0, 1.0)
    strong = log_uniform(rng, 0.15, 1.0) if hair else log_uniform(rng, 0.02, 0.35)
    amount = strong * (1 + 0.3 * clouds(rng, off.shape, max(2, 5 / px)))
    amount = inside * (amount + rng.uniform(0.05, 0.4) * np.exp(-((depth / (0.2 * half_um + 0.3)) ** 2)))
    height = np.sqrt(np.clip(half**2 - off**2, 0, None)) * (0.8 if hair else 0.4)
    spot = replace(spot, x=int(low[0]) + canvas.shape[1] // 2, y=int(low[1]) + canvas.shape[0] // 2)
    return spot.put(
        "hair" if hair else kind,
        inside,
        amount,
        tint,
        height,
        (rng.uniform(0.4, 1.2), rng.uniform(0.02, 0.25), 0.3),
    )


SMALL: dict[str, Callable[[np.random.Generator, Spot], bool]] = {
    "grain": lay_grain,
    "crumb": lay_crumb,
    "droplet": lay_droplet,
    "pollen": lay_pollen,
    "mould": lay_mould,
    "stub": partial(lay_thread, kind="stub"),
    "bubble": lay_bubble,
}
"""How each small thing is laid; `Style.things` says how many."""

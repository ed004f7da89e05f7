"""Portraits of small things: spores, pollen, droplets, bubbles, dust, flakes, mould."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np

from sporecount.simulate.stamps.plan import log_uniform
from sporecount.simulate.stamps.sheet import Array, Sprite

FOCUS_STAGES = 5


def _waves(rng: np.random.Generator, shape: tuple[int, int], cell: float) -> Array:
    if cell > 24:
        # Large waves need few points: draw them small, cut, and grow.
        grow = int(cell / 12)
        small = _waves(rng, (shape[0] // grow + 2, shape[1] // grow + 2), cell / grow)
        big = cv2.resize(small, None, fx=grow, fy=grow, interpolation=cv2.INTER_LINEAR)
    else:
        coarse = (int(shape[0] / cell) + 3, int(shape[1] / cell) + 3)
        size = (int(coarse[1] * cell) + 1, int(coarse[0] * cell) + 1)
        big = cv2.resize(rng.normal(0, 1, coarse).astype(np.float32), size, interpolation=cv2.INTER_CUBIC)
    return big[: shape[0], : shape[1]]


def mottle(rng: np.random.Generator, shape: tuple[int, int], cell_px: float, octaves: int = 1) -> Array:
    """Smooth noise of standard deviation near 1."""
    total = sum(0.6**k * _waves(rng, shape, max(cell_px / 2**k, 1.0)) for k in range(octaves))
    return np.asarray(total / max(float(np.std(total)), 1e-6), np.float32)


def hue(rng: np.random.Generator, red: float, green: float, blue: float, spread: float = 0.12) -> Array:
    """Optical density per channel with a luma of one, a little off the one asked for."""
    od = np.array([red, green, blue]) * np.exp(rng.normal(0, spread, 3))
    return (od / (od @ [0.3, 0.59, 0.11])).astype(np.float32)


def polar_body(
    outline_um: Callable[[Array], Array], reach_um: float, um_per_px: float
) -> tuple[Array, Array, Array, Array]:
    """Draw a star-shaped outline: cover, depth inside (µm, negative outside), share of the radius, direction."""
    half = int(np.ceil(reach_um / um_per_px))
    v, u = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float32) * np.float32(um_per_px)
    theta = np.arctan2(v, u)
    table = np.linspace(-np.pi, np.pi, 721)
    radius = np.interp(theta, table, outline_um(table)).astype(np.float32)
    share = np.hypot(u, v) / radius
    inside = (share < 1).astype(np.uint8)
    depth = cv2.distanceTransform(inside, cv2.DIST_L2, 5) - cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5)
    cover = np.clip(depth + 0.5, 0, 1).astype(np.float32)
    return cover, depth * np.float32(um_per_px), share, theta


def to_sprite(light: Array, cover: Array, um_per_px: float, length: float, width: float, fine: int) -> Sprite:
    """Pack what a thing lets through (three channels) and its cover."""
    taken = np.dstack([1 - np.clip(light, 0.005, 1.6), cover]).astype(np.float32)
    return Sprite(taken, um_per_px, length, width, fine)


@dataclass
class SporeFamily:
    """The spores of one print: outlines that resemble each other, one wall, one colour, five states of focus."""

    rng: np.random.Generator
    um_per_px: float
    fine: int
    from_above: bool
    look: dict[str, float] = field(init=False)
    colour: Array = field(init=False)
    shapes: list[tuple[float, float, float, float, float]] = field(init=False)
    _made: dict[tuple[int, int], Sprite] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        rng = self.rng
        sort = str(rng.choice(["amber", "brown", "pale"], p=[0.45, 0.35, 0.2]))
        tones = {"amber": (0.4, 1.0, 2.0), "brown": (0.65, 1.0, 1.4), "pale": (0.8, 1.0, 1.15)}
        self.colour = hue(rng, *tones[sort])
        strength = log_uniform(rng, 0.5, 1.7) * (0.55 if sort == "pale" else 1.0)
        middle = str(rng.choice(["bright", "dark", "even"], p=[0.5, 0.2, 0.3]))
        self.look = {
            "length_um": float(rng.uniform(9.3, 15.7)),
            "aspect": float(rng.uniform(1.36, 1.74)),
            "spread": float(rng.uniform(0.03, 0.075)),
            "rim": strength * rng.uniform(0.22, 0.5),
            "body": strength * rng.uniform(0.08, 0.36),
            "wall_um": float(rng.uniform(0.45, 1.15)),
            "dip": float(rng.uniform(0.1, 0.75)),
            "dip_at": float(rng.uniform(1.6, 2.6)),
            "middle": strength * {"bright": -0.14, "dark": 0.22, "even": 0.0}[middle] * rng.uniform(0.4, 1),
            "middle_size": float(rng.uniform(0.25, 0.5)),
            "grain": float(rng.uniform(0.0, 0.22)),
            "lensing": float(rng.uniform(0.05, 0.4)),
            "tip": float(rng.uniform(0.55, 0.84)),
            "swell": float(rng.uniform(1.8, 2.4)),
        }
        look = self.look
        self.shapes = []
        for _ in range(int(rng.integers(12, 31))):
            length = float(np.clip(look["length_um"] * rng.normal(1, look["spread"]), 8.6, 16.8))
            aspect = float(np.clip(look["aspect"] * rng.normal(1, 0.04), 1.31, 1.79))
            tip = float(np.clip(look["tip"] + rng.normal(0, 0.04), 0.52, 0.9))
            wall = look["wall_um"] * float(rng.uniform(0.75, 1.3))
            paler = float(rng.uniform(0.85, 1.15)) * (0.55 if rng.random() < 0.06 else 1.0)
            self.shapes.append((length, length / aspect, tip, wall, paler))

    def portrait(self, shape: int, stage: int) -> Sprite:
        """Portrait of one of the shapes in one of the states of focus."""
        key = (shape, stage)
        if key not in self._made:
            self._made[key] = self._draw(shape, (stage / (FOCUS_STAGES - 1) - 0.5) * 2)
        return self._made[key]

    def _draw(self, shape: int, focus: float) -> Sprite:
        length, width, tip, wall, paler = self.shapes[shape]
        look = self.look
        rng = np.random.default_rng(1000 + shape)
        t = np.cos(np.linspace(0, np.pi, 400))
        lop, lump = rng.normal(0, [0.04, 0.012])

        def outline(theta: Array) -> Array:
            # Half width falls from the middle to the tips; the exponent makes them round or pointed.
            half = width / 2 * (1 - np.abs(t) ** look["swell"]) ** tip * (1 + lop * t)
            x = length / 2 * t
            way = np.arctan2(half, x)
            far = np.hypot(half, x)
            return np.interp(np.abs(theta), way, far) * (1 + lump * np.cos(3 * theta))

        cover, depth, share, theta = polar_body(outline, length / 2 + 2.5, self.um_per_px)
        od = look["body"] + (look["rim"] - look["body"]) * np.exp(
            -((np.maximum(depth - 0.1 * wall, 0) / wall) ** 2)
        )
        od -= look["body"] * look["dip"] * np.exp(-(((depth - look["dip_at"] * wall) / (0.8 * wall)) ** 2))
        od += look["middle"] * np.exp(-((share / look["middle_size"]) ** 2))
        od *= paler * (1 + look["grain"] * mottle(rng, od.shape, 0.9 / self.um_per_px, 2))
        # One flank of the wall looks a little thicker: the lamp is seldom quite central.
        od *= 1 + 0.12 * np.cos(theta - rng.uniform(-np.pi, np.pi)) * (depth < 2 * wall)
        light = 10 ** (-np.maximum(od, 0.0)[..., None] * cover[..., None] * self.colour)
        bend = look["lensing"] * (0.3 if self.from_above else 1.0)
        shine = bend * (0.25 + focus) * np.exp(-((share / 0.5) ** 2)) * cover
        # The lens above or below focus: a halo of the other sign around the body.
        halo = 0.45 * bend * (0.35 - focus) * np.exp(-(((depth + 0.7) / 0.6) ** 2)) * (1 - cover)
        light *= (1 + shine + halo)[..., None]
        return to_sprite(light, cover, self.um_per_px, length, width, self.fine)


def _ragged(
    rng: np.random.Generator, radius: float, rough: float, squash: float = 1.0, most: int = 12
) -> Callable:
    waves = [(k, rng.normal(0, rough / k**0.8), rng.uniform(0, 6.3)) for k in range(2, most)]

    def outline(theta: Array) -> Array:
        r = np.ones_like(theta)
        for k, high, phase in waves:
            r += high * np.cos(k * theta + phase)
        return radius * np.clip(r, 0.3, 2.2) / np.hypot(np.cos(theta), np.sin(theta) / squash)

    return outline


def pollen(rng: np.random.Generator, px: float, fine: int, small: bool) -> Sprite:
    """Draw a round grain, smooth or with spines, often with three furrows."""
    radius = log_uniform(rng, 4.2, 9) if small else log_uniform(rng, 8, 19)
    spines = int(rng.integers(14, 30)) if rng.random() < 0.45 else 0
    lobes = rng.uniform(0, 0.06) * (rng.random() < 0.5)
    squash = rng.uniform(0.86, 1.0)

    def outline(theta: Array) -> Array:
        r = radius * (1 + lobes * np.cos(3 * theta)) / np.hypot(np.cos(theta), np.sin(theta) / squash)
        return r + (0.13 * radius * np.abs(np.cos(spines * theta / 2)) ** 4 if spines else 0)

    cover, depth, share, theta = polar_body(outline, 1.35 * radius, px)
    colour = hue(rng, *((0.15, 0.6, 2.6) if rng.random() < 0.6 else (0.6, 0.9, 1.6)))
    wall = rng.uniform(0.6, 1.8)
    od = rng.uniform(0.08, 0.45) * (
        0.6 + rng.uniform(0.4, 1.6) * np.exp(-((np.maximum(depth, 0) / wall) ** 2))
    )
    od *= 1 + rng.uniform(0.05, 0.35) * mottle(rng, od.shape, rng.uniform(0.8, 2.5) / px)
    if rng.random() < 0.4:
        od *= 1 - 0.5 * np.exp(-(((np.abs(np.cos(1.5 * theta)) - 1) / 0.15) ** 2)) * (share > 0.35)
    light = 10 ** (-np.maximum(od, 0)[..., None] * cover[..., None] * colour)
    light *= (1 + rng.uniform(0, 0.3) * np.exp(-((share / 0.4) ** 2)) * cover)[..., None]
    return to_sprite(light, cover, px, 2 * radius, 2 * radius * squash, fine)


def droplet(rng: np.random.Generator, px: float, fine: int, small: bool) -> Sprite:
    """Draw a brown or yellow droplet: smooth, a lens with a bright middle and a dark edge."""
    radius = log_uniform(rng, 3.5, 9) if small else log_uniform(rng, 3, 22)
    squash = rng.uniform(0.75, 1.0)
    cover, depth, share, theta = polar_body(_ragged(rng, radius, 0.012, squash), 1.15 * radius + 1.5, px)
    colour = hue(rng, *((0.2, 0.7, 2.4) if rng.random() < 0.5 else (0.55, 1.0, 1.5)))
    thick = np.sqrt(np.clip(1 - share**2, 0, 1))
    od = rng.uniform(0.05, 0.5) * thick + rng.uniform(0.1, 0.6) * np.exp(-(np.maximum(depth, 0) / 0.9))
    light = 10 ** (-od[..., None] * cover[..., None] * colour)
    way = rng.uniform(0, 6.3)
    off = share**2 + 0.16 - 0.8 * share * np.cos(theta - way)
    light *= (1 + rng.uniform(0.1, 0.6) * np.exp(-off / rng.uniform(0.04, 0.3)) * cover)[..., None]
    return to_sprite(light, cover, px, 2 * radius, 2 * radius * squash, fine)


def bubble(rng: np.random.Generator, px: float, fine: int, small: bool) -> Sprite:
    """Air in the glue: a dark ring, bright within, clear in the middle; large ones are flat and lobed."""
    radius = log_uniform(rng, 3.5, 9) if small else log_uniform(rng, 4, 60)
    # Few would choose a view that one bubble fills.
    radius = min(radius, 80 * px * fine)
    lobed = 0.06 if radius > 20 else 0.01
    cover, depth, _, theta = polar_body(
        _ragged(rng, radius, lobed * rng.uniform(0.3, 1.5), rng.uniform(0.8, 1), 6), 1.4 * radius + 2, px
    )
    band = radius * rng.uniform(0.08, 0.3) if radius < 15 else rng.uniform(1, 5)
    od = rng.uniform(0.25, 1.0) * np.exp(-(((depth - 0.5 * band) / (0.55 * band)) ** 2))
    side = 1 + rng.uniform(0, 0.5) * np.cos(theta - rng.uniform(0, 6.3))
    bright = rng.uniform(0.05, 0.35) * np.exp(-(((depth - 1.9 * band) / (0.7 * band)) ** 2)) * (depth > 0)
    bright += rng.uniform(0, 0.15) * np.exp(-(((depth + 0.8) / 0.7) ** 2)) + rng.uniform(0, 0.1) * cover
    light = (10 ** -(od * side) * (1 + bright))[..., None] * np.ones(3, np.float32)
    return to_sprite(light, cover, px, 2 * radius, 2 * radius, fine)


def dust(rng: np.random.Generator, px: float, fine: int, small: bool) -> Sprite:
    """Soot, soil, crumbs: ragged, from black to clear."""
    radius = log_uniform(rng, 2.5, 6.5) if small else log_uniform(rng, 0.8, 11)
    cover, depth, _, _ = polar_body(
        _ragged(rng, radius, rng.uniform(0.06, 0.2), rng.uniform(0.45, 1)), 2.4 * radius, px
    )
    clear = rng.random() < 0.35
    od = (0.12 if clear else log_uniform(rng, 0.25, 1.4)) * (
        1 + rng.uniform(0.2, 0.6) * mottle(rng, cover.shape, max(0.5 * radius, 0.8) / px, 2)
    )
    if clear:
        od += rng.uniform(0.2, 0.8) * np.exp(-np.maximum(depth, 0) / 0.8)
    colour = hue(rng, 1, 1, 1.05, 0.05) if rng.random() < 0.6 else hue(rng, 0.6, 1, 1.5)
    light = 10 ** (-np.maximum(od, 0)[..., None] * cover[..., None] * colour)
    if clear:
        light *= (1 + 0.4 * np.clip(mottle(rng, cover.shape, 0.6 * radius / px), 0, 2) * (depth > 0.8))[
            ..., None
        ]
    return to_sprite(light, cover, px, 2 * radius, 2 * radius, fine)


def mould(rng: np.random.Generator, px: float, fine: int, small: bool) -> Sprite:
    """Mould spores: a short chain of round cells, or a club with cross walls."""
    radius = log_uniform(rng, 1.6, 4.2)
    number = int(rng.choice([1, 1, 2, 2, 3, 4, 6]))
    club = rng.random() < 0.3
    if small:
        radius, number = log_uniform(rng, 2, 4), min(number, 3)
    step = radius * (1.5 if club else 1.85)
    half = int(np.ceil((step * number / 2 + radius + 1.5) / px))
    tall = int(np.ceil((2.2 * radius + 1.5) / px))
    v, u = np.mgrid[-tall : tall + 1, -half : half + 1].astype(np.float32) * np.float32(px)
    od = np.zeros_like(u)
    cover = np.zeros_like(u)
    bend = rng.normal(0, 0.25)
    tone, rim = rng.uniform(0.1, 0.55), rng.uniform(0.3, 1.2)
    for k in range(number):
        r = radius * (rng.uniform(0.9, 1.1) if not club else 1.15 - 0.35 * k / number)
        x = (k - (number - 1) / 2) * step
        y = bend * radius * np.sin(1.3 * k) if number > 2 else 0.0
        d = r - np.hypot((u - x) / 1.05, v - y)
        c = np.clip(d / px + 0.5, 0, 1)
        od = np.maximum(od, c * tone * (0.55 + rim * np.exp(-np.maximum(d, 0) / 0.7)))
        cover = np.maximum(cover, c)
    colour = hue(rng, 0.7, 0.85, 1.5) if rng.random() < 0.6 else hue(rng, 0.9, 1, 1.1)
    light = 10 ** (-od[..., None] * colour)
    return to_sprite(light, cover, px, step * number, 2 * radius, fine)

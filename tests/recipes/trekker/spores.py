"""Spores: one print's look, the places where they gather, and their outlines."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from tests.recipes.trekker.sheet import KIND, Sheet
from tests.recipes.trekker.style import LUMA, Array, Style, bell, log_uniform

Floats = NDArray[np.float64]
LENGTHS_UM = (8.5, 17.0)


@dataclass(frozen=True)
class Look:
    """How one print's spores look.

    The half width falls as ``(1 - |u|^power)^point`` towards the ends, so more `point` is more pointed. Body, rim
    and middle are optical densities, the middle below zero where it is bright; `halo` is the bright seam outside.
    `tint` holds red, green and blue, with a mean of one as the eye weighs them.
    """

    length_um: float
    aspect: float
    spread: float
    power: float
    point: float
    body: float
    rim: float
    middle: float
    halo: float
    rim_um: float
    rim_in_um: float
    middle_size: float
    tint: Array

    def distance(self, u: Array, v: Array, half_length: float, half_width: float) -> Array:
        """Distance to the outline, negative inside; close to true within a few um of it."""
        t = np.clip(np.abs(u) / half_length, 1e-3, 0.9995)
        bow = 1 - t**self.power
        half = half_width * bow**self.point
        slope = (
            self.point
            * self.power
            * bow ** (self.point - 1)
            * t ** (self.power - 1)
            * half_width
            / half_length
        )
        beside = (np.abs(v) - half) / np.sqrt(1 + slope**2)
        beyond = np.abs(u) - half_length
        return np.asarray(np.where(beyond > 0, np.hypot(np.maximum(beyond, 0), v), beside), np.float32)

    def density(self, u: Array, v: Array, half_length: float, half_width: float) -> tuple[Array, Array]:
        """Distance to the outline and grey optical density, before any blur."""
        d = self.distance(u, v, half_length, half_width)
        depth = np.clip(-d, 0, None)
        inside = np.clip(0.5 - d / 0.3, 0, 1)
        # A thick body takes more light where it is thick.
        od = self.body * (0.6 + 0.4 * np.sqrt(depth / half_width))
        od = od + self.rim * bell(depth - self.rim_in_um, self.rim_um)
        away = ((u / half_length) ** 2 + (v / half_width) ** 2) / self.middle_size**2
        od = od + self.middle * np.exp(-1.2 * away)
        seam = self.halo * bell(np.clip(d, 0, None), 1.4 * self.rim_um)
        return d, np.asarray(od * inside - seam * (1 - inside), np.float32)

    def area_um2(self, length_um: float, width_um: float) -> float:
        """Area inside the outline."""
        t = (np.arange(400) + 0.5) / 400
        return float(length_um * width_um * ((1 - t**self.power) ** self.point).mean())

    def shown(self, blur_um: Floats) -> tuple[Floats, Floats]:
        """Mean and root-mean-square density inside the outline of a usual spore, after each blur."""
        step = 0.25
        u = np.arange(-24, 24, step, dtype=np.float32)[None]
        v = np.arange(-20, 20, step, dtype=np.float32)[:, None]
        d, od = self.density(u, v, self.length_um / 2, self.length_um / self.aspect / 2)
        through = np.power(10.0, -od)
        means, swings = [], []
        for blur in blur_um:
            after = -np.log10(cv2.GaussianBlur(through, (0, 0), max(0.05, float(blur) / step)))[d < 0]
            means.append(after.mean())
            swings.append(np.sqrt((after**2).mean()))
        return np.array(means), np.array(swings)


def draw_look(rng: np.random.Generator, style: Style) -> Look:
    """Draw a print's spores: every trait for itself, then brought to a drawn strength."""
    # From straw and honey over amber to a brown that is nearly grey; blue always loses most.
    red = rng.uniform(0.3, 0.95)
    tint = np.array([red, 1 + rng.uniform(0, 0.2), 1.15 + (0.95 - red) * rng.uniform(0.8, 2.4)])
    parts = {
        "body": log_uniform(rng, 0.15, 1.0),
        "rim": log_uniform(rng, 0.15, 1.4),
        "middle": float(rng.choice([-1, 0.3]) * rng.uniform(0, 0.7)),
        "halo": float(rng.choice([0.0, log_uniform(rng, 0.05, 0.4)])),
    }
    shape = {
        "length_um": float(rng.uniform(9, 16)),
        "aspect": float(rng.uniform(1.36, 1.72)),
        "spread": float(rng.uniform(0.03, 0.08)),
        "power": float(rng.uniform(1.7, 2.3)),
        "point": float(rng.uniform(0.58, 0.9)),
        "rim_um": log_uniform(rng, 0.45, 1.5),
        "rim_in_um": float(rng.uniform(0, 0.8)),
        "middle_size": float(rng.uniform(0.3, 0.75)),
    }
    wanted = log_uniform(rng, 0.13 if style.preset == "good_focus" else 0.09, 0.55)
    for _ in range(3):
        look = Look(tint=(tint / (tint @ LUMA)).astype(np.float32), **parts, **shape)
        mean, swing = (float(n[0]) for n in look.shown(np.array([0.5])))
        # Not so refractile that dark and bright cancel out.
        parts["body"] += max(0, 0.55 * swing - mean)
        parts = {name: value * wanted / swing for name, value in parts.items()}
    return look


@dataclass(frozen=True)
class Spores:
    """Columns of one print's spores: places in pixels of the sheet, angles in radians, blur of their own."""

    look: Look
    x: Floats
    y: Floats
    angle: Floats
    length_um: Floats
    width_um: Floats
    strength: Floats
    blur_um: Floats
    height: Floats


def place_spores(
    rng: np.random.Generator, look: Look, style: Style, box: Floats, px_um: float, scales: Floats
) -> Spores:
    """Strew spores over a box (corner, size): at large, about the middles of scales (one row each), in groups."""
    number = style.spores
    # Denser on one side, as where the abdomen was pressed harder.
    dense = rng.choice([1.0, rng.uniform(1, 2.5)])
    x, y = box[0][:, None] + box[1][:, None] * rng.beta(1, [[dense], [1.0]], (2, number))
    x = x if rng.random() < 0.5 else 2 * box[0, 0] + box[1, 0] - x
    if len(scales):
        spot = scales[rng.integers(len(scales), size=number)] + rng.normal(0, 35 / px_um, (number, 2))
        by_scale = (rng.random(number) < rng.beta(1, 2)) & ((spot > box[0]) & (spot < box.sum(axis=0))).all(
            axis=1
        )
        x, y = np.where(by_scale, spot[:, 0], x), np.where(by_scale, spot[:, 1], y)
    angle, height = rng.uniform(0, np.pi, number), rng.random(number)
    heavy = style.preset == "heavy"
    grouped = np.flatnonzero(rng.random(number) < (rng.uniform(0.45, 0.95) if heavy else rng.beta(1, 3)))
    usual = log_uniform(rng, 4, 40) if heavy else log_uniform(rng, 2, 6)
    flat = rng.uniform(0, 1)  # groups lie flat side by side in some prints, heaped in others
    while len(grouped) > 1:
        size = min(len(grouped), 2 + int(rng.exponential(max(0.1, usual - 2))))
        group, grouped = grouped[:size], grouped[size:]
        spacing = look.length_um / look.aspect * (0.55 + 0.45 * flat) / px_um
        turn, radius = rng.uniform(0, 2 * np.pi, size), spacing * np.sqrt(np.arange(size) * 1.1)
        lie, squash = rng.uniform(0, np.pi), rng.uniform(0.35, 1)
        away = radius * (np.cos(turn) + 1j * np.sin(turn) * squash) * np.exp(1j * lie)
        x[group], y[group] = x[group[0]] + away.real, y[group[0]] + away.imag
        height[group] = np.clip(height[group[0]] + rng.normal(0, 0.02, size), 0, 1)
        if rng.random() < 0.3:
            angle[group] = lie + rng.normal(0, 0.25, size)
    length = np.clip(look.length_um * (1 + look.spread * rng.standard_normal(number)), *LENGTHS_UM)
    aspect = np.clip(look.aspect * (1 + 0.03 * rng.standard_normal(number)), 1.31, 1.79)
    soft = np.abs(rng.normal(0, 0.1 + 0.25 * style.focus_um, number))
    strength = np.exp(rng.normal(0, rng.uniform(0.03, 0.2), number))
    return Spores(look, x, y, angle % np.pi, length, length / aspect, strength, soft, height)


def lay_spore(rng: np.random.Generator, sheet: Sheet, spores: Spores, k: int) -> None:
    """Paint one spore."""
    look = spores.look
    half, wide = spores.length_um[k] / 2, spores.width_um[k] / 2
    reach = half + 3 * look.rim_um * (look.halo > 0.01) + 3 * spores.blur_um[k]
    window = sheet.window(spores.x[k], spores.y[k], reach, spores.angle[k])
    if window is None:
        return
    d, od = look.density(window.u, window.v, half, wide)
    speck = rng.normal(0, 0.35, 2) * (half, wide)
    spot = bell(np.hypot(window.u - speck[0], window.v - speck[1]), 0.3 * wide)
    od = od * np.float32(spores.strength[k]) * (1 + np.float32(rng.uniform(0, 0.4)) * spot)
    factor = np.power(np.float32(10), -od[..., None] * look.tint).astype(np.float32)
    if spores.blur_um[k] / sheet.px_um > 0.3:
        factor = cv2.GaussianBlur(factor, (0, 0), spores.blur_um[k] / sheet.px_um)
    sheet.light[window.box] *= factor
    inside = d < 0
    sheet.owner[window.box][inside] = k
    sheet.kinds[window.box][inside] = KIND["spore"]


def outline_px(spores: Spores, px_um: float, grow: float = 1.0, points: int = 24) -> Floats:
    """Points around each spore at `grow` times its outline, of shape (n, points, 2), in sheet pixels."""
    turn = (np.arange(points) + 0.5) * 2 * np.pi / points
    u = np.cos(turn)
    v = np.sign(np.sin(turn)) * (1 - np.abs(u) ** spores.look.power) ** spores.look.point
    along = u * spores.length_um[:, None] / 2 * grow / px_um
    across = v * spores.width_um[:, None] / 2 * grow / px_um
    cos, sin = np.cos(spores.angle)[:, None], np.sin(spores.angle)[:, None]
    xs = spores.x[:, None] + along * cos - across * sin
    ys = spores.y[:, None] + along * sin + across * cos
    return np.stack([xs, ys], axis=-1)


def group_sizes(spores: Spores, px_um: float) -> NDArray[np.int64]:
    """Number of spores in each one's touching group."""
    number = len(spores.x)
    if number < 2:
        return np.ones(number, np.int64)
    places = np.column_stack([spores.x, spores.y])
    pairs = cKDTree(places).query_pairs(float(spores.length_um.max()) / px_um + 1, output_type="ndarray")
    rims = outline_px(spores, px_um, 1.04)
    touch = np.zeros(len(pairs), bool)
    for one, two in ((pairs[:, 0], pairs[:, 1]), (pairs[:, 1], pairs[:, 0])):
        shift = (rims[one] - places[two][:, None]) * px_um
        cos, sin = np.cos(spores.angle[two])[:, None], np.sin(spores.angle[two])[:, None]
        t = np.abs(shift[..., 0] * cos + shift[..., 1] * sin) / (spores.length_um[two][:, None] / 2)
        v = np.abs(shift[..., 1] * cos - shift[..., 0] * sin) / (spores.width_um[two][:, None] / 2)
        touch |= (v < 1.04 * np.clip(1 - t**spores.look.power, 0, None) ** spores.look.point).any(axis=1)
        touch |= np.hypot(*(places[one] - places[two]).T) * px_um < 2
    linked = pairs[touch]
    graph = coo_array((np.ones(len(linked)), (linked[:, 0], linked[:, 1])), shape=(number, number))
    _, group = connected_components(graph, directed=False)
    return np.asarray(np.bincount(group)[group], np.int64)

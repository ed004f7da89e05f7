"""All else that a print holds: hairs, fibres, pollen, droplets, bubbles, glue, mould, soot, crystals, ink."""

from __future__ import annotations

import cv2
import numpy as np

from tests.recipes.drifter.canvas import HIGH, LOW, Canvas, Patch
from tests.recipes.drifter.ground import curve_um
from tests.recipes.drifter.scales import scatter_pieces
from tests.recipes.drifter.style import AMBER, BROWN, CHOCOLATE, GREY_BROWN, Array

GREY = (1.02, 1.0, 1.0, 0.98)
CLEAR = (1.0, 1.0, 1.0, 1.0)
YELLOW = (2.3, 0.9, 0.45, 0.35)
INK = ((0.5, 0.9, 1.3, 1.3), (1.05, 1.0, 1.0, 0.95), (1.2, 1.7, 0.5, 0.1))

# Per mm2 in an ordinary photo, and the least to expect in a small view.
AMOUNTS = {
    "piece": (70, 1.5),
    "dust": (90, 2.0),
    "droplet": (28, 0.8),
    "pollen": (8, 0.3),
    "bubble": (45, 0.8),
    "mould": (16, 0.4),
    "crystal": (10, 0.3),
    "hair": (2.5, 0.2),
    "fibre": (5, 0.3),
    "glue": (3, 0.2),
    "thread": (3, 0.15),
    "scratch": (1.5, 0.1),
    "ink": (0.07, 0.02),
}
PLENTY = {"good_focus": 0.6, "hard": 1.8, "no_spores": 1.5, "heavy": 0.7, "scan_4x": 0.7}


def scatter_things(rng: np.random.Generator, canvas: Canvas, preset: str, *, over: bool) -> None:
    """Lay things of all kinds, most of them before the spores and a few over them."""
    share = PLENTY.get(preset, 1.0) * (0.08 if over else 0.92)
    for name, (per_mm2, least) in AMOUNTS.items():
        mean = max(per_mm2 * canvas.area_mm2, least) * share * np.exp(rng.normal(0, 0.7))
        number = int(min(rng.poisson(mean), 400))
        if name == "piece":
            scatter_pieces(rng, canvas, number)
            continue
        for _ in range(number):
            x_um, y_um = rng.uniform(0, canvas.width_um), rng.uniform(0, canvas.height_um)
            if name in ("hair", "fibre", "glue", "thread", "scratch", "ink"):
                _line(rng, canvas, name, x_um, y_um)
            else:
                _grain(rng, canvas, name, x_um, y_um)


def _round(rng: np.random.Generator, patch: Patch, size_um: float, uneven: float, lean: float) -> Array:
    """Distance inside a roundish outline."""
    along, across = patch.turned(rng.uniform(0, np.pi))
    way = np.arctan2(across, along)
    radius = (
        0.5 * size_um * (1 + sum(uneven / k * np.sin(k * way + rng.uniform(0, 6.3)) for k in (2, 3, 5, 7)))
    )
    return np.asarray(radius - np.hypot(along / np.sqrt(lean), across * np.sqrt(lean)), np.float32)


def _grain(rng: np.random.Generator, canvas: Canvas, name: str, x_um: float, y_um: float) -> None:
    """One compact thing."""
    size_um = {
        "dust": np.exp(rng.normal(np.log(5), 0.6)),
        "droplet": rng.uniform(5, 22),
        "pollen": rng.uniform(15, 40),
        "bubble": np.exp(rng.normal(np.log(9), 0.6)),
        "mould": rng.uniform(3, 9),
        "crystal": rng.uniform(5, 30),
    }[name]
    size_um = float(np.clip(size_um, 1.5, 60))
    patch = canvas.patch(x_um, y_um, 0.9 * size_um + 3)
    if patch is None:
        return
    if name == "dust":
        inside = _round(rng, patch, size_um, 0.25, rng.uniform(1, 2))
        hue = (GREY, GREY, BROWN, GREY_BROWN)[int(rng.integers(4))]
        canvas.put(patch, canvas.edge(inside), rng.uniform(0.1, 1.2), hue, "dust", shine=(0.1,) * 4)
    elif name == "droplet":
        inside = _round(rng, patch, size_um, 0.05, rng.uniform(1, 1.4))
        hue = (AMBER, BROWN, CHOCOLATE, GREY_BROWN)[int(rng.integers(4))]
        depth = np.clip(inside / (0.5 * size_um), 0, 1)
        rim = rng.uniform(-0.4, 1.2) * np.exp(-(((inside - 0.8) / 0.8) ** 2))
        density = rng.uniform(0.08, 0.5) * np.maximum(0.5 + 0.6 * np.sqrt(depth) + rim, 0.1)
        if rng.uniform() < 0.4:
            density = density * np.clip(inside / rng.uniform(1, 5), 0, 1)  # a stain without an edge
        canvas.put(patch, canvas.edge(inside), density.astype(np.float32), hue, "other", shine=(0.03,) * 4)
    elif name == "pollen":
        _pollen(rng, canvas, patch, size_um)
    elif name == "bubble":
        inside = _round(rng, patch, size_um, 0.02, rng.uniform(1, 1.15))
        wall_um = float(np.clip(0.16 * size_um, 0.7, 2.5))
        ring = rng.uniform(0.2, 0.9) * np.exp(-(((inside - wall_um) / wall_um) ** 2))
        light = -0.12 * np.exp(-(((inside - 0.5 * size_um) / (0.2 * size_um)) ** 2))
        canvas.put(
            patch, canvas.edge(inside), (ring + light).astype(np.float32), CLEAR, "bubble", shine=(0.06,) * 4
        )
    elif name == "mould":
        inside = _round(rng, patch, size_um, 0.02, rng.uniform(1, 1.8))
        rim = 0.6 * np.exp(-(((inside - 0.5) / 0.6) ** 2))
        hue = (GREY, GREY_BROWN, AMBER)[int(rng.integers(3))]
        canvas.put(patch, canvas.edge(inside), (rng.uniform(0.1, 0.5) * (0.6 + rim)), hue, "other")
    else:
        along, across = patch.turned(rng.uniform(0, np.pi))
        lean = rng.uniform(1, 3)
        far = np.maximum(np.abs(along + 0.3 * across), lean * np.abs(across))
        inside = (0.5 * size_um - far).astype(np.float32)
        facet = 0.35 * np.exp(-(((inside - 0.6) / 0.7) ** 2)) + 0.1 * np.sign(across)
        canvas.put(patch, canvas.edge(inside), facet.astype(np.float32), CLEAR, "other", shine=(0.25,) * 4)


def _pollen(rng: np.random.Generator, canvas: Canvas, patch: Patch, size_um: float) -> None:
    inside = _round(rng, patch, size_um, 0.02, rng.uniform(1, 1.25))
    way = np.arctan2(patch.dy_um, patch.dx_um)
    if rng.uniform() < 0.4:
        inside = inside + 1.6 * np.maximum(np.cos(way * int(rng.integers(14, 26))), 0) ** 3
    wall = rng.uniform(0.3, 1.0) * np.exp(-(((inside - 1.5) / 1.3) ** 2))
    dots = 0.15 * np.sin(patch.dx_um * 1.7) * np.sin(patch.dy_um * 1.7)
    density = rng.uniform(0.2, 0.6) * (0.7 + wall + dots)
    hue = (YELLOW, AMBER, GREY)[int(rng.integers(3))]
    canvas.put(
        patch, canvas.edge(inside), density.astype(np.float32), hue, "pollen", shine=(0.08, 0.3, 0.45, 0.45)
    )


def _line(rng: np.random.Generator, canvas: Canvas, name: str, x_um: float, y_um: float) -> None:
    """One long thin thing, by the distance of each point from its middle line."""
    length_um, width_um, bend = {
        "hair": (rng.uniform(120, 700), rng.uniform(3, 9), 0.5),
        "fibre": (rng.uniform(150, 900), rng.uniform(8, 25), 1.4),
        "glue": (rng.uniform(80, 700), rng.uniform(3, 9), 1.2),
        "thread": (rng.uniform(40, 250), rng.uniform(1.5, 4), 2.2),
        "scratch": (rng.uniform(100, 1200), rng.uniform(0.8, 2.5), 0.05),
        "ink": (4000.0, rng.uniform(120, 350), 0.01),
    }[name]
    path = curve_um(rng, x_um, y_um, length_um, bend, 80)
    g = canvas.grain_um
    low = np.maximum((path.min(axis=0) - width_um) / g - 2, 0).astype(int)
    high = np.minimum((path.max(axis=0) + width_um) / g + 3, canvas.shape[::-1]).astype(int)
    if (low >= high).any():
        return
    box = (slice(low[1], high[1]), slice(low[0], high[0]))
    pad = int(0.5 * width_um / g) + 2  # the middle may lie just outside the view
    away = np.full((high[1] - low[1] + 2 * pad, high[0] - low[0] + 2 * pad), 255, np.uint8)
    shifted = ((path / g - low + pad) * 16).astype(np.int32)
    cv2.polylines(away, [shifted], False, 0, 1, cv2.LINE_8, 4)
    if away.all():
        return
    from_middle = cv2.distanceTransform(away, cv2.DIST_L2, 5)[pad:-pad, pad:-pad] * np.float32(g)
    inside = (0.5 * width_um - from_middle).astype(np.float32)
    patch = Patch(box, inside, inside)
    cover = canvas.edge(inside)
    layer = HIGH if name in ("hair", "fibre") and rng.uniform() < 0.5 else LOW
    if name == "hair":
        density = rng.uniform(0.3, 1.1) * (0.7 + 0.6 * np.exp(-((inside / 1.2) ** 2)))
        canvas.put(patch, cover, density, (GREY, BROWN, CHOCOLATE)[int(rng.integers(3))], "hair", layer=layer)
    elif name == "fibre":
        edge = np.exp(-(((inside - 0.8) / 1.0) ** 2))
        density = rng.uniform(0.03, 0.12) + rng.uniform(0.1, 0.35) * edge - 0.06 * (inside > 3)
        canvas.put(patch, cover, density, CLEAR, "fibre", layer=layer, shine=(0.3,) * 4)
    elif name == "glue":
        # A ridge bends light: bright along its middle and dark beside it, or the reverse.
        wave = rng.uniform(0.05, 0.22) * rng.choice([-1, 1]) * np.cos(2 * np.pi * from_middle / width_um)
        canvas.put(patch, cover, wave.astype(np.float32), CLEAR, "other", shine=(0.03,) * 4)
    elif name == "thread":
        edge = np.exp(-(((inside - 0.3) / 0.5) ** 2))
        canvas.put(patch, cover, rng.uniform(0.05, 0.2) + 0.3 * edge, GREY_BROWN, "other")
    elif name == "scratch":
        canvas.put(patch, cover, rng.uniform(-0.12, 0.3), CLEAR, "other")
    else:
        hue = INK[int(rng.integers(len(INK)))]
        canvas.put(patch, canvas.edge(inside) * 0.9, rng.uniform(0.2, 0.7), hue, "other")

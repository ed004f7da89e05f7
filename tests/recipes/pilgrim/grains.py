"""Small round and lumpy things: pollen, frass and soil, soot, dried droplets, bubbles, crystals."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.recipes.pilgrim.palette import CLEAR, POLLEN, SOIL, SOOT, STAIN, Floats, Pigment, Rng, varied
from tests.recipes.pilgrim.scene import Patch, Scene, clouds, own_grid, pitch_for


def _patch(
    radius: Floats,
    cover: Floats,
    density: Floats,
    bulge_um: float,
    pitch: float,
    look: tuple[Pigment, str, float],
) -> Patch:
    """Round a body off towards its edge (`radius` is 1 there) and keep its layers where it covers."""
    height = bulge_um * np.maximum(1 - radius**2, 0) * cover
    return Patch(cover, np.maximum(density * cover, 0), height, pitch, *look)


def pollen(rng: Rng, pitch: float) -> Patch:
    """Draw a grain of one of three families: smooth, spiny, three-lobed."""
    half = rng.uniform(7.5, 20)
    x, y = own_grid(half * 1.35, half * 1.35, pitch)
    r, turn = np.hypot(x, y) / half, np.arctan2(y, x)
    family = rng.choice(3)
    spikes = int(rng.integers(12, 22))
    edge = np.full_like(r, 1 + 0.05 * np.cos(2 * turn))
    if family == 1:
        edge = 0.88 + 0.3 * np.abs(np.cos(spikes * turn / 2)) ** 5
    elif family == 2:
        edge = 0.9 + 0.1 * np.cos(3 * turn)
    cover = np.clip((edge - r) * half / pitch + 0.5, 0, 1)
    density = 0.75 + 0.7 * np.exp(-(((edge - r) * half / 1.4) ** 2))
    if family == 1:
        dots = np.cos(x * 1.5) * np.cos(y * 1.5 + 0.5 * x)
        density += 0.35 * dots * (r < 0.85)
    elif family == 2:
        density += 0.6 * np.exp(-((np.cos(1.5 * turn) / 0.18) ** 2)) * (r > 0.25) - 0.2
    else:
        density += 0.12 * clouds(r.shape, max(2.5 / pitch, 1.5), rng)
    tone = rng.uniform(0.12, 0.55)
    look = (varied(POLLEN[int(rng.integers(3))], rng, 0.1), "pollen", 0.75)
    return _patch(r / edge, cover, density * tone, 0.6 * half, pitch, look)


def lump(rng: Rng, pitch: float) -> Patch:
    """Draw frass or a grain of soil, down to spore size: a level set of fractal noise on a blob."""
    half = float(np.exp(rng.uniform(np.log(2.2), np.log(22))))
    x, y = own_grid(half * 1.6, half * 1.6, pitch)
    long = rng.uniform(0.65, 1.0)
    rough = clouds(x.shape, max(half / pitch, 2.0), rng, 4)
    r = np.hypot(x, y / long) / half * np.exp(0.18 * rough)
    cover = np.clip((1 - r) * half / pitch + 0.5, 0, 1)
    tone = rng.uniform(0.15, 1.1) * (1 + 0.3 * clouds(x.shape, max(half / 3 / pitch, 1.5), rng))
    look = (varied(SOIL[int(rng.integers(len(SOIL)))], rng, 0.15), "dust", 0.8)
    return _patch(r, cover, tone * (0.7 + 0.5 * np.maximum(1 - r, 0)), 0.7 * half, pitch, look)


def soot(rng: Rng, pitch: float) -> Patch:
    """Draw soot: a black cluster of tiny balls."""
    balls = int(rng.integers(1, 9))
    size = rng.uniform(0.5, 2.0)
    x, y = own_grid(size * (balls + 2), size * (balls + 2), pitch)
    nearest = np.full_like(x, np.inf)
    at = np.zeros(2)
    for _ in range(balls):
        nearest = np.minimum(nearest, np.hypot(x - at[0], y - at[1]) / size)
        at = at + rng.normal(0, size * 0.7, 2)
    cover = np.clip((1 - nearest) * size / pitch + 0.5, 0, 1)
    return _patch(
        np.minimum(nearest, 1),
        cover,
        np.full_like(x, rng.uniform(0.5, 1.6)),
        size,
        pitch,
        (SOOT, "dust", 0.9),
    )


def droplet(rng: Rng, pitch: float) -> Patch:
    """Draw a droplet that dried: it leaves its stuff at its rim, round or a little drawn out."""
    half = float(np.exp(rng.uniform(np.log(3.2), np.log(16))))
    x, y = own_grid(half * 1.4, half * 1.4, pitch)
    turn = np.arctan2(y, x)
    edge = 1 + rng.normal(0, 0.05) * np.cos(2 * turn + 1) + rng.normal(0, 0.03) * np.cos(3 * turn)
    r = np.hypot(x, y) / half / edge
    cover = np.clip((1 - r) * half / pitch + 0.5, 0, 1)
    ring = rng.uniform(-0.2, 2.2) * np.exp(-(((1 - r) / rng.uniform(0.1, 0.25)) ** 2))
    density = rng.uniform(0.06, 0.4) * np.maximum(
        0.8 + ring + 0.12 * clouds(x.shape, max(3 / pitch, 2), rng), 0
    )
    return _patch(r, cover, density, 0.25 * half, pitch, (varied(STAIN, rng, 0.2), "other", 0.3))


def bubble(rng: Rng, pitch: float) -> Patch:
    """Draw a bubble in the glue: clear, with a dark rim where it bends the light away."""
    half = float(np.exp(rng.uniform(np.log(2.0), np.log(18))))
    x, y = own_grid(half * 1.2 + 1, half * 1.2 + 1, pitch)
    r = np.hypot(x, y * rng.uniform(1.0, 1.25)) / half
    cover = np.clip((1 - r) * half / pitch + 0.5, 0, 1)
    density = rng.uniform(0.15, 0.9) * np.exp(-(((1 - r) * half / rng.uniform(0.6, 1.6)) ** 2))
    return _patch(r, cover, density, -0.4 * half, pitch, (varied(CLEAR, rng, 0.03), "bubble", 0.0))


def crystal(rng: Rng, pitch: float) -> Patch:
    """Cut a crystal with a few straight faces; facets bend light each their own way."""
    half = rng.uniform(2.5, 14)
    x, y = own_grid(half * 1.7, half * 1.7, pitch)
    r = np.zeros_like(x)
    shade = np.zeros_like(x)
    for way in np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(5, 8)))):
        face = (x * np.cos(way) + y * np.sin(way)) / half / rng.uniform(0.6, 1.05)
        shade = np.where(face > r, rng.uniform(0, 1), shade)
        r = np.maximum(r, face)
    r = np.maximum(r, np.hypot(x, y) / half / 1.5)
    cover = np.clip((1 - r) * half / pitch + 0.5, 0, 1)
    density = 0.03 + 0.22 * shade + 0.3 * np.exp(-(((1 - r) * half / 0.7) ** 2))
    return _patch(r, cover, density, 0.5 * half, pitch, (CLEAR, "other", 0.5))


Maker = Callable[[Rng, float], Patch]


def strew(scene: Scene, maker: Maker, count: int, rng: Rng) -> None:
    """Strew grains of one sort, some of them in company of their own sort."""
    x, y = scene.somewhere(rng)
    for _ in range(count):
        if rng.random() < 0.75:
            x, y = scene.somewhere(rng)
        else:
            x, y = (float(c) for c in rng.normal((x, y), 18 / scene.um_per_px))
        scene.lay(maker(rng, pitch_for(scene.um_per_px)), x, y, float(rng.uniform(0, 360)))

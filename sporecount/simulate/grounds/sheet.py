"""What a print lies on and under: kinds of card, paper and glass, and the tape with its glue."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import distance_transform_edt

from sporecount.simulate.grounds.slab import DEEP, TAPE, Array, Scene, clouds
from sporecount.simulate.truth import KIND_NAMES

GROUNDS = (
    "glass",
    "dirty glass",
    "card",
    "index card",
    "kraft",
    "tinted",
    "glossy",
    "vellum",
    "graph",
    "tissue",
)
TAPES = ("clear", "frosted", "streaked", "yellowed", "packing", "orange peel")


def _rgb(*levels: float) -> Array:
    return np.array(levels, np.float32)


def _pulp(rng: np.random.Generator, shape: tuple[int, int], px_um: float, depth: float) -> Array:
    """Felt of paper fibres: many faint bent strokes over soft flocks, as density around 0."""
    flocks = depth * (
        0.6 * clouds(rng, shape, rng.uniform(60, 160) / px_um) + 0.4 * clouds(rng, shape, 18 / px_um)
    )
    felt = np.zeros(shape, np.float32)
    area_mm2 = shape[0] * shape[1] * px_um**2 * 1e-6
    lay_angle = rng.uniform(0, np.pi)
    for _ in range(min(int(rng.uniform(300, 1200) * area_mm2) + 4, 500)):
        angle = lay_angle + rng.normal(0, 0.9)
        bend = rng.normal(0, 0.5)
        t = np.linspace(-0.5, 0.5, 9) * rng.uniform(150, 700) / px_um
        turn = angle + bend * np.linspace(-1, 1, 9)
        points = np.stack([t * np.cos(turn), t * np.sin(turn)], 1) + rng.uniform(0, 1, 2) * shape[::-1]
        wide = max(1, round(rng.uniform(8, 25) / px_um))
        stroke = float(rng.uniform(-1, 1))
        cv2.polylines(felt, [np.round(points * 8).astype(np.int32)], False, stroke, wide, cv2.LINE_AA, 3)
    felt = np.asarray(cv2.GaussianBlur(felt, (0, 0), max(2.5 / px_um, 0.5)), np.float32)
    return np.asarray(flocks + depth * rng.uniform(0.4, 1.3) * felt, np.float32)


def _lines(
    rng: np.random.Generator, scene: Scene, density: Array, ink: Array, every_um: float | None, turn: float
) -> Array:
    """Add printed lines of uneven ink; the densities with them, shape (H, W, 3)."""
    rows, cols = scene.shape
    y, x = np.mgrid[:rows, :cols].astype(np.float32) * np.float32(scene.px_um)
    across = -x * np.sin(turn) + y * np.cos(turn) + 3 * clouds(rng, scene.shape, 90 / scene.px_um)
    middle = rng.uniform(float(across.min()), float(across.max()))
    off = np.abs(across - middle)
    if every_um is not None:
        off = np.abs((across - middle + every_um / 2) % every_um - every_um / 2)
    half = min(rng.uniform(40, 130), 0.22 * min(scene.shape) * scene.px_um)
    solid = np.clip((half - off) / rng.uniform(8, 30) + 0.5 * clouds(rng, scene.shape, 9 / scene.px_um), 0, 1)
    scene.kinds[solid > 0.5] = KIND_NAMES.index("other")
    return np.asarray(density + (solid * rng.uniform(0.12, 0.5))[..., None] * ink, np.float32)


def draw_ground(rng: np.random.Generator, scene: Scene, kind: str, rough: float) -> Array:
    """Light that comes from the bare ground, linear, 1 for white; marks printed lines in the scene's kinds.

    Parameters
    ----------
    rng : numpy.random.Generator
    scene : Scene
    kind : str
        One of `GROUNDS`.
    rough : float
        Strength of its texture; 1 is ordinary.
    """
    shape, px = scene.shape, scene.px_um
    lit = 1 + 0.6 * scene.light.above
    neutral = _rgb(1, 1, 1)
    density = np.zeros((*shape, 3), np.float32)
    if kind in ("glass", "dirty glass"):
        dirt = rough * (0.006 if kind == "glass" else rng.uniform(0.01, 0.03))
        density += (dirt * clouds(rng, shape, rng.uniform(30, 300) / px))[..., None]
        if kind == "dirty glass":
            film = clouds(rng, shape, rng.uniform(8, 40) / px) + clouds(rng, shape, 70 / px)
            density += (dirt * 2.5 * np.clip(film - 0.6, 0, 1.5))[..., None] * _rgb(0.8, 1, 1.25)
        density += float(rng.uniform(0, 0.08)) * _rgb(1, 0.85, rng.uniform(0.9, 1.4))
    elif kind in ("card", "index card", "graph", "kraft", "tinted"):
        depth = rough * float(rng.uniform(0.018, 0.05)) * (1.4 if kind == "kraft" else 1.0)
        density += (_pulp(rng, shape, px, depth) + 0.4 * depth * clouds(rng, shape, 4 / px))[..., None]
        warm = {"kraft": _rgb(0.08, 0.22, 0.42), "tinted": rng.uniform(0.0, 0.3, 3).astype(np.float32)}
        density += warm.get(kind, rng.uniform(0.8, 1.4) * _rgb(0.03, 0.04, rng.uniform(0.04, 0.11)))
    elif kind == "glossy":
        density += (rough * 0.018 * clouds(rng, shape, rng.uniform(2.5, 6) / px))[..., None]
        density += (0.03 * clouds(rng, shape, rng.uniform(150, 500) / px))[..., None] + 0.04 * neutral
    elif kind == "vellum":
        cloud = (
            clouds(rng, shape, 120 / px)
            + 0.7 * clouds(rng, shape, 40 / px)
            + 0.3 * clouds(rng, shape, 12 / px)
        )
        density += (rough * 0.045 * cloud)[..., None] + _rgb(0.06, 0.07, 0.1)
    else:  # tissue: an open net of fibres, light between them
        net = np.abs(_pulp(rng, shape, px, 1.0))
        density += (rough * rng.uniform(0.05, 0.12) * np.minimum(net, 1.6))[..., None] * _rgb(1, 1, 1.1)
    if kind == "index card" or (kind in ("card", "tinted") and rng.random() < 0.15):
        inks = (_rgb(1.6, 0.9, 0.25), _rgb(0.4, 1.4, 1.2), _rgb(1, 1, 1), _rgb(1.2, 0.6, 0.9))
        density = _lines(rng, scene, density, inks[int(rng.integers(4))], None, rng.uniform(-0.4, 0.4))
    if kind == "graph":
        ink, turn, every = _rgb(1.3, 0.8, 0.5), rng.uniform(0, np.pi / 2), rng.uniform(700, 1100)
        for more in (0, np.pi / 2):
            density = _lines(rng, scene, density, ink, every, turn + more)
    ground = np.power(np.float32(10), -np.clip(density, -0.12, 2))
    return np.asarray(np.clip(ground * np.float32(lit / 1.3 if lit > 1.3 else 1), 0, 1.3), np.float32)


def lay_tape(rng: np.random.Generator, scene: Scene, kind: str, rough: float) -> None:
    """Lay the tape's own texture over everything."""
    shape, px = scene.shape, scene.px_um
    tint = _rgb(1, 1, 1)
    amount = rough * float(rng.uniform(0.4, 1.2))
    if kind == "clear":
        density = amount * 0.006 * clouds(rng, shape, 60 / px)
    elif kind == "frosted":
        density = amount * 0.03 * (clouds(rng, shape, rng.uniform(3, 9) / px) + clouds(rng, shape, 15 / px))
    elif kind == "streaked":
        grain = (rng.uniform(3, 12) / px, rng.uniform(300, 900) / px)
        streaks = clouds(rng, shape, grain if rng.random() < 0.5 else grain[::-1])
        density = amount * 0.025 * streaks
    elif kind == "orange peel":
        bumps = clouds(rng, shape, rng.uniform(18, 45) / px)
        # Dimples act as small lenses: their edges show, not their floor.
        down, across = np.gradient(bumps)
        density = amount * 0.05 * np.clip(np.hypot(down, across) * (14 / px) - 0.5, -0.6, 1.4)
    else:
        density = 0.02 * amount * clouds(rng, shape, 150 / px)
        tint = _rgb(0.4, 1, 2.6) if kind == "yellowed" else _rgb(0.6, 1, 1.6)
        density = density + float(rng.uniform(0.04, 0.14))
    scene.passed[TAPE] *= np.power(np.float32(10), -density[..., None] * tint).astype(np.float32)


def lay_glue(rng: np.random.Generator, scene: Scene, strength: float) -> None:
    """Lay worms, ridges and smears of glue in the tape."""
    shape, px = scene.shape, scene.px_um
    for _ in range(int(rng.integers(1, 3))):
        bed = clouds(rng, shape, rng.uniform(25, 160) / px) + 0.4 * clouds(rng, shape, 20 / px)
        ridge = np.exp(-(((bed - rng.uniform(-0.5, 0.5)) / rng.uniform(0.03, 0.14)) ** 2))
        near = np.clip(clouds(rng, shape, rng.uniform(120, 400) / px) - 0.2, 0, 1)
        lens = np.roll(ridge, max(1, round(1.5 / px)), axis=int(rng.integers(2)))
        density = strength * near * (0.16 * ridge - 0.1 * lens)
        scene.passed[TAPE] *= np.power(np.float32(10), -density)[..., None].astype(np.float32)


def lay_air_gaps(rng: np.random.Generator, scene: Scene, strength: float) -> None:
    """Where the tape rides over tall things it leaves a gap of air, with a fine bright and dark border."""
    tall = np.isin(scene.kinds, [KIND_NAMES.index(name) for name in ("scale", "hair", "fibre", "pollen")])
    if not tall.any():
        return
    # Half the grid is enough for a soft line.
    away = np.asarray(distance_transform_edt(~tall[::2, ::2]), np.float32) * np.float32(2 * scene.px_um)
    away = np.asarray(cv2.resize(away, scene.shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)
    edge = rng.uniform(4, 16) * np.exp(0.5 * clouds(rng, scene.shape, 45 / scene.px_um))
    here = np.clip(clouds(rng, scene.shape, 150 / scene.px_um) + rng.uniform(-0.8, 0.8), 0, 1)
    line = np.exp(-(((away - edge) / 1.1) ** 2)) - 0.7 * np.exp(-(((away - edge - 1.8) / 1.2) ** 2))
    inside = 0.25 * np.clip((edge - away) / 2, 0, 1) * (away > 0)
    density = strength * here * (0.2 * line + 0.12 * inside)
    scene.passed[TAPE] *= np.power(np.float32(10), -density)[..., None].astype(np.float32)


def lay_deep_stains(rng: np.random.Generator, scene: Scene) -> None:
    """Stains and flecks within the card, softer than what lies on it."""
    shape, px = scene.shape, scene.px_um
    stain = np.clip(clouds(rng, shape, rng.uniform(60, 250) / px) - rng.uniform(0.6, 1.6), 0, 1)
    tint = _rgb(0.4, 1, rng.uniform(1.3, 2.2))
    density = rng.uniform(0.03, 0.2) * stain[..., None] * tint
    scene.passed[DEEP] *= np.power(np.float32(10), -density).astype(np.float32)

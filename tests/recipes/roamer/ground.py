"""What lies beneath and around the bodies: paper or glass, glue, lamp, and dust near the sensor."""

from __future__ import annotations

import cv2
import numpy as np
from skimage import data

from tests.recipes.roamer.optics import Plane, soften
from tests.recipes.roamer.settings import Settings
from tests.recipes.roamer.shapes import ball, strand
from tests.recipes.roamer.sheets import Matter, Stack

CARD = {
    "glass": (0.93, 0.93, 0.92),
    "white": (0.85, 0.85, 0.84),
    "cream": (0.84, 0.78, 0.66),
    "grey": (0.52, 0.52, 0.53),
    "kraft": (0.52, 0.39, 0.26),
    "dark card": (0.05, 0.05, 0.055),
}


def cloud(rng: np.random.Generator, shape: tuple[int, int], cells: float) -> Plane:
    """Smooth noise of unit spread, with about so many cells along the longer side."""
    rows, cols = (max(3, round(cells * side / max(shape)) + 3) for side in shape)
    coarse = rng.normal(size=(rows, cols)).astype(np.float32)
    return np.asarray(cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC), np.float32)


def card(rng: np.random.Generator, settings: Settings, shape: tuple[int, int]) -> Plane:
    """Light that the ground passes or scatters: felted paper out of focus, or nearly even glass."""
    long_um = max(shape) * settings.um_per_px
    base = np.array(CARD[settings.ground], np.float32) * np.float32(rng.uniform(0.92, 1.04))
    through = settings.top < 0.5
    if settings.ground == "glass":
        felt = np.float32(0.012) * cloud(rng, shape, 6)
    else:
        felt = np.zeros(shape, np.float32)
        for weight, size_um in ((0.5, 90), (0.4, 30), (0.25, 9)):
            felt += np.float32(weight) * cloud(rng, shape, long_um / size_um)
        picture = np.asarray(data.grass() if rng.random() < 0.5 else data.gravel(), np.float32) / 128 - 1
        zoom = rng.uniform(0.8, 2.5) / settings.um_per_px
        side = int(np.clip(max(shape) / zoom, 40, 512))
        y, x = rng.integers(0, 513 - side, 2)
        whole = cv2.resize(picture[y : y + side, x : x + side], (max(shape), max(shape)))
        tile = soften(np.asarray(whole[: shape[0], : shape[1]], np.float32), 2.5 / settings.um_per_px)
        felt = (felt + np.float32(0.35) * tile) * np.float32(rng.uniform(0.02, 0.07 if through else 0.05))
    return np.asarray(base * np.exp(felt)[..., None], np.float32)


def rule_lines(rng: np.random.Generator, stack: Stack) -> None:
    """Print or pen lines on the card beneath."""
    rows, cols = stack.shape
    ink = Matter(
        rng.uniform(0.2, 1.1) * np.array([[1.2, 0.9, 0.35], [1, 1, 1]][int(rng.integers(2))]),
        0.0,
        np.array([0.1, 0.12, 0.3]),
        0.8,
    )
    turn, reach = rng.uniform(0, np.pi), float(np.hypot(rows, cols))
    along = np.array([np.cos(turn), np.sin(turn)])
    middle = np.array([rng.uniform(0, cols), rng.uniform(0, rows)])
    points = np.array([middle - reach * along, middle + reach * along])
    line = strand(stack.shape, points, rng.uniform(20, 90) / stack.um_per_px, 1.0)
    if line is not None:
        stack.lay(stack.low, line, ink, "other", 0.0)


def glue(rng: np.random.Generator, stack: Stack, settings: Settings) -> None:
    """Ridges, channels and trapped air of the tape's glue."""
    rows, cols = stack.shape
    um = stack.um_per_px
    stack.high.path_um += np.float32(0.15 * settings.glue) * cloud(
        rng, stack.shape, max(rows, cols) * um / 40
    )
    area_mm2 = rows * cols * um**2 / 1e6
    for _ in range(rng.poisson(min(12, 14 * settings.glue * area_mm2 + 2 * settings.glue))):
        start = np.array([rng.uniform(0, cols), rng.uniform(0, rows)])
        turns = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.12, 40))
        steps = np.stack([np.cos(turns), np.sin(turns)], 1) * rng.uniform(2, 12) / um
        ridge = strand(stack.shape, start + np.cumsum(steps, 0), rng.uniform(1.5, 9) / um, 0.0)
        if ridge is not None:
            bend = rng.choice([-1, 1]) * rng.uniform(0.1, 0.6) * (0.4 + settings.glue)
            stack.lay(stack.high, ridge, Matter(np.full(3, 0.02), bend, np.full(3, 0.9), 0.08), "other", 1.0)
    for _ in range(rng.poisson(min(150, (10 + 160 * settings.glue) * area_mm2))):
        radius_um = float(np.exp(rng.uniform(np.log(0.8), np.log(9))))
        x, y = rng.uniform(0, cols), rng.uniform(0, rows)
        for _ in range(int(rng.choice([1, 3, 8], p=[0.7, 0.2, 0.1]))):
            bubble = ball(x, y, radius_um / um)
            air = Matter(np.full(3, 0.03), -0.35 * radius_um, np.full(3, 0.85), 0.25)
            stack.lay(stack.high, bubble, air, "bubble", radius_um)
            radius_um *= rng.uniform(0.6, 1.0)
            x, y = x + rng.normal(0, 2.5) * radius_um / um, y + rng.normal(0, 2.5) * radius_um / um


def lamp(rng: np.random.Generator, shape: tuple[int, int]) -> tuple[Plane, bool]:
    """Uneven light: slope, vignette, rows of diodes or a filament thrown on the ground, the eyepiece's round."""
    rows, cols = shape
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j].astype(np.float32)
    y *= rows / max(shape)
    x *= cols / max(shape)
    turn = rng.uniform(0, 2 * np.pi)
    light = 1 + rng.uniform(0, 0.2) * (x * np.cos(turn) + y * np.sin(turn))
    centre = rng.uniform(-0.25, 0.25, 2)
    away = np.hypot(x - centre[0], y - centre[1])
    light *= 1 - rng.uniform(0.02, 0.3) * away**2
    kind = rng.choice(["even", "diodes", "filament"], p=[0.65, 0.2, 0.15])
    along = x * np.sin(turn) + y * np.cos(turn)
    if kind == "diodes":
        light *= 1 + rng.uniform(0.02, 0.07) * np.cos(along * rng.uniform(6, 16))
    elif kind == "filament":
        coil = np.exp(-((along / rng.uniform(0.15, 0.4)) ** 2)) * (1 + 0.2 * np.cos(24 * x))
        light *= 1 + rng.uniform(0.05, 0.2) * coil
    framed = bool(rng.random() < 0.14)
    if framed:
        edge = rng.uniform(0.82, 1.05)
        light *= 0.015 + 0.985 / (1 + np.exp((away - edge) / 0.012))
    specks = np.ones(shape, np.float32)
    for _ in range(rng.poisson(1.2)):
        spot = ball(rng.uniform(0, cols), rng.uniform(0, rows), rng.uniform(4, 0.02 * max(shape) + 5))
        top, left = max(spot.row, 0), max(spot.col, 0)
        part = spot.cover[top - spot.row :, left - spot.col :][: rows - top, : cols - left]
        specks[top : top + part.shape[0], left : left + part.shape[1]] *= 1 - rng.uniform(0.04, 0.2) * part
    light *= soften(specks, 0.004 * max(shape) + 1.5)
    return np.asarray(light, np.float32), framed

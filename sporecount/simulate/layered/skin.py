"""Surface textures of scales and flakes: ridges, pigment, veins, windows, ... as one tile per sort."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from sporecount.simulate.layered import colours, noise

Grid = tuple[np.ndarray, np.ndarray, float]
"""x and y of a tile in µm, each (n, n), and its pixel in µm."""


def random_tile(rng: np.random.Generator, px_um: float, plain_share: float = 0.08) -> np.ndarray:
    """Draw one texture as absorbance in natural logarithms per channel, (n, n, 3) float32.

    Positive darkens, negative lightens. Its x runs along a scale, its y across; a pixel is `px_um` wide.

    Parameters
    ----------
    plain_share : float
        Probability of a nearly flat surface.
    """
    side = int(np.clip(170 / px_um, 96, 400))
    y, x = np.mgrid[:side, :side].astype(np.float32) * np.float32(px_um)
    total = np.zeros((side, side, 3), np.float32)
    if rng.random() < plain_share:
        return total
    own = colours.brown_absorption(rng)
    for number in rng.choice(len(_MAKERS), int(rng.integers(1, 5)), replace=False, p=_SHARES):
        field = _MAKERS[number](rng, (x, y, px_um))
        weight = float(np.exp(rng.uniform(np.log(0.1), np.log(1.3)))) * rng.choice([1.0, 1.0, -0.6])
        tint = own if rng.random() < 0.6 else np.ones(3, np.float32)
        if rng.random() < 0.12:
            tint = (1.6 - 1.4 * colours.hsv(rng.uniform(), 0.8, 1.0)).astype(np.float32)
        if rng.random() < 0.4:  # stronger in some places than in others
            field = field * np.clip(0.6 + 0.6 * noise.smooth_field(rng, field.shape, 35 / px_um), 0, 1.8)
        total += np.float32(weight) * field[..., None] * tint
    if rng.random() < 0.15:
        total -= _iridescence(rng, (x, y, px_um))
    return np.clip(total, -1.2, 2.5)


def sample(
    rng: np.random.Generator, tile: np.ndarray, along_px: np.ndarray, across_px: np.ndarray
) -> np.ndarray:
    """Lay a tile, mirrored at its edges, over coordinates in its pixels from a random start: (h, w, 3)."""
    start = rng.uniform(0, 2 * tile.shape[0], 2)
    x = np.ascontiguousarray(along_px + np.float32(start[0]), np.float32)
    y = np.ascontiguousarray(across_px + np.float32(start[1]), np.float32)
    return cv2.remap(tile, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)


def _phase(rng: np.random.Generator, grid: Grid, angle: float, pitch: float) -> np.ndarray:
    """Give the running number of lines `pitch` apart, straight, wavy or fanned."""
    x, y, px_um = grid
    run = y * np.float32(np.cos(angle)) - x * np.float32(np.sin(angle))
    way = rng.integers(3)
    if way == 1:
        run = run + np.float32(rng.uniform(0.3, 2.5)) * noise.smooth_field(
            rng, x.shape, rng.uniform(8, 40) / px_um
        )
    elif way == 2:
        run = run * (1 + np.float32(rng.uniform(-0.3, 0.3)) * x / float(x.max()))
    return run * np.float32(1.0 / pitch)


def _wave(rng: np.random.Generator, phase: np.ndarray, fade: float) -> np.ndarray:
    """Profile of ridges, -1 to 1: rounded, thin dark lines, or steep steps."""
    wave = np.cos(np.float32(2 * np.pi) * phase)
    sort = rng.integers(3)
    if sort == 1:
        wave = np.clip(wave - 0.5, 0, 1) * 2 * float(rng.choice([-1.0, 1.0]))
    elif sort == 2:
        wave = np.clip(wave * 3, -1, 1)
    return (wave * np.float32(fade)).astype(np.float32)


def _fade(rng: np.random.Generator, pitch: float, px_um: float) -> float:
    """Fine ridges fade on a coarse grid, but now and then they beat with it."""
    return 0.6 if rng.random() < 0.2 else float(np.exp(-((1.0 * px_um / pitch) ** 2)))


def _ridges(rng: np.random.Generator, grid: Grid) -> np.ndarray:
    pitch = float(np.exp(rng.uniform(0.0, np.log(6.0))))
    return 0.5 * _wave(rng, _phase(rng, grid, rng.normal(0, 0.1), pitch), _fade(rng, pitch, grid[2]))


def _crossed(rng: np.random.Generator, grid: Grid) -> np.ndarray:
    pitch, turn = float(np.exp(rng.uniform(0.2, np.log(7.0)))), rng.uniform(0.3, 1.6)
    first = _wave(rng, _phase(rng, grid, 0.0, pitch), _fade(rng, pitch, grid[2]))
    return 0.4 * (first + _wave(rng, _phase(rng, grid, turn, pitch * rng.uniform(0.6, 2)), 0.8))


def _comb(rng: np.random.Generator, grid: Grid) -> np.ndarray:
    """Six-sided cells: three sets of waves at 60 degrees."""
    pitch = rng.uniform(2.0, 9.0)
    waves = [np.cos(2 * np.pi * _phase(rng, grid, turn, pitch)) for turn in (0.1, 1.147, 2.194)]
    return np.clip(sum(waves, np.float32(0.2)), -1, 1.2) * np.float32(0.5 * _fade(rng, pitch, grid[2]))


def _granules(rng: np.random.Generator, grid: Grid) -> np.ndarray:
    field = noise.smooth_field(rng, grid[0].shape, rng.uniform(0.7, 2.5) / grid[2])
    return np.clip(field - rng.uniform(0.0, 1.2), 0, 1.2)


def _blotches(rng: np.random.Generator, grid: Grid) -> np.ndarray:
    """Irregular islands of pigment, 3-20 µm, steep or soft at the edge."""
    cell = rng.uniform(3, 16)
    field = noise.octaves(rng, grid[0].shape, cell / grid[2], cell / 5 / grid[2], rng.uniform(0.3, 0.7))
    return np.clip((field - rng.uniform(0.2, 1.3)) * rng.uniform(1, 8), 0, 1)


def _veins(rng: np.random.Generator, grid: Grid) -> np.ndarray:
    cell = rng.uniform(6, 50)
    field = noise.octaves(rng, grid[0].shape, cell / grid[2], cell / 4 / grid[2], 0.45)
    return np.clip(1.0 - np.abs(field) * np.float32(rng.uniform(3, 12)), 0, 1)


def _bands(rng: np.random.Generator, grid: Grid) -> np.ndarray:
    phase = _phase(rng, grid, rng.normal(np.pi / 2, 0.15), rng.uniform(7, 70))
    return np.clip(np.cos(2 * np.pi * phase) * rng.uniform(0.6, 5), -0.5, 0.5)


def _spots(rng: np.random.Generator, grid: Grid) -> np.ndarray:
    """Round dots well below spore size, full or as small rings, in rows or strewn."""
    side, px_um = grid[0].shape[0], grid[2]
    sheet = np.zeros((side, side), np.uint8)
    radius, gap = rng.uniform(0.5, 2.4), rng.uniform(4, 18)
    count = int(np.clip((side * px_um / gap) ** 2, 4, 900))
    rows, open_rings = rng.random() < 0.3, rng.random() < 0.25
    for place in rng.uniform(0, side, (count, 2)):
        if rows:
            place[1] = np.round(place[1] * px_um / gap) * gap / px_um
        size = radius * rng.uniform(0.6, 1.5) / px_um
        centre = (int(place[0] * 8), int(place[1] * 8))
        cv2.circle(sheet, centre, int(size * 8) + 1, 255, 1 if open_rings else -1, cv2.LINE_AA, 3)
    return cv2.GaussianBlur(sheet, (0, 0), 0.5 + 0.2 * radius / px_um).astype(np.float32) / 255


def _windows(rng: np.random.Generator, grid: Grid) -> np.ndarray:
    """Pale panes between dark bars."""
    long, wide = rng.uniform(3, 14), rng.uniform(2, 8)
    bars = (
        np.cos(2 * np.pi * _phase(rng, grid, np.pi / 2, long)),
        np.cos(2 * np.pi * _phase(rng, grid, 0.0, wide)),
    )
    return np.clip(np.maximum(bars[0], bars[1]) * 4 - rng.uniform(1, 3), -0.6, 0.8)


def _clouds(rng: np.random.Generator, grid: Grid) -> np.ndarray:
    return 0.4 * noise.octaves(
        rng, grid[0].shape, rng.uniform(10, 80) / grid[2], 2 / grid[2], rng.uniform(0.4, 0.9)
    )


def _cracks(rng: np.random.Generator, grid: Grid) -> np.ndarray:
    """Fine straight lines at random: cracks, wrinkles, scratches."""
    side = grid[0].shape[0]
    sheet = np.zeros((side, side), np.uint8)
    for _ in range(int(rng.integers(4, 40))):
        path = noise.curve(
            rng,
            rng.uniform(0, side),
            rng.uniform(0, side),
            rng.uniform(0, 6.3),
            side * rng.uniform(0.1, 0.8),
            0.7,
            6,
        )
        cv2.polylines(sheet, [np.round(path * 8).astype(np.int32)], False, 255, 1, cv2.LINE_AA, 3)
    return sheet.astype(np.float32) / 255


def _iridescence(rng: np.random.Generator, grid: Grid) -> np.ndarray:
    """Coloured gloss that changes its hue from place to place, (n, n, 3)."""
    turn = 0.4 * noise.smooth_field(rng, grid[0].shape, rng.uniform(20, 90) / grid[2]) + rng.random()
    where = np.clip(noise.smooth_field(rng, grid[0].shape, rng.uniform(15, 80) / grid[2]), 0, 1.5)
    channels = [np.cos(np.float32(2 * np.pi) * (turn + third)) for third in (0.0, 1 / 3, 2 / 3)]
    return np.float32(rng.uniform(0.1, 0.8)) * where[..., None] * np.stack(channels, axis=2)


_MAKERS: tuple[Callable[[np.random.Generator, Grid], np.ndarray], ...] = (
    _ridges, _crossed, _comb, _granules, _blotches, _veins, _bands, _spots, _windows, _clouds, _cracks,
)  # fmt: skip
_SHARES = np.array([0.22, 0.08, 0.05, 0.13, 0.13, 0.09, 0.07, 0.08, 0.04, 0.08, 0.03])

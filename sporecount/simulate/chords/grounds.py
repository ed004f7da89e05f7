"""What lies under and in the tape: glass, paper, ruled lines, glue relief and dirt, with real textures."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from skimage import data

from sporecount.simulate.chords.solids import Array

GROUNDS = ("glass", "paper", "brick", "grass", "gravel", "text", "page", "coins", "moon", "clock", "cell")
INKS = ((0.9, 0.6, 0.25), (0.6, 0.6, 0.6), (0.2, 0.7, 0.6))


@lru_cache(maxsize=16)
def _picture(name: str) -> Array:
    return np.asarray(getattr(data, name)(), np.float32)


def real_texture(rng: np.random.Generator, shape: tuple[int, int], name: str, soft_px: float) -> Array:
    """Piece of a real picture at a random size, turned at random; mean 0, standard deviation about 1."""
    picture = np.rot90(_picture(name), int(rng.integers(4)))[:: int(rng.choice([-1, 1]))]
    # Of made things only small parts, much softened: letters and bricks are large under a microscope.
    made = name in ("brick", "text", "page", "coins", "clock")
    rows = max(int(picture.shape[0] * (rng.uniform(0.08, 0.3) if made else rng.uniform(0.2, 0.9))), 25)
    soft_px *= 2 if made else 1
    cols = min(max(int(rows * shape[1] / shape[0]), 25), picture.shape[1])
    y, x = rng.integers(0, picture.shape[0] - rows + 1), rng.integers(0, picture.shape[1] - cols + 1)
    piece = np.ascontiguousarray(picture[y : y + rows, x : x + cols])
    piece = cv2.GaussianBlur(cv2.resize(piece, shape[::-1], interpolation=cv2.INTER_CUBIC), (0, 0), soft_px)
    return np.clip((piece - piece.mean()) / (piece.std() + 1e-3), -2.5, 2.5)


def clouds(rng: np.random.Generator, shape: tuple[int, int], grain_px: float, stretch: float = 1.0) -> Array:
    """Smooth noise of a grain size, perhaps drawn out to one side; mean 0, standard deviation 1."""
    size = (max(int(shape[0] / grain_px), 2), max(int(shape[1] / grain_px / stretch), 2))
    noise = cv2.resize(rng.standard_normal(size, np.float32), shape[::-1], interpolation=cv2.INTER_CUBIC)
    return (noise - noise.mean()) / (noise.std() + 1e-3)


def _paper(rng: np.random.Generator, shape: tuple[int, int], um_per_px: float) -> Array:
    sheet, side = clouds(rng, shape, max(120 / um_per_px, 4)), int(1.5 * max(shape))
    y, x = (side - shape[0]) // 2, (side - shape[1]) // 2
    # Felted fibres run all ways: drawn-out noise, turned in several directions.
    for _ in range(5):
        noise = clouds(rng, (side, side), max(rng.uniform(6, 18) / um_per_px, 2), rng.uniform(4, 12))
        turn = cv2.getRotationMatrix2D((side / 2, side / 2), rng.uniform(0, 180), 1)
        noise = cv2.warpAffine(noise, turn, (side, side), borderMode=cv2.BORDER_REFLECT)
        sheet = sheet + noise[y : y + shape[0], x : x + shape[1]] ** 2
    return cv2.GaussianBlur((sheet - sheet.mean()) / sheet.std(), (0, 0), rng.uniform(2, 6) / um_per_px**0.5)


def _ruling(rng: np.random.Generator, shape: tuple[int, int], um_per_px: float) -> Array:
    """Share of ink of a pair of ruled lines."""
    y, x = np.mgrid[: shape[0], : shape[1]] * np.float32(um_per_px)
    turn, half = rng.choice([0, np.pi / 2]) + rng.normal(0, 0.08), rng.uniform(8, 45)
    gap = x * np.sin(turn) + y * np.cos(turn)
    gap = gap - gap.min() - rng.uniform(0, np.ptp(gap)) + 1.2 * clouds(rng, shape, max(14 / um_per_px, 3))
    gap = np.minimum(np.abs(gap), np.abs(np.abs(gap) - rng.uniform(80, 400)))
    return np.clip((half - gap) / rng.uniform(3, 12), 0, 1)


def draw_ground(
    rng: np.random.Generator, shape: tuple[int, int], um_per_px: float, kind: str, rough: float
) -> tuple[Array, Array]:
    """Light of the ground (h, w, 3), about 1, and where ruled lines lie; `rough`, 0 to 1, strengthens textures."""
    density, strength, ruled = (
        np.zeros(shape, np.float32),
        rng.uniform(0.01, 0.05 + 0.13 * rough),
        np.zeros(shape),
    )
    if kind == "paper":
        density += strength * _paper(rng, shape, um_per_px)
    elif kind != "glass":
        density += strength * real_texture(rng, shape, kind, rng.uniform(2.5, 14))
    if rng.random() < 0.3 + 0.6 * rough:
        # Glue is a relief, lit from one side: the slope of a real surface.
        relief = real_texture(rng, shape, str(rng.choice(["moon", "gravel", "grass"])), rng.uniform(1.5, 8))
        lit = np.tensordot(rng.normal(size=2), np.gradient(relief), 1)
        density += rng.uniform(0.005, 0.02 + 0.05 * rough) * np.clip(lit / (lit.std() + 1e-4), -3, 3)
    tinted = density[..., None] * (1 + 0.15 * rng.normal(size=3))
    if rng.random() < 0.25 + 0.4 * rough:
        film = real_texture(rng, shape, str(rng.choice(["moon", "gravel", "grass"])), rng.uniform(1.5, 9))
        film = np.clip(film - rng.uniform(0.6, 1.8), 0, 1) * np.clip(clouds(rng, shape, shape[0] / 4), 0, 1)
        tinted += rng.uniform(0.03, 0.25) * film[..., None] * rng.uniform([0.4, 0.7, 0.9], [1, 1, 1.4])
    if kind != "glass" and rng.random() < 0.3:
        ruled = _ruling(rng, shape, um_per_px)
        tinted += rng.uniform(0.06, 0.5) * ruled[..., None] * INKS[int(rng.integers(3))]
    return np.exp(-np.log(10) * tinted).astype(np.float32), ruled > 0.5

"""The ground under the tape: random fields of drawn spectrum, in optical density."""

from __future__ import annotations

import numpy as np

from tests.recipes.ranger.radial import Field
from tests.recipes.ranger.world import World


def gaussian_field(
    rng: np.random.Generator,
    shape: tuple[int, int],
    long_px: float,
    cross_px: float,
    angle_rad: float,
    slope: float,
) -> Field:
    """Gaussian field of unit spread: flat up to the inverse correlation lengths, then a power law.

    Drawn on a torus of the picture's size; its spectrum is an ellipse turned by `angle_rad`.
    """
    white = np.fft.rfft2(rng.standard_normal(shape, dtype=np.float32))
    fy = np.fft.fftfreq(shape[0])[:, None]
    fx = np.fft.rfftfreq(shape[1])[None, :]
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    q2 = ((fx * c + fy * s) * long_px) ** 2 + ((fy * c - fx * s) * cross_px) ** 2
    gain = (1 + 6 * q2) ** (-slope / 2)
    gain[0, 0] = 0
    made = np.fft.irfft2(white * gain, s=shape).astype(np.float32)
    return made / np.float32(made.std() + 1e-9)


def _mat(rng: np.random.Generator, world: World) -> Field:
    """Fibre mat: crests of long thin fields in several directions, the topmost counting most."""
    px = 1 / world.um_per_px
    total = np.zeros(world.shape, np.float32)
    for _ in range(int(rng.integers(3, 6))):
        width = rng.uniform(4, 16) * px
        wave = gaussian_field(rng, world.shape, width * rng.uniform(8, 25), width, rng.uniform(0, np.pi), 3.5)
        crest = np.exp(-((wave / rng.uniform(0.25, 0.7)) ** 2))
        total = np.maximum(total * np.float32(0.8), crest * np.float32(rng.uniform(0.5, 1)))
    return np.asarray(3 * (total - total.mean()), np.float32)


def _mottled(rng: np.random.Generator, world: World) -> Field:
    """Clouds of a drawn grain, on two octaves."""
    grain = rng.uniform(3, 60) / world.um_per_px
    cloud = gaussian_field(rng, world.shape, grain, grain * rng.uniform(0.6, 1), 0.0, rng.uniform(1.6, 3.5))
    return np.asarray(cloud + 0.4 * np.abs(cloud), np.float32)


def _banded(rng: np.random.Generator, world: World) -> Field:
    """Bands of a machine-made sheet: nearly one-dimensional."""
    width = rng.uniform(6, 50) / world.um_per_px
    return gaussian_field(rng, world.shape, width * 60, width, rng.uniform(0, np.pi), rng.uniform(2, 4))


def _raster(rng: np.random.Generator, world: World) -> Field:
    """Dots of a printed tint: 90 to 170 µm apart, their edges eaten by the paper."""
    pitch, turn = rng.uniform(90, 170) / world.um_per_px, rng.uniform(0, np.pi / 2)
    y, x = np.mgrid[: world.height_px, : world.width_px].astype(np.float32)
    u, v = (x * np.cos(turn) + y * np.sin(turn)) / pitch, (y * np.cos(turn) - x * np.sin(turn)) / pitch
    wave = np.cos(2 * np.pi * u + rng.uniform(0, 6)) + np.cos(2 * np.pi * v + rng.uniform(0, 6))
    ragged = gaussian_field(rng, world.shape, 12 / world.um_per_px, 9 / world.um_per_px, turn, 2.5)
    return (3 / (1 + np.exp(-6 * (wave - rng.uniform(0.3, 1.2) + 0.25 * ragged)))).astype(np.float32)


def _wrinkled(rng: np.random.Generator, world: World) -> Field:
    """Tape with wrinkles: slopes of a ridged sheet, bright on one side of a fold and dark on the other."""
    size = rng.uniform(40, 160) / world.um_per_px
    sheet = gaussian_field(rng, world.shape, size * rng.uniform(1.5, 5), size, rng.uniform(0, np.pi), 4.0)
    ridged = np.sqrt(np.abs(sheet) + 0.02)
    gy, gx = np.gradient(ridged)
    way = rng.uniform(0, 2 * np.pi)
    slope = gx * np.cos(way) + gy * np.sin(way)
    return np.asarray(2 * np.tanh(slope / (2.5 * slope.std() + 1e-9)), np.float32)


def ground_density(rng: np.random.Generator, world: World) -> Field:
    """Density of the bare ground, of shape (H, W, 3)."""
    fine = gaussian_field(rng, world.shape, 4 / world.um_per_px, 3 / world.um_per_px, rng.uniform(0, 3), 2.2)
    makers = {"mat": _mat, "mottled": _mottled, "banded": _banded, "raster": _raster, "wrinkled": _wrinkled}
    texture = np.float32(0.15) * fine
    if world.ground in makers:
        texture += makers[world.ground](rng, world)
    tint = np.array([0.9, 1.0, 1.1], np.float32) if world.ground != "raster" else rng.uniform(0.3, 1.6, 3)
    made = world.paper + np.float32(world.ground_strength) * texture[..., None] * tint.astype(np.float32)
    return np.maximum(made, -0.25).astype(np.float32)

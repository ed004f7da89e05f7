"""Random smooth functions, and the ground that is made of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from sporecount.simulate.curves.plan import Plan, Rng

Array = NDArray[Any]
STEPS = 512


@dataclass(frozen=True)
class Curve:
    """A smooth function of 0 to 1, kept at even steps."""

    table: Array

    def __call__(self, t: Array) -> Array:
        """Look values up; beyond 0 to 1 the end values hold."""
        at = np.clip(t * (STEPS - 1) + 0.5, 0, STEPS - 1).astype(np.intp)
        return self.table[at]


def draw_curve(rng: Rng, ranges: Sequence[tuple[float, float]], at: Sequence[float] | None = None) -> Curve:
    """Draw a smooth curve through a random value per range, `at` rising places or at jittered even steps."""
    n = len(ranges)
    if at is None:
        places = np.linspace(0, 1, n)
        places[1:-1] += rng.uniform(-0.3, 0.3, n - 2) / (n - 1)
    else:
        places = np.asarray(at, float)
    values = [rng.uniform(low, high) for low, high in ranges]
    return Curve(PchipInterpolator(places, values)(np.linspace(0, 1, STEPS)).astype(np.float32))


def draw_noise(
    rng: Rng,
    shape: tuple[int, int],
    px_um: float,
    coarse_um: float,
    fine_um: float,
    slope: float,
    stretch: float = 1.0,
    angle: float = 0.0,
) -> Array:
    """Draw a field of zero mean and unit spread, with a random wiggle in its spectrum.

    Waves are between `coarse_um` and `fine_um` long, their amplitude falls as frequency to `slope`, and
    they are `stretch` times longer along `angle` (radians, from +x to +y).
    """
    rows, cols = (scipy.fft.next_fast_len(n, real=True) for n in shape)
    fy = (np.fft.fftfreq(rows) / px_um).astype(np.float32)[:, None]
    fx = (np.fft.rfftfreq(cols) / px_um).astype(np.float32)[None]
    along, across = fx * np.cos(angle) + fy * np.sin(angle), fy * np.cos(angle) - fx * np.sin(angle)
    f = np.sqrt((along * stretch) ** 2 + across**2) + np.float32(1e-9)
    place = np.log(f * coarse_um) / max(np.log(coarse_um / fine_um), 0.1)
    wiggle = draw_curve(rng, [(-1, 1)] * 5)
    amplitude = np.exp(wiggle(place) - slope * np.log(f * coarse_um))
    # Soft ends, so that no ringing shows.
    amplitude *= np.exp(-((f * fine_um) ** 2)) * (1 - np.exp(-((f * coarse_um) ** 2)))
    white = rng.standard_normal((2, *f.shape), dtype=np.float32)
    field = scipy.fft.irfft2((white[0] + 1j * white[1]) * amplitude, s=(rows, cols))[: shape[0], : shape[1]]
    return np.asarray((field - field.mean()) / (field.std() + 1e-9), np.float32)


def _tint(rng: Rng, spread: float) -> Array:
    tint = np.array([1, 1, 1]) + rng.uniform(-0.2, 1, 1) * spread * np.array([-0.8, 0.0, 0.9])
    return np.asarray(tint, np.float32)


def draw_ground(rng: Rng, shape: tuple[int, int], px_um: float, plan: Plan) -> Array:
    """Draw the linear light of what lies under everything: glass, paper or card, and the tape's glue."""
    paper = {"glass": 0.012, "paper": 0.06, "card": 0.09}[plan.ground] * plan.roughness
    density = np.zeros((*shape, 3), np.float32)
    for _ in range(int(rng.integers(1, 3 if plan.ground == "glass" else 4))):
        coarse = float(np.exp(rng.uniform(np.log(15), np.log(400))))
        fine, slope, stretch = (
            max(coarse * rng.uniform(0.01, 0.3), 1),
            rng.uniform(0.4, 2.2),
            rng.uniform(1, 3.5),
        )
        noise = draw_noise(rng, shape, px_um, coarse, fine, slope, stretch, rng.uniform(0, np.pi))
        # A bent curve makes one ground pitted, another flecked, a third even.
        curve = draw_curve(rng, [(-1, 0.2), (-0.4, 0.2), (-0.2, 0.3), (0, 0.9), (0.2, 1.6)])
        one = paper * rng.uniform(0.3, 1) * curve(0.5 + noise / 6)
        density += one[..., None] * _tint(rng, 0.4)
    if plan.glue > 0:
        sheet = draw_noise(rng, shape, px_um, rng.uniform(60, 500), rng.uniform(8, 40), rng.uniform(1, 2.4))
        lines = np.exp(-((sheet / rng.uniform(0.03, 0.2)) ** 2)) * rng.uniform(-0.6, 1)
        shade = draw_curve(rng, [(-0.5, 0.5)] * 6)(0.5 + sheet / 6)
        density += (plan.glue * (lines + shade))[..., None] * _tint(rng, 0.5)
    if plan.streaks > 0:
        stretch, way = rng.uniform(6, 30), rng.uniform(0, np.pi)
        long = draw_noise(rng, shape, px_um, 300, rng.uniform(2, 9), 0.8, stretch, way)
        density += (plan.streaks * long)[..., None]
    shown = plan.ground_colour * np.power(np.float32(10), -density)
    return np.asarray(shown, np.float32)

"""What lies beneath the tape: paper with bright fibres, card, kraft, glass."""

from __future__ import annotations

import cv2
import numpy as np

from tests.recipes.drifter.canvas import Canvas, smooth_noise
from tests.recipes.drifter.optics import blur_by_map, disc_deviation_um
from tests.recipes.drifter.style import GROUNDS, WAVELENGTHS_NM, Array, Style

FIBRES_PER_MM2 = 450
COPIES = 5


def curve_um(
    rng: np.random.Generator, x_um: float, y_um: float, length_um: float, bend: float, points: int = 24
) -> Array:
    """Draw a slowly bending line, as points of a row each."""
    heading = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, bend / np.sqrt(points), points))
    steps = np.stack([np.cos(heading), np.sin(heading)], axis=1) * (length_um / points)
    path = np.cumsum(steps, axis=0)
    return np.asarray(path - path.mean(axis=0) + (x_um, y_um), np.float32)


def draw_ground(rng: np.random.Generator, canvas: Canvas, style: Style) -> Array:
    """Return the ground's light at each wavelength, on the photo's own grid, blurred by its own depth."""
    shape = (canvas.shape[0] // canvas.fine, canvas.shape[1] // canvas.fine)
    tint = np.asarray(GROUNDS[style.ground], np.float32)
    shrink = 2 if min(shape) > 300 else 1
    grain_um = canvas.grain_um * canvas.fine * shrink
    small = (-(-shape[0] // shrink), -(-shape[1] // shrink))
    relief = _clouds(rng, small, grain_um)
    if style.ground != "glass":
        relief = 0.55 * relief + _fibres(rng, small, grain_um, style.ground)
    relief = relief / (relief.std() + 1e-6)
    # Bright fibres stand out of the felt: more light is added than is taken away.
    relief = np.where(relief > 0, relief, 0.6 * np.tanh(relief))
    planes = np.empty((len(WAVELENGTHS_NM), *shape), np.float32)
    # A paper pressed onto the tape lies within a few depths of focus beneath it.
    deviation_um = disc_deviation_um(style.lens, style.lens.ground_um, 0.0, 0.0)
    for number in range(len(WAVELENGTHS_NM)):
        variance_um2 = min(float(deviation_um[number]) ** 2, 20.0) + style.lens.diffraction_um**2
        wide = np.full(small, variance_um2 / grain_um**2, np.float32)
        strength = style.texture * (1.15 if tint[number] < 0.7 else 1.0)
        lit = np.exp(strength * blur_by_map(relief.astype(np.float32), wide))
        planes[number] = tint[number] * cv2.resize(lit, shape[::-1], interpolation=cv2.INTER_CUBIC)
    return planes


def _clouds(rng: np.random.Generator, shape: tuple[int, int], grain_um: float) -> Array:
    """Unevenness of the felt, from its filler's grains to whole clouds."""
    total = np.zeros(shape, np.float32)
    for size_um, share in ((3, 0.35), (9, 0.5), (40, 0.6), (160, 0.7)):
        total += share * smooth_noise(rng, shape, max(size_um / grain_um, 1.0))
    return total


def _fibres(rng: np.random.Generator, shape: tuple[int, int], grain_um: float, ground: str) -> Array:
    """A felt of flat fibres: bright, brighter along their edges, with some thin threads."""
    area_mm2 = shape[0] * shape[1] * grain_um**2 / 1e6
    total = np.zeros(shape, np.float32)
    wide_um = {"kraft": (20, 45), "office paper": (9, 30)}.get(ground, (10, 35))
    for copy in range(COPIES):
        thin = copy >= 2
        felt = np.zeros(shape, np.float32)
        for _ in range(rng.poisson(FIBRES_PER_MM2 * (area_mm2 + 0.03) / COPIES * (3 if thin else 1))):
            length_um = rng.uniform(60, 400) if thin else rng.uniform(300, 1500)
            x_um, y_um = (
                rng.uniform(-100, (shape[1] * grain_um + 100)),
                rng.uniform(-100, shape[0] * grain_um + 100),
            )
            path = curve_um(rng, x_um, y_um, length_um, 1.0) / grain_um * 8
            width_um = rng.uniform(1.5, 6) if thin else rng.uniform(*wide_um)
            across_px = max(round(width_um / grain_um), 1)
            cv2.polylines(
                felt,
                [path.astype(np.int32)],
                False,
                float(rng.uniform(0.3, 1)),
                min(across_px, 200),
                cv2.LINE_8,
                3,
            )
        if not thin:
            edge_px = max(int(3 / grain_um), 1) * 2 + 1
            felt = 0.5 * felt + 0.9 * np.abs(felt - cv2.blur(felt, (edge_px, edge_px)))
        total += felt * (1.0 if thin else 0.9)
    return total - total.mean()

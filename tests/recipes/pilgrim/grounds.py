"""What lies under the tape: papers and cards of many tints, ruled or squared, and bare glass."""

from __future__ import annotations

import cv2
import numpy as np

from tests.recipes.pilgrim.palette import INKS, Floats, Rng, varied
from tests.recipes.pilgrim.scene import Scene, clouds

TINTS = {
    "cream": (0.86, 0.80, 0.66),
    "white": (0.88, 0.87, 0.84),
    "grey": (0.50, 0.50, 0.49),
    "kraft": (0.52, 0.37, 0.22),
    "green card": (0.55, 0.72, 0.52),
    "blue card": (0.50, 0.65, 0.78),
    "glass": (0.93, 0.94, 0.92),
}


def lay_ground(scene: Scene, tint: str, strength: float, rng: Rng) -> None:
    """Lay paper of felted fibres, or glass with its faint clouds; its texture shows from both sides."""
    um, shape = scene.um_per_px, scene.shape
    base = np.asarray(TINTS[tint], np.float32) * np.exp(rng.normal(0, 0.05, 3)).astype(np.float32)
    slow = clouds(shape, 260 / um, rng, 3)
    if tint == "glass":
        density = 0.012 * slow
    else:
        # felt: noise drawn out along a few directions, as fibres lie in paper
        felt = np.zeros(shape, np.float32)
        for _ in range(3):
            fine = clouds(shape, max(9 / um, 1.5), rng, 2)
            reach = int(np.clip(70 / um, 3, 61)) | 1
            line = np.zeros((reach, reach), np.float32)
            way = rng.uniform(0, np.pi)
            end = reach // 2 * np.array([np.cos(way), np.sin(way)])
            middle = reach // 2
            first, last = middle - end, middle + end
            cv2.line(line, (round(first[0]), round(first[1])), (round(last[0]), round(last[1])), 1.0)
            drawn: Floats = cv2.filter2D(fine, -1, line / line.sum())
            felt += drawn / max(float(drawn.std()), 1e-6)
        density = strength * (0.035 * slow + 0.045 * felt)
        flecks = clouds(shape, max(16 / um, 2), rng, 3) - (2.3 if tint == "kraft" else 2.9)
        density += 0.12 * strength * np.clip(flecks, 0, 1.2)
        scene.height_um += 0.45 * strength * felt + 0.6 * strength * slow
        grain = clouds(shape, max(3 / um, 1), rng, 2)
        density += 0.012 * grain
        scene.height_um += 0.12 * grain
    look = base * np.exp(-2.3 * density)[..., None]
    hue = base / base.max()
    # a card's tint is deeper in the light that passed all of it than in what it throws back
    scene.passes[:] = np.sqrt(hue) * np.exp(-2.3 * density)[..., None] * (1 if tint == "glass" else 0.9)
    scene.returns[:] = look if tint != "glass" else look * 0.55
    if tint != "glass" and rng.random() < 0.35:
        rule_lines(scene, rng)


def rule_lines(scene: Scene, rng: Rng) -> None:
    """Print a ruled or squared pattern: a line or two come into view, uneven as ink on fibres is."""
    um, (rows, cols) = scene.um_per_px, scene.shape
    ink = varied(INKS[int(rng.integers(len(INKS)))], rng, 0.1)
    tilt, tone = rng.uniform(0, np.pi), float(rng.uniform(0.08, 0.4))
    y, x = np.mgrid[0:rows, 0:cols].astype(np.float32)
    ragged = clouds((rows, cols), max(12 / um, 2), rng)
    box = (slice(0, rows), slice(0, cols))
    flat = np.zeros((rows, cols), np.float32)
    for way in (tilt, tilt + np.pi / 2)[: int(rng.integers(1, 3))]:
        away = (x - rng.uniform(0, cols)) * np.cos(way) + (y - rng.uniform(0, rows)) * np.sin(way)
        half = rng.uniform(25, 90)
        edge = half - np.abs(away * um) + 1.2 * ragged
        cover = np.clip(edge / 6 + 0.5, 0, 1)
        density = tone * cover * np.clip(0.9 + 0.15 * ragged, 0.1, 2)
        scene.press(box, cover.astype(np.float32), density.astype(np.float32), flat, ink, "other")

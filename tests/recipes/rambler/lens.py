"""Focus over the view, blur by a map, colour fringes."""

from __future__ import annotations

import itertools

import cv2
import numpy as np
from numpy.random import Generator

from tests.recipes.rambler.canvas import Floats, smooth_noise
from tests.recipes.rambler.plan import APERTURE, Plan

LAYERS = 5
"""Evenly blurred copies between which the map fades."""
WAVE_UM = 0.55


def focus_map(rng: Generator, plan: Plan) -> Floats:
    """Signed blur by defocus at each pixel, in µm: the photo's own, a tilt, and a little uneven tape."""
    rows, cols = plan.height_px, plan.width_px
    way = rng.uniform(0, 2 * np.pi)
    x = np.linspace(-0.5, 0.5, cols, dtype=np.float32)[None, :] * np.float32(np.cos(way))
    y = np.linspace(-0.5, 0.5, rows, dtype=np.float32)[:, None] * np.float32(np.sin(way))
    wavy = 0.15 * plan.tilt_um * smooth_noise(rng, (rows, cols), max(rows, cols) / 2.5)
    return (np.float32(plan.defocus_um) + np.float32(plan.tilt_um) * (x + y) + np.float32(wavy)).clip(-4, 4)


def variance_map(rng: Generator, plan: Plan, focus_um: Floats) -> Floats:
    """Variance of the blur at each pixel, in px2: objective, defocus and the phone's own lens together."""
    nearest = min(APERTURE, key=lambda known: abs(np.log(known / plan.objective)))
    # a Gaussian of this width has about the core of the Airy disc
    objective_um = 0.21 * WAVE_UM / APERTURE[nearest]
    phone_px = rng.uniform(0.3, 0.7)
    return ((objective_um**2 + focus_um**2) / plan.um_per_px**2 + phone_px**2).astype(np.float32)


def blur_by_map(scene: Floats, variance_px2: Floats, *, disc: bool) -> Floats:
    """Blur each pixel by its own variance, by discs or Gaussians.

    Mixing two neighbouring copies in proportion to their variances gives just the variance between them.
    """
    low, high = float(variance_px2.min()), float(variance_px2.max())
    if high - low < 0.02 * high:
        return _even_blur(scene, (low + high) / 2, disc)
    steps = np.geomspace(max(low, 0.05), high, LAYERS)
    steps[0] = low
    below = _even_blur(scene, float(steps[0]), disc)
    blurred = below.copy()
    for start, end in itertools.pairwise(steps.tolist()):
        above = _even_blur(scene, float(end), disc)
        share = np.clip((variance_px2 - np.float32(start)) / np.float32(end - start), 0, 1)[..., None]
        here = (share > 0).any(axis=(1, 2))
        blurred[here] = np.where(
            share[here] > 0, below[here] + share[here] * (above[here] - below[here]), blurred[here]
        )
        below = above
    return blurred


def colour_fringes(rng: Generator, scene: Floats, preset: str) -> Floats:
    """Red and blue a little larger or smaller than green."""
    rows, cols = scene.shape[:2]
    shifted = scene.copy()
    for channel in (0, 2):
        grow = 1 + rng.normal(0, 0.0008 if preset != "hard" else 0.0014)
        move = np.array([[grow, 0, (1 - grow) * (cols - 1) / 2], [0, grow, (1 - grow) * (rows - 1) / 2]])
        shifted[..., channel] = cv2.warpAffine(
            scene[..., channel], move, (cols, rows), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
    return shifted


def _even_blur(scene: Floats, variance: float, disc: bool) -> Floats:
    if variance < 0.4:
        # a sampled Gaussian is wrong where it is this narrow; three taps have just the variance
        taps = np.array([variance / 2, 1 - variance, variance / 2], np.float32)
        return np.asarray(cv2.sepFilter2D(scene, -1, taps, taps, borderType=cv2.BORDER_REFLECT), np.float32)
    if not disc or variance < 1.2:
        sigma = float(np.sqrt(variance))
        reach = 2 * int(np.ceil(4 * sigma)) + 1
        return np.asarray(
            cv2.GaussianBlur(scene, (reach, reach), sigma, borderType=cv2.BORDER_REFLECT), np.float32
        )
    radius = 2 * float(np.sqrt(variance))
    side = int(np.ceil(radius)) + 1
    fine = (np.arange((2 * side + 1) * 8) + 0.5) / 8 - side - 0.5
    inside = (np.hypot(fine[None, :], fine[:, None]) <= radius).astype(np.float32)
    kernel = cv2.resize(inside, (2 * side + 1, 2 * side + 1), interpolation=cv2.INTER_AREA)
    return np.asarray(
        cv2.filter2D(scene, -1, kernel / kernel.sum(), borderType=cv2.BORDER_REFLECT), np.float32
    )

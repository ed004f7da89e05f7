"""What bodies do to light: weak lenses, refracting edges, one-sided shadows, and blur by a map."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]

BLUR_COPIES = 5
"""Blurred copies of the scene between which the blur map chooses."""


def soften(plane: Plane, sigma_px: float) -> Plane:
    """Blur evenly; less than a sixth of a pixel is nothing."""
    if sigma_px < 0.16:
        return plane
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma_px, borderType=cv2.BORDER_REFLECT), np.float32)


def blur_by_map(scene: Plane, variance_px2: Plane) -> Plane:
    """Blur each pixel by its own variance, mixed linearly from copies of neighbouring variance.

    A mixture of two Gaussian kernels has the mixed variance, so the map's variance is met exactly.
    """
    low, high = float(variance_px2.min()), float(variance_px2.max())
    if high - low < 0.02 * high + 1e-4:
        return soften(scene, float(np.sqrt((low + high) / 2)))
    steps = np.linspace(np.sqrt(low), np.sqrt(high), BLUR_COPIES) ** 2
    out = np.zeros_like(scene)
    for i, step in enumerate(steps):
        before = steps[i - 1] if i else step - 1
        after = steps[i + 1] if i + 1 < len(steps) else step + 1
        rise, fall = (variance_px2 - before) / (step - before), (after - variance_px2) / (after - step)
        share = np.clip(np.minimum(rise, fall), 0, 1)
        copy = soften(scene, float(np.sqrt(step)))
        out += copy * (share if scene.ndim == 2 else share[..., None])
    return out


def slopes(path_um: Plane, um_per_px: float) -> tuple[Plane, Plane]:
    """Slope of an optical path along x and y, without unit."""
    down, right = np.gradient(path_um, um_per_px)
    return np.asarray(right, np.float32), np.asarray(down, np.float32)


def lens_gain(path_um: Plane, defocus_um: Plane | float, um_per_px: float, strength: float) -> Plane:
    """Brightness of light that weak lenses gather or spread over the distance to the plane in focus.

    Light flows along the slope of the optical path, so it gathers where the path is domed; for a plane
    in focus behind the body (`defocus_um` > 0) a thick heart is bright, before it dark.
    """
    bulge = cv2.Laplacian(path_um, cv2.CV_32F, ksize=1, borderType=cv2.BORDER_REFLECT) / um_per_px**2
    flow = -strength * defocus_um * bulge
    return np.exp(0.6 * np.tanh(flow / 0.6)).astype(np.float32)


def edge_density(path_um: Plane, um_per_px: float, accepted_slope: float, strength: float) -> Plane:
    """Light that steep edges throw out of the objective, as optical density."""
    right, down = slopes(path_um, um_per_px)
    steep = (right**2 + down**2) / accepted_slope**2
    return (strength * (1 - np.exp(-steep))).astype(np.float32)


def oblique_gain(path_um: Plane, um_per_px: float, direction: tuple[float, float], strength: float) -> Plane:
    """One side of each body bright, the other dark, by the side from which the light comes."""
    right, down = slopes(path_um, um_per_px)
    lean = strength * (right * direction[0] + down * direction[1])
    return np.exp(0.7 * np.tanh(lean / 0.7)).astype(np.float32)


def shadow(cover: Plane, shift_px: tuple[float, float], soft_px: float, depth: float) -> Plane:
    """Light left on the ground where bodies stand between it and the lamp."""
    rows, cols = cover.shape
    move = np.array([[1, 0, shift_px[0]], [0, 1, shift_px[1]]], np.float32)
    moved = np.asarray(cv2.warpAffine(cover, move, (cols, rows), borderMode=cv2.BORDER_REPLICATE), np.float32)
    return 1 - depth * soften(moved, soft_px)

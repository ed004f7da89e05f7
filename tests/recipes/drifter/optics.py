"""Blur by discs, one for each wavelength and height, and a cheap eyepiece."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.recipes.drifter.canvas import Canvas
from tests.recipes.drifter.style import WAVELENGTHS_NM, Array, Lens, Light

PIXEL_VARIANCE = 1 / 12
"""Variance that a pixel's own square adds to a disc, in px2."""
STEP_PX = 0.7
"""Discs nearer than this in deviation are told apart by mixing only."""


@lru_cache(maxsize=256)
def disc_kernel(variance_px2: float) -> NDArray[np.float32]:
    """Return a disc of even light with the variance, along each axis, that is asked for."""
    radius = 2 * np.sqrt(max(variance_px2 - PIXEL_VARIANCE, 0))
    reach = int(np.ceil(radius + 0.5))
    parts = 9
    at = (np.arange((2 * reach + 1) * parts) + 0.5) / parts - reach - 0.5
    disc = (at[:, None] ** 2 + at**2 <= max(radius, 0.09) ** 2).astype(np.float64)
    kernel = disc.reshape(2 * reach + 1, parts, 2 * reach + 1, parts).sum((1, 3))
    return np.asarray(kernel / kernel.sum(), np.float32)


def blur_by_map(scene: Array, variance_px2: Array) -> Array:
    """Blur each place by the disc of its own variance, mixed from the two nearest of a few discs."""
    least, most = float(variance_px2.min()), float(variance_px2.max())
    steps = int(np.ceil((np.sqrt(most) - np.sqrt(least)) / STEP_PX))
    if steps < 1 or most - least < 0.05 * most:
        return _filter(scene, float(variance_px2.mean()))
    levels = np.linspace(np.sqrt(least), np.sqrt(most), min(steps, 4) + 1) ** 2
    blurred = np.zeros_like(scene)
    for number, level in enumerate(levels):
        weight = np.ones_like(variance_px2)
        if number:
            below = np.float32(levels[number - 1])
            weight = np.clip((variance_px2 - below) / np.float32(level - below), 0, 1)
        if number + 1 < len(levels):
            above = np.float32(levels[number + 1])
            weight = np.minimum(weight, np.clip((above - variance_px2) / np.float32(above - level), 0, 1))
        rows, cols = np.flatnonzero(weight.any(axis=1)), np.flatnonzero(weight.any(axis=0))
        if not len(rows):
            continue
        pad = len(disc_kernel(round(level, 4)))
        outer = tuple(slice(max(i[0] - pad, 0), i[-1] + 1 + pad) for i in (rows, cols))
        share = weight[outer] if scene.ndim == 2 else weight[outer][..., None]
        blurred[outer] += share * _filter(scene[outer], level)
    return blurred


def _filter(scene: Array, variance_px2: float) -> Array:
    kernel = disc_kernel(round(float(variance_px2), 4))
    if len(kernel) <= 1:
        return scene
    return np.asarray(cv2.filter2D(scene, -1, kernel, borderType=cv2.BORDER_REFLECT_101))


def disc_deviation_um(lens: Lens, height_um: float, across: Array | float, down: Array | float) -> Array:
    """Signed deviation of the defocus disc, for each wavelength, at places from -1 to 1 across the view."""
    plane_um = lens.focus_um + lens.tilt_um[0] * across + lens.tilt_um[1] * down
    off_um = [height_um - plane_um - axial_um for axial_um in lens.axial_um]
    return np.asarray(off_um, np.float32) * np.float32(lens.aperture / 2)


def blur_um_at(lens: Lens, height_um: float, across: float, down: float) -> float:
    """Deviation of the whole blur at a place, over the wavelengths."""
    defocus = disc_deviation_um(lens, height_um, across, down)
    return float(np.sqrt((defocus**2).mean() + lens.diffraction_um**2))


def through_lens(canvas: Canvas, lens: Lens, layer: int, height_um: float) -> Array:
    """Return what passes a layer at each wavelength, blurred, on the photo's own grid."""
    rows, cols = canvas.shape
    shape = (cols // canvas.fine, rows // canvas.fine)
    planes = np.ones((len(WAVELENGTHS_NM), shape[1], shape[0]), np.float32)
    if not canvas.absorbance[layer].any():
        return planes
    across = np.linspace(-1, 1, cols, dtype=np.float32)[None, :]
    down = np.linspace(-1, 1, rows, dtype=np.float32)[:, None]
    deviation_um = disc_deviation_um(lens, height_um, across, down)
    # Where nothing lies in a layer there is nothing to blur.
    used = np.flatnonzero(canvas.absorbance[layer, 0].any(axis=1))
    pad = int(2 * np.sqrt(np.abs(deviation_um).max() ** 2 + lens.diffraction_um**2) / canvas.grain_um) + 3
    upper = max(used[0] - pad, 0) // canvas.fine
    lower = -(-min(used[-1] + 1 + pad, rows) // canvas.fine)
    band = slice(upper * canvas.fine, lower * canvas.fine)
    for number in range(len(WAVELENGTHS_NM)):
        variance = (deviation_um[number, band] ** 2 + lens.diffraction_um**2) / canvas.grain_um**2
        passed = cv2.exp(canvas.absorbance[layer, number, band] * np.float32(-np.log(10)))
        blurred = blur_by_map(np.asarray(passed), variance)
        area = (shape[0], lower - upper)
        planes[number, upper:lower] = cv2.resize(blurred, area, interpolation=cv2.INTER_AREA)
    return planes


def glow_through_lens(canvas: Canvas, lens: Lens) -> Array:
    """Return the light that things send back, by one disc for all wavelengths, on the photo's own grid."""
    rows, cols = canvas.shape
    variance = blur_um_at(lens, 0.0, 0.0, 0.0) ** 2 / canvas.grain_um**2
    shape = (cols // canvas.fine, rows // canvas.fine)
    return np.stack(
        [cv2.resize(_filter(g, variance), shape, interpolation=cv2.INTER_AREA) for g in canvas.glow]
    )


def eyepiece(light: Array, lens: Lens, lamp: Light) -> tuple[Array, NDArray[np.bool_]]:
    """Add lateral colour, vignette, ghost and veil; also return what of the view is lit at all."""
    rows, cols = light.shape[1:]
    x = np.arange(cols, dtype=np.float32) - (cols - 1) / 2
    y = np.arange(rows, dtype=np.float32)[:, None] - (rows - 1) / 2
    far = np.hypot(x, y) / (0.5 * np.hypot(rows, cols))
    seen = np.ones((rows, cols), bool)
    shade = 1 - lamp.vignette * far**2.4
    if lamp.round_view:
        radius = lamp.round_view * max(rows, cols) / np.hypot(rows, cols)
        seen = far < radius
        shade = shade * np.clip((radius - far) * 60 + 0.5, 0.004, 1)
    mean = light[:, seen].mean(axis=1)
    out = np.empty_like(light)
    for number, colour in enumerate((1.0, 0.0, -0.25, -0.6)):
        zoom = 1 + lens.lateral * colour
        matrix = np.array([[zoom, 0, (1 - zoom) * (cols - 1) / 2], [0, zoom, (1 - zoom) * (rows - 1) / 2]])
        moved = cv2.warpAffine(light[number], matrix, (cols, rows), borderMode=cv2.BORDER_REPLICATE)
        out[number] = moved * shade
        if lamp.ghost:
            ghost = cv2.blur(out[number], (31, 31))[::-1, ::-1]
            out[number] += lamp.ghost * (ghost + mean[number] * np.exp(-((far / 0.35) ** 2)))
        out[number] += lamp.veil * mean[number] * np.where(seen, 1.0, 0.1)
    return out, seen

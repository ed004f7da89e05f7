"""Light, blur by field curvature, colour fringes, vignette and the phone's own processing."""

from __future__ import annotations

import cv2
import numpy as np

from tests.recipes.voyager.conditions import Conditions
from tests.recipes.voyager.stage import Stage
from tests.recipes.voyager.textures import Floats, turbulence

_COPIES = 4


def offsets(shape: tuple[int, int]) -> tuple[Floats, Floats]:
    """Place of each pixel from the middle, in half diagonals."""
    rows, cols = shape
    half = np.hypot(rows, cols) / 2
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    return (x - (cols - 1) / 2) / np.float32(half), (y - (rows - 1) / 2) / np.float32(half)


def blur_variance_px2(shape: tuple[int, int], conditions: Conditions) -> Floats:
    """Blur at each pixel as variance along an axis: objective, and defocus by drift, tilt and curvature."""
    x, y = offsets(shape)
    lean = np.cos(conditions.tilt_angle) * x + np.sin(conditions.tilt_angle) * y
    defocus = conditions.focus_um + conditions.tilt_um * lean + conditions.curve_um * (x**2 + y**2)
    return ((conditions.optics_um**2 + defocus**2) / conditions.um_per_px**2).astype(np.float32)


def blur_by_map(scene: Floats, variance_px2: Floats) -> Floats:
    """Blur by a map: neighbours of a few evenly blurred copies are mixed, which keeps the variance exactly."""
    low, high = float(variance_px2.min()), float(variance_px2.max())
    number = 2 if high < 1.6 * low else _COPIES
    steps = np.linspace(np.sqrt(low), np.sqrt(high), number) ** 2
    copies = [cv2.GaussianBlur(scene, (0, 0), max(float(np.sqrt(v)), 0.05)) for v in steps]
    if high - low < 1e-3:
        return copies[0]
    out = np.zeros_like(scene)
    for copy, one in zip(copies, np.eye(number), strict=True):
        out += copy * np.interp(variance_px2, steps, one).astype(np.float32)[..., None]
    return out


def _shaken(scene: Floats, conditions: Conditions) -> Floats:
    """Smear along the handshake's way, as a short even stroke."""
    sigma_px = conditions.shake_um / conditions.um_per_px
    if sigma_px < 0.15:
        return scene
    reach = int(np.ceil(sigma_px * 1.8)) + 1
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    c, s = np.cos(conditions.shake_angle), np.sin(conditions.shake_angle)
    along, across = c * x + s * y, c * y - s * x
    # a stroke of even light has the standard deviation of its half length over the root of 3
    stroke = np.clip(np.sqrt(3) * sigma_px - np.abs(along) + 0.5, 0, 1) * np.clip(1 - np.abs(across), 0, 1)
    return cv2.filter2D(scene, -1, (stroke / stroke.sum()).astype(np.float32))


def _fringed(scene: Floats, fringe: float) -> Floats:
    """Magnify red and shrink blue about the middle."""
    rows, cols = scene.shape[:2]
    out = scene.copy()
    for channel, zoom in ((0, 1 + fringe), (2, 1 - fringe)):
        move = [(cols - 1) / 2 * (1 - zoom), (rows - 1) / 2 * (1 - zoom)]
        bend = np.array([[zoom, 0, move[0]], [0, zoom, move[1]]])
        plane = np.ascontiguousarray(scene[..., channel])
        out[..., channel] = cv2.warpAffine(plane, bend, (cols, rows), borderMode=cv2.BORDER_REPLICATE)
    return out


def round_view(shape: tuple[int, int], conditions: Conditions) -> Floats | None:
    """Light let through by the eyepiece's stop, or None where the photo lies inside it."""
    if not conditions.eyepiece:
        return None
    x, y = offsets(shape)
    soft = (conditions.eyepiece - np.hypot(x, y)) / 0.012
    return np.clip(soft + 0.5, 0, 1)


def seen_light(rng: np.random.Generator, stage: Stage, conditions: Conditions) -> Floats:
    """Light at the sensor, linear, bare ground near 0.7."""
    shape = stage.kind.shape
    relief = cv2.GaussianBlur(stage.height_um, (0, 0), max(0.6 / stage.um_per_px, 0.5))
    slope_y, slope_x = (g / np.float32(stage.um_per_px) for g in np.gradient(relief))
    toward = np.cos(conditions.slant_angle) * slope_x + np.sin(conditions.slant_angle) * slope_y
    shade = 1 + np.clip(conditions.slant * toward, -0.35, 0.35)
    below = np.exp(np.float32(-np.log(10)) * stage.density) * np.array(conditions.lamp, np.float32)
    above = stage.sent_back * np.array(conditions.day, np.float32)
    through = np.float32(conditions.through)
    light = (through * below + (1 - through) * above) * shade[..., None].astype(np.float32)
    light = _shaken(blur_by_map(light, blur_variance_px2(shape, conditions)), conditions)
    light = _fringed(light, conditions.fringe)
    x, y = offsets(shape)
    away = np.hypot(x - rng.normal(0, 0.12), y - rng.normal(0, 0.12))
    fall = 1 - conditions.vignette * np.minimum(away, 1.2) ** 2
    fall *= 1 + 0.04 * turbulence(rng, shape, max(shape), 1)
    light *= np.float32(rng.uniform(0.5, 0.8)) / np.percentile(light[::7, ::7], 80, axis=(0, 1)).mean()
    light *= fall.astype(np.float32)[..., None]
    stop = round_view(shape, conditions)
    if stop is not None:
        light = light * stop[..., None] + np.float32(0.004)
    return light.astype(np.float32)


def develop(rng: np.random.Generator, light: Floats, conditions: Conditions) -> np.ndarray:
    """Make a phone's JPEG of the light: balance, noise, denoising, tone, sharpening, compression."""
    balance = np.exp(rng.normal(0, 0.04, 3)).astype(np.float32)
    grain = rng.standard_normal(light.shape, np.float32)
    raw = light * balance
    raw += grain * np.sqrt(np.maximum(raw, 0) * 0.8 + 0.01) * np.float32(conditions.noise)
    tone = np.clip(raw, 0, 1) ** np.float32(1 / 2.2)
    bent = tone + np.float32(rng.uniform(0, 0.06)) * np.sin(2 * np.pi * (tone - 0.5)) * (0.9 - tone)
    picture = np.clip(bent, 0, 1)
    if conditions.smear:
        smooth = cv2.bilateralFilter(picture, 5, 0.03 + 3 * conditions.noise, 1.6)
        picture += np.float32(conditions.smear) * (smooth - picture)
    wide = cv2.GaussianBlur(picture, (0, 0), 1.3)
    picture += np.float32(conditions.sharpen) * (picture - wide)
    rgb = np.round(np.clip(picture, 0, 1) * 255).astype(np.uint8)
    coded = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, conditions.jpeg])[1]
    decoded: Floats = np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR))
    return np.ascontiguousarray(decoded[..., ::-1])

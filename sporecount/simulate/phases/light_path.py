"""From the print to the picture: lamp, condenser, objective, eyepiece, and at last the phone."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from sporecount.simulate.phases.sheet import LUMA, Array, Sheet
from sporecount.simulate.phases.style import Style, log_uniform


def noise_field(rng: Generator, shape: tuple[int, int], size_px: float) -> Array:
    """Soft noise of mean 0 and standard deviation 1 with features of about a size."""
    # Half as coarse as the features, then softened, or the coarse grid itself would show.
    coarse_px = max(size_px / 2, 1)
    small = tuple(int(np.ceil(n / coarse_px)) + 3 for n in shape)
    soft = cv2.GaussianBlur(rng.standard_normal(small, np.float32), (0, 0), 1.1)
    field = cv2.resize(soft, shape[::-1], interpolation=cv2.INTER_CUBIC)
    return np.asarray((field - field.mean()) / (field.std() + 1e-6), np.float32)


def soft(picture: Array, sigma_px: float) -> Array:
    """Blur evenly; a wide blur is taken on a coarser grid, where it shows the same and costs far less."""
    shrink = max(1, int(sigma_px / 3))
    rows, cols = picture.shape[:2]
    if shrink > 1:
        small = (max(1, cols // shrink), max(1, rows // shrink))
        picture = np.asarray(cv2.resize(picture, small, interpolation=cv2.INTER_AREA), np.float32)
    picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), max(0.3, sigma_px / shrink)), np.float32)
    return np.asarray(cv2.resize(picture, (cols, rows)), np.float32) if shrink > 1 else picture


def height_map(rng: Generator, shape: tuple[int, int], style: Style) -> Array:
    """Height of the print over the sharp plane of green light, um."""
    y = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None]
    x = np.linspace(-1, 1, shape[1], dtype=np.float32)[None]
    way = rng.uniform(0, 2 * np.pi)
    slope = x * np.float32(np.cos(way)) + y * np.float32(np.sin(way))
    bowl = x * x + y * y - 0.7
    return np.asarray(style.focus_um + style.tilt_um * slope + style.bowl_um * bowl, np.float32)


def variance_um2(height_um: Array, style: Style) -> Array:
    """Blur of the objective and of a height, as the variance along one axis, um2."""
    # An Airy disc is near a normal curve of 0.21 wavelength / aperture; the cone of light cuts a disc, R2/4.
    sharp = (0.21 * 0.55 / style.aperture) ** 2
    return np.asarray(sharp + (height_um * style.aperture) ** 2 / 4, np.float32)


def _disc(variance_px2: float) -> tuple[Array, float]:
    """Spot of a point out of focus, a soft-edged disc brighter at its ring, and its true variance, px2."""
    sigma = np.sqrt(max(variance_px2, 1e-3))
    half = int(np.ceil(3.2 * sigma)) + 1
    grid = np.arange(-half * 3 - 1, half * 3 + 2) / 3.0
    r = np.hypot(grid[:, None], grid[None])
    spot = (1 + 0.5 * (r / (1.7 * sigma)) ** 2) / (1 + np.exp((r - 1.7 * sigma) / (0.22 * sigma)))
    n = 2 * half + 1
    spot = spot.reshape(n, 3, n, 3).sum(axis=(1, 3))
    spot /= spot.sum()
    x = np.arange(n) - half
    return spot.astype(np.float32), float((spot.sum(axis=0) * x**2).sum())


def blur_by_map(scene: Array, variance_px2: Array) -> Array:
    """Blur a picture by a variance that differs from place to place, by mixing evenly blurred copies."""
    low, high = np.sqrt(float(variance_px2.min())), np.sqrt(float(variance_px2.max()))
    sigmas = np.linspace(low, high, 1 if high - low < 0.03 else min(8, 2 + int((high - low) / 0.8)))
    discs = [_disc(float(s) ** 2) for s in sigmas]
    copies = [cv2.filter2D(scene, -1, spot, borderType=cv2.BORDER_REFLECT) for spot, _ in discs]
    levels = np.array([variance for _, variance in discs])
    place = np.interp(variance_px2, levels, np.arange(len(levels))).astype(np.float32)
    result = np.zeros_like(scene)
    for k, copy in enumerate(copies):
        # The variance of a mixture is the mixture of the variances.
        weight = np.clip(1 - np.abs(place - k), 0, 1)
        result += copy * (weight[..., None] if scene.ndim == 3 else weight)
    return result


def through_microscope(print_sheet: Sheet, ground: Array, height_um: Array, style: Style) -> Array:
    """Linear picture of the print over the light of its ground; the sheet may have a finer grid."""

    def small(picture: Array) -> Array:
        return np.asarray(cv2.resize(picture, ground.shape[1::-1], interpolation=cv2.INTER_AREA), np.float32)

    down_x = cv2.Sobel(print_sheet.path_um, cv2.CV_32F, 1, 0, scale=0.125 / print_sheet.px_um)
    down_y = cv2.Sobel(print_sheet.path_um, cv2.CV_32F, 0, 1, scale=0.125 / print_sheet.px_um)
    # A slope bends light; beyond the cone of the condenser and the aperture it is lost, and edges go dark.
    bend = (down_x**2 + down_y**2) / (style.aperture * (0.45 + 0.9 * style.condenser)) ** 2
    passed = 0.12 + 0.88 / (1 + bend)
    depth = print_sheet.density * np.float32(1.5 if style.from_above else 1.0)
    light = small(np.exp(-np.float32(np.log(10)) * depth) * passed[..., None])
    px2 = np.float32(style.um_per_px**2)
    middle = variance_um2(height_um, style) / px2
    curve = cv2.Laplacian(blur_by_map(small(print_sheet.path_um), middle), cv2.CV_32F, ksize=1) / px2
    scene = np.empty_like(ground)
    for c, shift in enumerate((-0.7, 0.0, 1.0)):
        height = height_um + np.float32(shift * style.fringe_um)
        seen = blur_by_map(np.ascontiguousarray(light[..., c]), variance_um2(height, style) / px2)
        lens = 1 + 0.7 * np.tanh(-height * curve * np.float32(style.relief))
        scene[..., c] = ground[..., c] * seen * lens
    if style.from_above:
        veil = print_sheet.veil[..., None] * np.exp(-np.float32(1.1) * print_sheet.density)
        scene += 0.55 * blur_by_map(small(veil), middle)
    return scene


def lamp_and_view(rng: Generator, shape: tuple[int, int], style: Style) -> tuple[Array, Array]:
    """Light over the view with its colour, and the share of each pixel inside the round view, (H, W, 3) both."""
    y = (np.arange(shape[0], dtype=np.float32)[:, None] / shape[0] - 0.5) * 2
    x = (np.arange(shape[1], dtype=np.float32)[None] / shape[1] - 0.5) * 2
    lean, fall = rng.normal(0, 0.12, 2), rng.uniform(0, 0.35)
    field = (1 + lean[0] * x + lean[1] * y) * (1 - fall * ((x - rng.normal(0, 0.2)) ** 2 + y * y) / 2)
    casts = ((1.12, 1, 0.8), (1.0, 1, 1.0), (0.95, 1, 1.08), (1.04, 1, 0.9), (0.98, 1.03, 0.95))
    cast = np.array(casts[rng.integers(len(casts))]) * np.exp(rng.normal(0, 0.03, 3))
    if style.unusual == "coloured lamp":
        lamps = ((1.25, 0.95, 0.42), (0.7, 1.1, 0.75), (0.65, 0.9, 1.3), (1.15, 0.8, 1.1))
        cast = np.array(lamps[rng.integers(4)])
    lamp = np.clip(field, 0.15, None)[..., None] * cast.astype(np.float32)
    view = np.ones((*shape, 3), np.float32)
    if rng.random() < {"good_focus": 0.15, "scan_4x": 0.45}.get(style.preset, 0.25):
        size = min(shape) / 2 * rng.uniform(0.93, 1.45)
        px, py = rng.normal(0, 0.06, 2) * min(shape)
        r = np.hypot(x * shape[1] / 2 - px, y * shape[0] / 2 - py)
        edge = rng.uniform(1, 0.02 * size + 1.5)
        for c, wide in enumerate((1.0, 1.002, 1.004)):
            view[..., c] = np.clip(0.5 - (r - size * wide) / edge, 0, 1)
    return lamp.astype(np.float32), view


def develop(rng: Generator, scene: Array, style: Style) -> tuple[NDArray[np.uint8], float, dict[str, float]]:
    """Take the picture with a phone.

    Gives the picture, the noise of a pixel of full light before it was smoothed, as a share of it, and notes.
    """
    shape = scene.shape[:2]
    bright = float(np.percentile(scene @ LUMA, 90)) + 1e-3
    low, high = (0.12, 0.28) if style.dim else (0.18, 0.4) if style.ground == "dark paper" else (0.42, 0.88)
    picture = scene * np.float32(rng.uniform(low, high) / bright)
    # The eyepiece spreads the colours towards the edge; green stays.
    spread = rng.normal(0, 0.25) / style.um_per_px / (max(shape) / 2)
    for c, way in ((0, spread), (2, -spread)):
        turn = np.array([[1 + way, 0, -way * shape[1] / 2], [0, 1 + way, -way * shape[0] / 2]], np.float32)
        plane = np.ascontiguousarray(picture[..., c])
        picture[..., c] = cv2.warpAffine(plane, turn, shape[::-1], borderMode=cv2.BORDER_REFLECT)
    noise = log_uniform(rng, 0.006, 0.03) * (1.8 if style.dim else 1.0)
    grain = rng.standard_normal(scene.shape, np.float32)
    grain = np.asarray(cv2.GaussianBlur(grain, (0, 0), float(rng.uniform(0.4, 0.8))), np.float32)
    picture += grain * np.float32(noise / (grain.std() + 1e-6)) * np.sqrt(np.clip(picture, 0, None) + 0.003)
    picture = np.clip(picture, 0, 1) ** np.float32(1 / 2.2)
    if rng.random() < 0.5 or style.unusual == "smooth phone":
        strength = 3.0 if style.unusual == "smooth phone" else rng.uniform(0.6, 1.5)
        sigma = float(0.02 + 1.5 * noise * strength)
        smoothed = cv2.bilateralFilter(picture, 7 if strength > 2 else 5, sigma, 1.0 + strength)
        picture = np.asarray(smoothed, np.float32)
    amount, reach = rng.uniform(0, 1.1), float(rng.uniform(0.7, 2.0))
    picture = picture + np.float32(amount) * (picture - cv2.GaussianBlur(picture, (0, 0), reach))
    bow = np.float32(rng.uniform(-0.05, 0.18))
    picture = np.clip(picture, 0, 1)
    picture = picture - bow / 2 * np.sin(2 * np.float32(np.pi) * picture)
    grey = (picture @ LUMA)[..., None]
    picture = grey + (picture - grey) * np.float32(rng.uniform(0.8, 1.25))
    quality = int(rng.integers(60, 98))
    shown = np.round(np.clip(picture, 0, 1) * 255).astype(np.uint8)
    _, packed = cv2.imencode(".jpg", shown[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    rgb = np.ascontiguousarray(np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR))[..., ::-1])
    return rgb.astype(np.uint8), noise, {"quality": quality, "noise": noise, "sharpening": float(amount)}

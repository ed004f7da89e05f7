"""From the painted scene to the phone's picture: blur, light, noise, processing, compression."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.layered import noise


@dataclass(frozen=True)
class CameraLook:
    """How one photo is taken; blur in µm, the rest in shares of the picture or of full light."""

    kernel: str
    sharpest: float
    defocus: float
    unevenness: float
    tilt: float
    motion: float
    round_view: str
    falloff: float
    slant: float
    dirt: int
    colour_shift: float
    zoom: float
    shot: float
    read: float
    grain_px: float
    blotches: float
    chroma_blotches: float
    islands: float
    denoise: str
    sharpen: float
    sharpen_px: float
    gamma: float
    s_curve: float
    lift: float
    saturation: float
    white: np.ndarray
    quality: int
    chroma_halved: bool


def blur_field(rng: np.random.Generator, look: CameraLook, shape: tuple[int, int]) -> np.ndarray:
    """Draw the standard deviation of the blur in µm, (h, w) float32: that of a tilted, bent, bumpy plane."""
    y, x = np.mgrid[-1:1:24j, -1:1:24j].astype(np.float32)
    way = rng.uniform(0, 2 * np.pi)
    depth = 1.0 + look.tilt * (np.cos(way) * x + np.sin(way) * y)
    depth += rng.normal(0, 0.3) * look.unevenness * (x**2 + y**2 - 0.6)
    depth += look.unevenness * 0.5 * noise.smooth_field(rng, (24, 24), 8)
    sigma = np.sqrt(look.sharpest**2 + (look.defocus * depth) ** 2)
    return cv2.resize(sigma.astype(np.float32), shape[::-1], interpolation=cv2.INTER_LINEAR)


def blur(scene: np.ndarray, sigma_px: np.ndarray, kernel: str) -> np.ndarray:
    """Blur by a slowly changing width: a few plain blurs, mixed pixel by pixel."""
    low, high = float(sigma_px.min()), float(sigma_px.max())
    steps = 1 if high < 1.15 * low + 0.1 else 3 if high < 2.5 * low + 0.5 else 4
    if steps == 1:
        return _blurred(scene, (low + high) / 2, kernel)
    levels = np.linspace(low, high, steps)
    place = (sigma_px - low) / np.float32((high - low) / (steps - 1))
    total = np.zeros_like(scene)
    for number, level in enumerate(levels):
        weight = np.clip(1.0 - np.abs(place - number), 0.0, 1.0)
        total += weight[..., None] * _blurred(scene, float(level), kernel)
    return total


def _blurred(scene: np.ndarray, sigma: float, kernel: str) -> np.ndarray:
    if sigma < 0.3:
        return scene
    if sigma > 5.0:  # a wide blur of a smaller picture is the same and far cheaper
        shrink = sigma / 3.0
        small = cv2.resize(scene, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA)
        return cv2.resize(_blurred(small, 2.9, kernel), scene.shape[1::-1], interpolation=cv2.INTER_CUBIC)
    if kernel == "gauss" or sigma < 0.8:
        return cv2.GaussianBlur(scene, (0, 0), sigma)
    inner = {"disc": 0.0, "ring": 0.65}[kernel]
    radius = 2.0 * sigma / np.sqrt(1.0 + inner**2)
    reach = int(np.ceil(radius)) + 1
    y, x = np.ogrid[-reach : reach + 1, -reach : reach + 1]
    r = np.hypot(x, y)
    weights = np.clip(radius - r + 0.5, 0, 1) * (1.0 - 0.8 * np.clip(inner * radius - r + 0.5, 0, 1))
    return cv2.filter2D(
        scene, -1, (weights / weights.sum()).astype(np.float32), borderType=cv2.BORDER_REFLECT
    )


def view_mask(rng: np.random.Generator, sort: str, shape: tuple[int, int]) -> np.ndarray:
    """Signed share of the radius inside the eyepiece's rim, (h, w) float32; above 0 is in view."""
    height, width = shape
    if sort == "full":
        return np.ones(shape, np.float32)
    short = min(height, width)
    radius = short * (rng.uniform(0.42, 0.5) if sort == "whole" else rng.uniform(0.55, 0.75))
    drift = 0.5 * short - radius if sort == "whole" else 0.15 * short
    cx, cy = width / 2 + rng.uniform(-1, 1) * drift, height / 2 + rng.uniform(-1, 1) * drift
    y, x = np.ogrid[:height, :width]
    return (1.0 - np.hypot(x - cx, y - cy) / radius).astype(np.float32)


def light_field(rng: np.random.Generator, look: CameraLook, inside: np.ndarray) -> np.ndarray:
    """Multiplying light (h, w, 3): falloff, slant, rim shade, dirt in the eyepiece, and the dark outside."""
    height, width = inside.shape
    y, x = np.mgrid[-1:1:48j, -1:1:48j].astype(np.float32)
    way = rng.uniform(0, 2 * np.pi)
    px, py = rng.normal(0, 0.25, 2)
    field = 1.0 - look.falloff * ((x - px) ** 2 + (y - py) ** 2) / 2
    field *= 1.0 + look.slant * (np.cos(way) * x + np.sin(way) * y)
    light = np.repeat(np.clip(field, 0.08, None)[..., None], 3, axis=2)
    light *= 1.0 + rng.normal(0, 0.03, 3) * (x**2 + y**2)[..., None]
    light = cv2.resize(light.astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR)
    for _ in range(look.dirt):
        size = rng.uniform(0.006, 0.05) * height
        cx, cy = rng.uniform(0, width), rng.uniform(0, height)
        reach = int(3 * size) + 2
        rows = slice(max(0, int(cy) - reach), min(height, int(cy) + reach))
        columns = slice(max(0, int(cx) - reach), min(width, int(cx) + reach))
        yy, xx = np.ogrid[rows, columns]
        r = np.hypot(xx - cx, (yy - cy) * rng.uniform(0.6, 1.6)) / size
        shade = rng.uniform(0.05, 0.4) * np.exp(-(r**4 if rng.random() < 0.5 else (r - 1) ** 2 * 4))
        light[rows, columns] *= (1.0 - shade[..., None]).astype(np.float32)
    if look.round_view != "full":
        soft = rng.uniform(0.004, 0.05)
        ramp = np.clip(inside / soft + 0.5, 0, 1)
        ramp = ramp * ramp * (3 - 2 * ramp)
        edge, outside = ramp - ramp**2, np.float32(rng.uniform(0.0, 0.02))
        for channel, fringe in enumerate(rng.normal(0, 0.25, 3)):
            through = np.clip(ramp + np.float32(fringe) * edge, 0, 1)
            light[..., channel] = (light[..., channel] - outside) * through + outside
    return light


def shift_colours(rng: np.random.Generator, rgb: np.ndarray, amount: float) -> np.ndarray:
    """Magnify red and blue a little against green, and shift them by a part of a pixel."""
    if amount == 0.0:
        return rgb
    height, width = rgb.shape[:2]
    out = rgb.copy()
    drift = rng.normal(0, 0.5, 2) * amount * 300
    for channel, way in ((0, 1.0), (2, -1.0)):
        grow = 1.0 + way * amount
        matrix = np.array(
            [
                [grow, 0, (1 - grow) * width / 2 + way * drift[0]],
                [0, grow, (1 - grow) * height / 2 + way * drift[1]],
            ]
        )
        out[..., channel] = cv2.warpAffine(
            rgb[..., channel], matrix, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
        )
    return out


def noise_density(look: CameraLook, level: float) -> float:
    """Optical density that equals one standard deviation of a pixel's noise at a linear light level."""
    level = max(level, 1e-3)
    kept = (0.5 if look.denoise != "none" else 0.8) * (1.0 + 0.6 * look.sharpen)
    sensor = np.sqrt(look.shot * level + look.read**2) * kept / level
    codes = 1.0 + (100 - look.quality) / 25.0  # 8-bit steps lost to rounding and compression
    coding = look.gamma * codes / (255.0 * level ** (1.0 / look.gamma))
    lost = 0.3 * look.gamma * look.islands / (255.0 * level ** (1.0 / look.gamma))  # smoothed away
    return float(np.sqrt(sensor**2 + coding**2 + lost**2) / np.log(10.0))


def develop(
    rng: np.random.Generator, linear: np.ndarray, look: CameraLook, out_shape: tuple[int, int]
) -> np.ndarray:
    """Linear light at the sensor's pixels to the decoded pixels of a saved JPEG, (H, W, 3) uint8."""
    shape = linear.shape[:2]
    spread = np.sqrt(look.shot * np.clip(linear, 0, 1) + look.read**2)
    grain = rng.standard_normal(linear.shape, dtype=np.float32)
    if look.grain_px > 0.3:
        grain = cv2.GaussianBlur(grain, (0, 0), look.grain_px) * np.float32(1.0 + 2.6 * look.grain_px)
    rgb = linear + spread * grain
    if look.blotches:
        cell = rng.uniform(4, 14)
        for channel in range(3):
            rgb[..., channel] *= 1.0 + np.float32(look.blotches) * noise.smooth_field(rng, shape, cell)
    rgb = np.clip(rgb * look.white.astype(np.float32), 0, 1) ** np.float32(1.0 / look.gamma)
    rgb += np.float32(look.s_curve) * (rgb - 0.5) * (1 - np.abs(2 * rgb - 1)) * 1.2
    grey = rgb @ np.array([0.3, 0.59, 0.11], np.float32)
    rgb = grey[..., None] + np.float32(look.saturation) * (rgb - grey[..., None])
    if look.chroma_blotches:  # colour wanders where light is scarce, brightness does not
        cell = rng.uniform(5, 30)
        for channel in (0, 2):
            wander = noise.smooth_field(rng, shape, cell) * np.float32(look.chroma_blotches)
            rgb[..., channel] += wander * (1.2 - np.clip(grey, 0, 1))
    rgb = np.float32(look.lift) + np.float32(1.0 - look.lift) * rgb
    picture = np.clip(rgb * 255.0 + 0.5, 0, 255).astype(np.uint8)
    if look.denoise == "edge-keeping":
        picture = cv2.bilateralFilter(picture, 5, 18, 2.0)
    elif look.denoise == "median":
        picture = cv2.medianBlur(picture, 3)
    if look.islands:
        picture = _leave_islands(picture, look.islands)
    if look.zoom > 1.02:
        way = cv2.INTER_CUBIC if rng.random() < 0.6 else cv2.INTER_LINEAR
        picture = cv2.resize(picture, out_shape[::-1], interpolation=way)
    if look.sharpen:
        soft = cv2.GaussianBlur(picture, (0, 0), look.sharpen_px)
        picture = cv2.addWeighted(picture, 1.0 + look.sharpen, soft, -look.sharpen, 0)
    sampling = (
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420 if look.chroma_halved else cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444
    )
    options = [cv2.IMWRITE_JPEG_QUALITY, look.quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, sampling]
    _, saved = cv2.imencode(".jpg", np.ascontiguousarray(picture[..., ::-1]), options)
    return np.ascontiguousarray(np.asarray(cv2.imdecode(saved, cv2.IMREAD_COLOR))[..., ::-1])


def _leave_islands(picture: np.ndarray, step: float) -> np.ndarray:
    """Smooth all but the places that differ from around them by more than `step` of 255."""
    soft = cv2.GaussianBlur(picture, (0, 0), 2.2)
    differs = cv2.GaussianBlur(cv2.absdiff(picture, soft).max(axis=2).astype(np.float32), (0, 0), 1.0)
    keep = np.clip(differs / np.float32(step) - 0.5, 0, 1)[..., None]
    return (soft + keep * (picture.astype(np.float32) - soft) + 0.5).clip(0, 255).astype(np.uint8)

"""The eyepiece and the phone behind it: focus, vignette, fringe, noise, and what the phone makes of them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.lamps.bench import clouds
from sporecount.simulate.lamps.style import LUMA, Array, Style, log_uniform


@dataclass(frozen=True)
class Phone:
    """One exposure."""

    exposure: float  # finished linear light of bare ground at the middle
    cast: Array  # what the white balance left of the lamp's colour, or added
    noise: float  # standard deviation at full light
    smooth_px: float  # noise reduction as a blur, 0 for none
    haze: float  # stray light added to everything

    def noise_density(self, light: float) -> float:
        """Noise of one pixel, as optical density, at a share of full light."""
        sigma = np.hypot(self.noise * np.sqrt(max(light, 1e-3)), 0.1 * self.noise + 0.001)
        return float(sigma / max(light, 1e-3) / 2.302585)


def draw_phone(rng: np.random.Generator, style: Style) -> Phone:
    """Draw the exposure; dim, veiled and strongly vignetted views are commoner in the hard preset."""
    hard = style.preset == "hard"
    dim = rng.random() < {"hard": 0.4, "good_focus": 0.03}.get(style.preset, 0.12)
    exposure = log_uniform(rng, 0.07, 0.22) if dim else float(rng.uniform(0.3, 0.85))
    # The phone takes out some of the lamp's colour, and now and then overshoots.
    hue = style.light.below * style.light.hue_below + (1 - style.light.below) * style.light.hue_above
    return Phone(
        exposure=exposure * (0.6 if style.ground == "dark glass" else 1),
        cast=(hue ** np.float32(-rng.uniform(0.3, 1.15)) * np.exp(rng.normal(0, 0.04, 3))).astype(np.float32),
        noise=log_uniform(rng, 0.005, 0.045) * (1.6 if dim else 1),
        smooth_px=float(rng.uniform(0.4, 0.9)) if rng.random() < 0.5 else 0.0,
        haze=log_uniform(rng, 0.004, 0.12 if hard else 0.05),
    )


def variance_map(rng: np.random.Generator, shape: tuple[int, int], style: Style) -> Array:
    """Variance of the blur at each pixel, in um2: the objective's own, and that of the focus error."""
    own = 0.21 * 0.55 / style.aperture
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    along = (x / shape[1] - 0.5) * np.cos(style.tilt_rad) + (y / shape[0] - 0.5) * np.sin(style.tilt_rad)
    error = style.focus_um + style.tilt_um * along + style.warp_um * clouds(rng, shape, max(shape) / 2.5)
    spread = np.minimum(0.4 * style.aperture * np.abs(error), 6.0)
    return np.asarray(own**2 + spread**2, np.float32)


def blur_by_map(scene: Array, variance_px2: Array) -> Array:
    """Blur each pixel by its own variance, between evenly blurred copies.

    Between two copies the share is linear in the variance, so that a pixel's mixture has the variance asked for.
    """
    low, high = float(variance_px2.min()), float(variance_px2.max())
    count = 2 if high < 1.3 * low + 0.1 else int(np.clip(np.ceil(np.log(high / low) / np.log(1.8)), 2, 6))
    levels = np.geomspace(low, high + 1e-4, count)
    blurred = np.zeros_like(scene)
    for k, level in enumerate(levels):
        share = np.ones_like(variance_px2)
        if k:
            share = np.clip((variance_px2 - levels[k - 1]) / (level - levels[k - 1]), 0, 1)
        if k + 1 < count:
            share = np.minimum(share, np.clip((levels[k + 1] - variance_px2) / (levels[k + 1] - level), 0, 1))
        sigma = float(np.sqrt(level))
        reach = 2 * int(np.ceil(3.5 * sigma)) + 1
        copy = cv2.GaussianBlur(scene, (reach, reach), sigma, borderType=cv2.BORDER_REFLECT_101)
        blurred += copy * share[..., None]
    return blurred


def lamp_and_view(
    rng: np.random.Generator, style: Style, shape: tuple[int, int]
) -> tuple[Array, Array, Array]:
    """Draw the uneven light, the round view (1 inside, 0 outside), and the lamp's mirror image in the tape."""
    rows, cols = shape
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    across, down = (x / cols - 0.5).astype(np.float32), (y / rows - 0.5).astype(np.float32)
    much = 1.0 if style.preset == "hard" else 0.6
    lean_x, lean_y = rng.normal(0, 0.25 * much, 2)
    lamp = 1 - 1.6 * much * rng.beta(1.3, 3) * (across**2 + down**2) + lean_x * across + lean_y * down
    lamp = np.maximum(lamp, 0.12).astype(np.float32)
    view = np.ones(shape, np.float32)
    if rng.random() < 0.3:
        middle_x, middle_y = rng.normal(0.5, 0.04, 2)
        off = np.hypot(x - middle_x * cols, y - middle_y * rows) - rng.uniform(0.45, 0.68) * rows
        view = 1 / (1 + np.exp(np.clip(off / (0.006 * rows + 0.5), -30, 30)))
    mirror = np.zeros(shape, np.float32)
    if style.light.below < 1 and rng.random() < 0.45:
        turn, place = rng.uniform(0, np.pi), rng.uniform(-0.5, 0.5)
        wave = 0.06 * clouds(rng, shape, max(shape) / 4)
        away = (across * np.cos(turn) + down * np.sin(turn) - place + wave) / rng.uniform(0.02, 0.12)
        mirror = np.float32(rng.uniform(0.1, 0.6)) * np.exp(-(away**2))
        mirror *= np.clip(0.7 + 0.4 * clouds(rng, shape, max(shape) / 8), 0, 1.5)
    return lamp, np.asarray(view, np.float32), np.asarray(mirror, np.float32)


def develop(rng: np.random.Generator, scene: Array, phone: Phone) -> np.ndarray:
    """Turn linear light into the phone's finished JPEG picture: uint8, shape (H, W, 3)."""
    rows, cols = scene.shape[:2]
    fringe = rng.normal(0, 0.0008)
    if abs(fringe) > 2e-4:
        for channel, zoom in ((0, 1 + fringe), (2, 1 - fringe)):
            warp = np.array([[zoom, 0, (1 - zoom) * (cols - 1) / 2], [0, zoom, (1 - zoom) * (rows - 1) / 2]])
            plane = np.ascontiguousarray(scene[..., channel])
            scene[..., channel] = cv2.warpAffine(
                plane, warp.astype(np.float32), (cols, rows), borderMode=cv2.BORDER_REPLICATE
            )
    lit = np.clip(scene * phone.cast, 0, 1.2)
    grain = rng.standard_normal(scene.shape, np.float32)
    lit = lit + grain * (phone.noise * np.sqrt(lit) + 0.1 * phone.noise + 0.001)
    if phone.smooth_px:
        lit = cv2.GaussianBlur(lit, (0, 0), phone.smooth_px)
    tone = np.clip(lit, 0, 1) ** np.float32(1 / 2.2)
    curve = np.float32(rng.uniform(0, 0.35))
    tone = (1 - curve) * tone + curve * tone * tone * (3 - 2 * tone)
    if rng.random() < 0.7:
        tone = tone + np.float32(rng.uniform(0, 1.3)) * (tone - cv2.GaussianBlur(tone, (0, 0), 1.1))
    grey = (tone @ LUMA)[..., None]
    tone = grey + (tone - grey) * np.float32(rng.uniform(0.7, 1.35))
    picture = np.clip(tone * 255 + 0.5, 0, 255).astype(np.uint8)
    done, packed = cv2.imencode(
        ".jpg",
        np.ascontiguousarray(picture[..., ::-1]),
        [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 98))],
    )
    if not done:
        raise RuntimeError("the picture could not be packed as JPEG")
    return np.ascontiguousarray(np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR))[..., ::-1])

"""From the light on the sensor to the stored picture: blur, lamp, frame, noise, the phone's own doings."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np

from sporecount.simulate.heights.plan import LAMPS, Array, Plan

LUMA = np.array([0.3, 0.59, 0.11], np.float32)


def variance_um2(z_um: Array, plan: Plan) -> Array:
    """Variance of objective and defocus blur together at each place."""
    # A Gaussian that fits the bright core of the diffraction disc: 0.21 wavelengths (0.55 um) over the aperture.
    sharp = 0.21 * 0.55 / plan.aperture
    spread = plan.aperture * (0.22 + 0.18 * plan.condenser)
    return np.asarray(sharp**2 + (spread * z_um) ** 2, np.float32)


def blur_by_map(scene: Array, variance_px2: Array) -> Array:
    """Blur each place by its own variance, mixing two of a few evenly blurred copies."""
    low, high = float(np.sqrt(variance_px2.min())), float(np.sqrt(variance_px2.max()))
    steps = max(2, 1 + int(np.ceil(np.log(max(high, 0.2) / max(low, 0.2)) / np.log(1.6))))
    sigmas = np.geomspace(max(low, 0.2), max(high, 0.21), steps)
    copies = [np.asarray(cv2.GaussianBlur(scene, (0, 0), float(s)), np.float32) for s in sigmas]
    if high < 1.1 * max(low, 0.2):
        return copies[-1]
    out = np.zeros_like(scene)
    for k, copy in enumerate(copies):
        # Variance of a mixture is the mixture of the variances.
        tent = np.interp(variance_px2.ravel(), sigmas**2, np.eye(steps)[k]).reshape(variance_px2.shape)
        out += copy * tent[..., None].astype(np.float32)
    return out


class Numbers(NamedTuple):
    """What a phone's own picture processing is set to."""

    level: float
    white: tuple[float, float, float]
    read: float
    shot: float
    smooth: float
    sharpen: float
    sharpen_px: float
    curve: float
    saturation: float
    flare: float
    fringe: float
    quality: int
    gain: float


class Phone(Numbers):
    """How the phone takes the picture: `gain` brings bright parts to `level`; noise is in linear light."""

    def meter(self, green: Array) -> Phone:
        """Set the gain by the scene's bright parts."""
        return self._replace(gain=self.level / max(float(np.percentile(green[::4, ::4], 85)), 0.02))

    def exposed(self, light: Array) -> Array:
        """Linear light on the sensor, with flare over all."""
        bright = light * np.float32(self.gain)
        return np.asarray((bright + self.flare * self.level) / (1 + self.flare), np.float32)

    def noise_od(self, light: Array) -> Array:
        """Deviation of the optical density of one pixel, from its linear light."""
        safe = np.maximum(light, 1e-3)
        kept = 1 / (1 + 1.5 * self.smooth)
        return np.asarray(0.434 * kept * np.sqrt(self.read**2 + self.shot**2 * safe) / safe, np.float32)


def draw_phone(rng: np.random.Generator, plan: Plan) -> Phone:
    """Draw a phone and its mood."""
    lamp = np.array(LAMPS[plan.lamp])
    # The phone's white balance takes away a part of the lamp's colour, at times nearly all.
    left = float(rng.uniform(-0.1, 0.9) if rng.random() < 0.35 else rng.uniform(-0.1, 0.3))
    white = lamp**left * np.exp(rng.normal(0, 0.03, 3))
    white /= white @ LUMA
    noisy = 0.35 if plan.clean else 1.0
    return Phone(
        level=float(rng.uniform(0.1, 0.25) if plan.dim else rng.uniform(0.4, 0.92)),
        white=(float(white[0]), float(white[1]), float(white[2])),
        read=float(rng.uniform(0.0005, 0.006)) * noisy * (2 if plan.dim else 1),
        shot=float(rng.uniform(0.004, 0.035)) * noisy,
        smooth=float(rng.choice([0.0, rng.uniform(0.3, 1.0)])),
        sharpen=float(rng.choice([0.0, rng.uniform(0.2, 1.3)])),
        sharpen_px=float(rng.uniform(0.8, 2.0)),
        curve=float(rng.uniform(-0.15, 0.35)),
        saturation=float(rng.uniform(0.75, 1.4)),
        flare=float(rng.uniform(0, 0.06) + 0.12 * plan.condenser * (plan.above == 0) * rng.uniform()),
        fringe=float(rng.normal(0, 0.0012)),
        quality=int(rng.integers(60, 98)),
        gain=1.0,
    )


def lamp_field(rng: np.random.Generator, shape: tuple[int, int], plan: Plan) -> tuple[Array, Array, bool]:
    """Uneven light, the share of each pixel within the view, and whether the view is round."""
    rows, cols = shape
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    half = max(rows, cols) / 2
    px, py = (x - cols / 2) / half, (y - rows / 2) / half
    cx, cy = rng.normal(0, 0.25, 2)
    fall = float(rng.uniform(0, 0.45) ** 1.3)
    lamp = 1 / (1 + fall * ((px - cx) ** 2 + (py - cy) ** 2)) ** 1.5
    lamp *= 1 + float(rng.normal(0, 0.15 if plan.above else 0.07)) * (plan.sun[0] * px + plan.sun[1] * py)
    view = np.ones(shape, np.float32)
    is_round = bool(rng.random() < 0.25)
    if is_round:
        radius = min(rows, cols) * float(rng.uniform(0.44, 0.66))
        middle = cols / 2 + rng.normal(0, 0.04) * cols, rows / 2 + rng.normal(0, 0.04) * rows
        inside = radius - np.hypot(x - middle[0], y - middle[1])
        view = np.clip(inside / rng.uniform(2, 10) + 0.5, 0, 1)
        # The field stop glows faintly, and light falls off just within it.
        lamp *= 1 - float(rng.uniform(0, 0.35)) * np.exp(-np.clip(inside, 0, None) / (0.08 * radius))
    return np.asarray(lamp, np.float32), np.asarray(view, np.float32), is_round


def develop(rng: np.random.Generator, scene: Array, phone: Phone) -> np.ndarray:
    """Linear light to the stored picture, uint8."""
    rows, cols = scene.shape[:2]
    light = phone.exposed(scene) * np.array(phone.white, np.float32)
    for channel, sign in ((0, 1.0), (2, -1.0)):
        grow = 1 + sign * phone.fringe
        about = np.array([[grow, 0, (1 - grow) * (cols - 1) / 2], [0, grow, (1 - grow) * (rows - 1) / 2]])
        light[..., channel] = cv2.warpAffine(
            np.ascontiguousarray(light[..., channel]), about, (cols, rows), borderMode=cv2.BORDER_REPLICATE
        )
    grain = rng.standard_normal(light.shape, dtype=np.float32)
    # Colour is sensed at every second pixel and filled in, so its noise is coarser.
    grain = 0.75 * grain + 0.8 * np.asarray(cv2.GaussianBlur(grain, (0, 0), 0.9), np.float32)
    light += grain * np.sqrt(phone.read**2 + phone.shot**2 * np.clip(light, 0, None))
    tone = np.clip(light, 0, 1) ** np.float32(1 / 2.2)
    if phone.smooth:
        mild = cv2.bilateralFilter(tone, 5, 0.05 + 0.06 * phone.smooth, 1.5)
        tone = tone + phone.smooth * (mild - tone)
    tone = tone + np.float32(phone.curve) * tone * (1 - tone) * (2 * tone - 1) * 2
    if phone.sharpen:
        tone = tone + phone.sharpen * (tone - cv2.GaussianBlur(tone, (0, 0), phone.sharpen_px))
    grey = (tone @ LUMA)[..., None]
    tone = grey + phone.saturation * (tone - grey)
    rgb = (np.clip(tone, 0, 1) * 255 + 0.5).astype(np.uint8)
    _, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])
    return np.ascontiguousarray(np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR))[..., ::-1])

"""From the sharp scene to the finished picture: focus, lamp, lens, sensor and the phone's own processing."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.curves.functions import Array, Curve, draw_curve, draw_noise
from sporecount.simulate.curves.plan import Plan, Rng


def focus_maps(rng: Rng, shape: tuple[int, int], plan: Plan) -> tuple[Array, Array]:
    """Draw signed defocus (-1 to 1) and the variance of blur in um2: a level, a plane, a bowl and a slow wave."""
    rows, cols = shape
    y = np.linspace(-1, 1, rows, dtype=np.float32)[:, None]
    x = np.linspace(-1, 1, cols, dtype=np.float32)[None]
    way = rng.uniform(0, 2 * np.pi)
    off = plan.defocus_um * np.sign(rng.normal())
    off = off + plan.tilt_um * (x * np.cos(way) + y * np.sin(way)) + plan.bow_um * (x**2 + y**2)
    slow = draw_noise(rng, (rows // 16 + 4, cols // 16 + 4), 1.0, max(shape) / 20, 8, 1.5)
    off = off + 0.12 * (plan.tilt_um + plan.defocus_um) * cv2.resize(slow, (cols, rows))
    variance = plan.optics_um**2 + off**2
    return np.tanh(off).astype(np.float32), variance.astype(np.float32)


def blur_by_map(scene: Array, variance_px2: Array) -> Array:
    """Blur each place by its own variance: a blend of two blurred copies has the variance between theirs."""
    low, high = max(float(variance_px2.min()), 1e-3), float(variance_px2.max())
    number = 1 if high < low * 1.02 else int(np.clip(np.ceil(2 * np.log(high / low)), 2, 6))
    levels = np.geomspace(low, high, number)
    edge = cv2.BORDER_REFLECT_101
    copies = (cv2.GaussianBlur(scene, (0, 0), float(np.sqrt(v)), borderType=edge) for v in levels)
    if number == 1:
        return np.asarray(next(copies), np.float32)
    result = np.zeros_like(scene)
    place = np.interp(variance_px2, levels, np.arange(number)).astype(np.float32)
    for k, copy in enumerate(copies):
        result += copy * np.clip(1 - np.abs(place - k), 0, 1)[..., None]
    return result


@dataclass(frozen=True)
class Phone:
    """What a phone and its lamp do to a photo.

    `level` is the light of bare bright ground before the tone curve, `gains` the cast that white balance left,
    `full` the electrons of full light, `read` the noise in the dark, `fringe` how much larger red is than green,
    `circle` the rim of the round view (x, y, radius in px).
    """

    level: float
    gains: Array
    full: float
    read: float
    smooth: float
    sharpen: float
    sharpen_px: float
    fringe: float
    tone: Curve
    quality: int
    circle: tuple[float, float, float] | None

    def noise_density(self, light: float) -> float:
        """Noise of a pixel as optical density, where linear light is `light`."""
        light = max(light, 1e-3)
        return float(np.sqrt(light / self.full + self.read**2) / light * 0.434)


def draw_phone(rng: Rng, shape: tuple[int, int], plan: Plan) -> Phone:
    """Draw a phone, its settings and where the eyepiece's rim lies."""
    rows, cols = shape
    # Tungsten, LED, daylight.
    cast = ((1.12, 1.0, 0.72), (0.95, 1.0, 1.08), (1.0, 1.0, 1.0))[int(rng.integers(3))]
    gains = np.array(cast) ** rng.uniform(0.1, 1) * np.exp(rng.normal(0, 0.03, 3))
    circle = None
    if plan.round_view:
        radius = min(rows, cols) * rng.uniform(0.47, 0.62)
        circle = (cols / 2 + rng.normal(0, 0.04) * cols, rows / 2 + rng.normal(0, 0.04) * rows, float(radius))
    # A gentle lift and toe around the usual gamma.
    lift, toe = rng.uniform(-0.05, 0.1), rng.uniform(-0.04, 0.03)
    steps = np.linspace(0, 1, 9)
    values = (
        steps ** rng.uniform(0.4, 0.5) + lift * np.sin(np.pi * steps) ** 2 + toe * (1 - steps) * steps * 2
    )
    values = np.maximum.accumulate(np.clip(values, 0, 1))
    tone = draw_curve(rng, [(v, v) for v in values], steps.tolist())
    noisy = float(np.exp(rng.uniform(np.log(300), np.log(8000)))) * (0.4 if plan.dim else 1)
    return Phone(
        level=float(rng.uniform(0.1, 0.28) if plan.dim else rng.uniform(0.42, 0.95)),
        gains=np.asarray(gains / gains.max(), np.float32),
        full=noisy,
        read=float(rng.uniform(0.001, 0.006)),
        smooth=float(rng.uniform(0, 1)) * (rng.random() < 0.7),
        sharpen=float(rng.uniform(0, 1.1)) * (rng.random() < 0.75),
        sharpen_px=float(rng.uniform(0.7, 1.8)),
        fringe=float(rng.normal(0, 0.0009)),
        tone=tone,
        quality=int(rng.integers(60, 98)),
        circle=circle,
    )


def lamp_field(rng: Rng, phone: Phone, shape: tuple[int, int]) -> tuple[Array, Array]:
    """Draw the lamp's light over the view, and what the round rim leaves of it (0 to 1)."""
    rows, cols = shape
    y, x = np.arange(rows, dtype=np.float32)[:, None], np.arange(cols, dtype=np.float32)[None]
    half = 0.5 * float(np.hypot(rows, cols))
    cx, cy = cols * rng.uniform(0.3, 0.7), rows * rng.uniform(0.3, 0.7)
    fall = draw_curve(rng, [(1, 1), (0.93, 1), (0.8, 1), (0.55, 0.98)])
    lamp = fall(np.hypot(x - cx, y - cy) / (1.2 * half))
    way, slant = rng.uniform(0, 6.28), rng.uniform(0, 0.18)
    lamp = lamp * (1 + slant * ((x - cols / 2) * np.cos(way) + (y - rows / 2) * np.sin(way)) / half)
    view = np.ones(shape, np.float32)
    if phone.circle is not None:
        cx, cy, radius = phone.circle
        soft = rng.uniform(0.6, 5)
        view = np.clip(0.5 - (np.hypot(x - cx, y - cy) - radius) / (2 * soft), 0, 1)
    return np.asarray(lamp, np.float32), np.asarray(view, np.float32)


def develop(rng: Rng, light: Array, phone: Phone) -> NDArray[np.uint8]:
    """Turn linear light of a sharp lens into the finished picture, as the phone would."""
    rows, cols = light.shape[:2]
    light = np.asarray(light * (phone.level * phone.gains), np.float32)
    for channel, sign in ((0, 1.0), (2, -1.0)):
        grow = 1 + sign * phone.fringe
        move = np.array([[grow, 0, (1 - grow) * (cols - 1) / 2], [0, grow, (1 - grow) * (rows - 1) / 2]])
        light[..., channel] = cv2.warpAffine(
            light[..., channel], move, (cols, rows), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
    light = np.maximum(light, 0)
    noise = rng.standard_normal(light.shape, dtype=np.float32)
    light = light + noise * np.sqrt(light / phone.full + phone.read**2)
    picture = phone.tone(np.clip(light, 0, 1))
    # The look-up's steps are 1/512 of full light: coarse in the dark, so dark tones are drawn by power instead.
    dark = light < 0.03
    picture[dark] = np.power(np.clip(light[dark], 0, 1) / 0.03, 0.45) * phone.tone(np.full(1, 0.03))[0]
    if phone.smooth > 0:
        eased = cv2.bilateralFilter(picture, 5, 0.06, 1.6)
        picture = picture + phone.smooth * (eased - picture)
    if phone.sharpen > 0:
        soft = cv2.GaussianBlur(picture, (0, 0), phone.sharpen_px)
        picture = picture + phone.sharpen * np.clip(picture - soft, -0.12, 0.12)
    shown = np.clip(picture * 255 + 0.5, 0, 255).astype(np.uint8)
    done, packed = cv2.imencode(".jpg", shown[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])
    if not done:
        raise RuntimeError("the picture could not be packed as JPEG")
    opened: NDArray[np.uint8] = np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), np.uint8)
    return np.ascontiguousarray(opened[..., ::-1])

"""The lamp, the eyepiece and the phone: from linear light to the finished picture."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.depths.plan import Plan
from sporecount.simulate.depths.sheets import LUMA, Array, smooth_noise

LAMPS = {"tungsten": (1.12, 1.0, 0.72), "led": (0.97, 1.0, 1.05), "daylight": (1.0, 1.0, 1.0)}
RANGES = {"glare": (0, 0.1), "shot": (0.006, 0.03), "read": (0.001, 0.005), "sharpen_px": (0.8, 2.2)}
RANGES |= {"gamma": (0.9, 1.15), "saturation": (0.75, 1.3), "slope_way": (0, 2 * np.pi), "patchy": (0, 0.05)}
RANGES |= {"quality": (60, 98), "left": (0.1, 0.9)}  # left: of the lamp's colour, by the white balance


class Phone(dict[str, float]):
    """How one photo was lit and taken, by name; light as a share of the brightest that the phone tells."""

    def noise_od(self, light: float) -> float:
        """Noise of one pixel after the phone's smoothing, as optical density at a linear light."""
        light = max(light, 1e-3)
        raw = np.sqrt(self["shot"] ** 2 * light + self["read"] ** 2) / light / np.log(10)
        return float(raw * (1 - 0.6 * self["smoothing"]) + 0.0003 * (100 - self["quality"]) ** 0.8)


def draw_phone(rng: np.random.Generator, plan: Plan) -> Phone:
    """Draw a phone, its lamp and its eyepiece."""
    phone = Phone({name: float(rng.uniform(*ends)) for name, ends in RANGES.items()})
    lamp = np.array(LAMPS[str(rng.choice(list(LAMPS)))]) * np.exp(rng.normal(0, 0.05, 3))
    phone["red"], phone["blue"] = (float((lamp[k] / lamp[1]) ** phone["left"]) for k in (0, 2))
    phone["level"] = float(rng.uniform(0.12, 0.35) if plan.dim else rng.uniform(0.4, 0.92))
    if plan.dim:
        phone["shot"], phone["read"] = 1.7 * phone["shot"], 2 * phone["read"]
    hard = 2.0 if plan.preset == "hard" else 1.0
    phone["glare"] *= hard
    phone["slope"] = float(abs(rng.normal(0, 0.09 * hard)))
    phone["fringe"] = float(rng.normal(0, 0.0008))
    phone["smoothing"], phone["sharpening"] = float(rng.beta(1.5, 1.5)), float(1.3 * rng.beta(1.3, 2.0))
    phone["vignette"] = float(0.5 * rng.beta(1.2, 2.5))
    phone["view"] = float(rng.uniform(0.47, 0.68)) if rng.random() < 0.25 else 0.0  # 0: the frame is filled
    phone["view_x"], phone["view_y"] = (float(v) for v in rng.normal(0, 0.04, 2))
    return phone


def lamp_field(rng: np.random.Generator, phone: Phone, shape: tuple[int, int]) -> tuple[Array, Array]:
    """Light over the view, and the share of each pixel that the eyepiece shows."""
    rows, cols = shape
    yy = ((np.arange(rows, dtype=np.float32) - (rows - 1) / 2) / max(shape))[:, None]
    xx = ((np.arange(cols, dtype=np.float32) - (cols - 1) / 2) / max(shape))[None, :]
    away = np.hypot(xx - phone["view_x"], yy - phone["view_y"])
    light = 1 - phone["vignette"] * (away / 0.6) ** 2
    light = light + phone["slope"] * 2 * (xx * np.cos(phone["slope_way"]) + yy * np.sin(phone["slope_way"]))
    light = light * (1 + phone["patchy"] * smooth_noise(rng, shape, 0.4 * max(shape)))
    view = np.ones(shape, np.float32)
    if phone["view"]:
        radius = phone["view"] * (rows + cols) / 2
        view = np.clip((radius - away * max(shape)) / max(2.0, 0.006 * max(shape)) + 0.5, 0, 1)
    return np.clip(light, 0.12, 1.3).astype(np.float32), view.astype(np.float32)


def _shifted(channel: Array, scale: float) -> Array:
    rows, cols = channel.shape
    matrix = np.array([[scale, 0, (1 - scale) * (cols - 1) / 2], [0, scale, (1 - scale) * (rows - 1) / 2]])
    return np.asarray(cv2.warpAffine(channel, matrix, (cols, rows), borderMode=cv2.BORDER_REPLICATE))


def develop(rng: np.random.Generator, scene: Array, phone: Phone) -> np.ndarray:
    """Turn linear light (1 = the empty view at the lamp's full light) into an 8-bit picture."""
    light = scene * (1 - phone["glare"]) + phone["glare"] * scene.mean(axis=(0, 1))
    light = light * (phone["level"] * np.array([phone["red"], 1.0, phone["blue"]], np.float32))
    for channel, sign in ((0, 1.0), (2, -1.0)):
        light[..., channel] = _shifted(np.ascontiguousarray(light[..., channel]), 1 + sign * phone["fringe"])
    noise = rng.standard_normal(light.shape, dtype=np.float32)
    light = light + noise * np.sqrt(phone["shot"] ** 2 * np.clip(light, 0, None) + phone["read"] ** 2)
    picture = np.clip(light, 0, 1).astype(np.float32)
    # A soft shoulder, as phones have, then the display's curve.
    picture = np.where(picture > 0.75, 0.75 + 0.25 * np.tanh((picture - 0.75) / 0.25), picture)
    toe, curve = 12.92 * picture, 1.055 * np.maximum(picture, 1e-6) ** (1 / 2.4) - 0.055
    picture = np.where(picture < 0.0031308, toe, curve)
    picture = (picture ** phone["gamma"]).astype(np.float32)
    if phone["smoothing"] > 0.15:
        # Nearly even places are smoothed, edges kept: the watercolour look of phones.
        flat = cv2.bilateralFilter(picture, 5, 0.04 + 0.05 * phone["smoothing"], 1.6)
        picture = picture + phone["smoothing"] * (flat - picture)
    soft = cv2.GaussianBlur(picture, (0, 0), phone["sharpen_px"])
    picture = picture + phone["sharpening"] * (picture - soft)
    grey = (picture @ LUMA)[..., None]
    picture = np.clip(grey + phone["saturation"] * (picture - grey), 0, 1)
    bgr = np.round(picture[..., ::-1] * 255).astype(np.uint8)
    done, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, int(phone["quality"])])
    if not done:
        raise RuntimeError("the picture could not be encoded as JPEG")
    return np.ascontiguousarray(np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)[..., ::-1])

"""From the painted scene to the phone's file: blur, lamp, eyepiece, colours, sharpening, noise, JPEG."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.primitives.ground import LUMA, Array, mottle
from sporecount.simulate.primitives.style import Plan


def _kernel(variance_px2: float, disc: bool) -> tuple[Array, float]:
    """Make a blur kernel of about the wanted variance along each axis, and the variance that it truly has."""
    if disc and variance_px2 > 0.6:
        radius = 2 * np.sqrt(variance_px2)
        x = np.arange(-int(radius + 2), int(radius + 2) + 1, dtype=np.float64)
        kernel = np.clip(radius + 0.5 - np.hypot(x, x[:, None]), 0, 1)
    else:
        sigma = np.sqrt(max(variance_px2, 0.01))
        x = np.arange(-int(4 * sigma + 1), int(4 * sigma + 1) + 1, dtype=np.float64)
        line = np.exp(-(x**2) / (2 * sigma**2))
        kernel = line * line[:, None]
    kernel /= kernel.sum()
    return kernel.astype(np.float32), float((kernel.sum(0) * x**2).sum())


def blur_by_map(scene: Array, variance_px2: Array, disc: bool = False) -> Array:
    """Blur with a variance that differs from place to place, by blending evenly blurred copies.

    A blend of two copies has the blend of their variances.
    """
    low, high = float(variance_px2.min()), float(variance_px2.max())
    number = 2 if high < 1.3 * low + 0.1 else 5
    wanted = np.linspace(np.sqrt(low) * 0.97, np.sqrt(high) * 1.03, number) ** 2
    made = sorted((_kernel(float(v), disc) for v in wanted), key=lambda one: one[1])
    levels = np.array([one[1] for one in made])
    copies = []
    for kernel, _ in made:
        if disc:
            copies.append(cv2.filter2D(scene, -1, kernel, borderType=cv2.BORDER_REFLECT))
        else:
            line = kernel.sum(0)
            copies.append(cv2.sepFilter2D(scene, -1, line, line, borderType=cv2.BORDER_REFLECT))
    result = np.zeros_like(scene)
    for k, copy in enumerate(copies):
        weight = np.interp(variance_px2, levels, np.eye(number)[k]).astype(np.float32)
        result += weight[..., None] * copy
    return result


def variance_map(rng: np.random.Generator, shape: tuple[int, int], plan: Plan) -> Array:
    """Variance of the blur in um2: the objective's, plus that of a tilted and uneven focus."""
    rows, cols = shape
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    turn = rng.uniform(0, 2 * np.pi)
    slope = ((x / cols - 0.5) * np.cos(turn) + (y / rows - 0.5) * np.sin(turn)) * 2
    bumps = mottle(rng, shape, 0.4 * max(shape), 1)
    focus = plan.defocus_um + plan.tilt_um * slope + plan.bump_um * np.clip(bumps, -2, 2)
    return np.asarray(plan.sharp_um**2 + focus**2, np.float32)


LAMPS = ((1.0, 1.0, 1.0), (1.08, 0.98, 0.72), (0.93, 1.0, 1.12), (0.95, 1.05, 0.9), (1.1, 0.95, 0.88))


class Camera:
    """How one phone sees and finishes the picture.

    `gains` colour the lamp after white balance, `curve` is the strength of an S-shaped tone, `electrons` those
    of a white pixel (fewer mean more noise), `read` the noise of the dark in shares of white, `fringe` the share
    by which red is drawn larger and blue smaller.
    """

    def __init__(self, rng: np.random.Generator, shape: tuple[int, int], plan: Plan) -> None:
        gains = np.array(LAMPS[rng.integers(len(LAMPS))]) ** rng.uniform(0, 1.3) * rng.uniform(0.96, 1.04, 3)
        noisy = plan.preset == "hard" or rng.random() < 0.25
        self.gains = gains.astype(np.float32)
        self.gamma = float(rng.uniform(1.7, 2.5))
        self.curve = float(rng.uniform(0, 0.5))
        self.electrons = float(
            np.exp(rng.uniform(np.log(250), np.log(2500)) if noisy else rng.uniform(7.3, 9.5))
        )
        self.read = float(rng.uniform(0.001, 0.008 if noisy else 0.003))
        self.denoise = str(rng.choice(["none", "none", "bilateral", "median"]))
        self.sharpen = float(rng.uniform(0, 1.4)) if rng.random() < 0.7 else 0.0
        self.sharpen_px = float(rng.uniform(0.7, 2.2))
        # At most about half a micrometre or one pixel at the corners, and even to both sides.
        most = min(1.0, 0.5 / plan.um_per_px) / (0.5 * np.hypot(*shape))
        self.fringe = float(rng.uniform(-1, 1) * most) if rng.random() < 0.6 else 0.0
        self.quality = int(rng.integers(60, 98))

    def noise_od(self, light: float) -> float:
        """Noise of one pixel at a level of light, as optical density."""
        light = max(light, 1e-3)
        return 0.434 * float(np.sqrt(light / self.electrons + self.read**2) / light)


def lamp_and_view(rng: np.random.Generator, shape: tuple[int, int], plan: Plan) -> tuple[Array, Array, bool]:
    """Brightness of the lamp over the view, share of each pixel inside the round view, and whether it is round."""
    rows, cols = shape
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    half = 0.5 * np.hypot(rows, cols)
    x0, y0 = cols * rng.uniform(0.35, 0.65), rows * rng.uniform(0.35, 0.65)
    far = np.hypot(x - x0, y - y0) / half
    lamp = 1 - rng.uniform(0, 0.45) * far ** rng.uniform(1.5, 3.5)
    turn, slope = rng.uniform(0, 2 * np.pi), rng.uniform(0, 0.2)
    lamp *= 1 + slope * ((x / cols - 0.5) * np.cos(turn) + (y / rows - 0.5) * np.sin(turn))
    is_round = bool(rng.random() < 0.3)
    view = np.ones(shape, np.float32)
    if is_round:
        radius = min(shape) * (rng.uniform(0.56, 0.72) if rng.random() < 0.5 else rng.uniform(0.48, 0.54))
        xc, yc = cols * rng.uniform(0.45, 0.55), rows * rng.uniform(0.46, 0.54)
        view = np.clip((radius - np.hypot(x - xc, y - yc)) / rng.uniform(1, 7) + 0.5, 0, 1)
    return np.asarray(np.clip(lamp, 0.1, 1.3) * plan.dim, np.float32), np.asarray(view, np.float32), is_round


def _enlarge(channel: Array, factor: float) -> Array:
    rows, cols = channel.shape
    move = np.array([[factor, 0, (1 - factor) * (cols - 1) / 2], [0, factor, (1 - factor) * (rows - 1) / 2]])
    return np.asarray(cv2.warpAffine(channel, move, (cols, rows), borderMode=cv2.BORDER_REPLICATE))


def develop(rng: np.random.Generator, light: Array, camera: Camera) -> np.ndarray:
    """Turn linear light into the finished 8-bit picture."""
    light = np.clip(light, 0, None) * camera.gains
    if camera.fringe:
        light[..., 0] = _enlarge(light[..., 0], 1 + camera.fringe)
        light[..., 2] = _enlarge(light[..., 2], 1 - camera.fringe)
    spread = np.sqrt(light / camera.electrons + camera.read**2)
    light = light + spread * rng.normal(size=light.shape).astype(np.float32)
    tone = np.clip(light, 0, 1.02).astype(np.float32) ** np.float32(1 / camera.gamma)
    tone = (1 - camera.curve) * tone + camera.curve * (3 * tone**2 - 2 * tone**3)
    if camera.denoise == "bilateral":
        tone = np.asarray(cv2.bilateralFilter(tone, 5, 0.06, 1.5))
    elif camera.denoise == "median":
        tone = 0.4 * tone + 0.6 * cv2.medianBlur(tone, 3)
    if camera.sharpen:
        luma = tone @ LUMA
        tone = tone + (camera.sharpen * (luma - cv2.GaussianBlur(luma, (0, 0), camera.sharpen_px)))[..., None]
    picture = np.clip(tone * 255 + 0.5, 0, 255).astype(np.uint8)
    done, data = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, camera.quality])
    if not done:
        raise RuntimeError("the picture could not be stored as JPEG")
    return np.ascontiguousarray(np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR))[..., ::-1])

"""The ground below the print, the lamp above or beneath it, and the phone that takes the picture."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.lightbox.debris import noise
from sporecount.simulate.lightbox.optics import LUMA, Array, Rng
from sporecount.simulate.lightbox.style import Style


def draw_ground(rng: Rng, shape: tuple[int, int], style: Style) -> Array:
    """Light of the bare ground, about 1: glass, card, paper or film, with ruled lines at times."""
    px = style.um_per_px
    soft = style.lens.sigma_um / px
    light: Array = np.ones(shape, np.float32)
    if style.ground == "card":
        for size in (8, 25, 70, 200):
            light += rng.uniform(0.01, 0.05) * noise(rng, shape, size / px)
    elif style.ground == "paper":
        # A felt of fibres: ridges of noise drawn out in a few directions.
        for _ in range(3):
            wide = noise(rng, (shape[0] * 2, shape[1] * 2), rng.uniform(12, 30) / px)
            turn: Array = cv2.getRotationMatrix2D((shape[1], shape[0]), rng.uniform(0, 180), 1.0)
            turn[:, 2] -= (shape[1] / 2, shape[0] / 2)
            turn[:, 0] *= rng.uniform(1, 1.6)
            felt = cv2.warpAffine(wide, turn, shape[::-1], borderMode=cv2.BORDER_REFLECT)
            light -= rng.uniform(0.02, 0.06) * np.exp(-((felt / 0.35) ** 2))
        light += rng.uniform(0.01, 0.05) * noise(rng, shape, 90 / px)
        soft = np.hypot(soft, rng.uniform(0.5, 6) / px)
    light = cv2.GaussianBlur(light, (0, 0), max(soft, 0.4))
    if style.glue > 0:
        light = light * _glue(rng, shape, style)
    yellow = 0.0 if style.ground == "glass" else rng.uniform(0, 0.12)
    shown = np.asarray(light[..., None] * (1 - yellow * np.array([0.1, 0.4, 1.0])), np.float32)
    if style.ground in ("card", "paper") and rng.random() < 0.15:
        shown *= _ruling(rng, shape, px)
    if style.from_above:
        shown *= np.float32(rng.choice([rng.uniform(0.65, 0.95), rng.uniform(0.3, 0.5)]))
    return np.asarray(np.clip(shown, 0.03, 1.6), np.float32)


def _glue(rng: Rng, shape: tuple[int, int], style: Style) -> Array:
    """Bend the glue as a sheet at its own depth: its hollows gather light or spread it."""
    px = style.um_per_px
    height: Array = np.zeros(shape, np.float32)
    for size in (9.0, 22.0, 60.0):
        height += np.float32(rng.uniform(0.2, 1.0)) * noise(rng, shape, size * rng.uniform(0.7, 1.5) / px)
    if rng.random() < 0.5:
        # Drawn out along the roll.
        ys, xs = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
        way, pitch = rng.uniform(0, np.pi), rng.uniform(15, 80) / px
        roll = 6.283 * (xs * np.cos(way) + ys * np.sin(way)) / pitch
        height += np.float32(0.8) * np.cos(roll + 1.5 * noise(rng, shape, 300 / px))
    smooth = cv2.GaussianBlur(height, (0, 0), max(rng.uniform(1.5, 5) / px, 0.7))
    bend: Array = cv2.Laplacian(smooth, cv2.CV_32F, ksize=3)
    bend /= bend.std() + 1e-9
    strength = 0.06 * style.glue * rng.choice([-1.0, 1.0])
    return np.asarray(np.clip(1 + strength * np.tanh(bend / 1.5), 0.4, 1.6))


def _ruling(rng: Rng, shape: tuple[int, int], px: float) -> Array:
    """Print a line, soft, blue or grey or red, as a transmission."""
    ys, xs = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    way = rng.choice([0.0, np.pi / 2]) + rng.normal(0, 0.1)
    at = (xs - rng.uniform(0, shape[1])) * np.sin(way) + (ys - rng.uniform(0, shape[0])) * np.cos(way)
    wide, soft = rng.uniform(20, 90) / px, rng.uniform(2, 12) / px
    band = 0.5 - 0.5 * np.tanh((np.abs(at) - wide) / soft + 0.5 * noise(rng, shape, 12 / px))
    ink = np.array([[0.5, 0.3, 0.1], [0.3, 0.3, 0.3], [0.1, 0.45, 0.4]])[rng.integers(3)]
    ink *= rng.uniform(0.3, 0.9)
    return np.asarray(1 - band[..., None] * ink, np.float32)


class Phone:
    """What the phone and the lamp do to a picture, drawn once.

    `lamp` slopes across, down and falls to the corners; `circle` is the round view, in shares of the shorter side;
    noise is `shot` that grows with light and `read`; `smear` is noise reduction, `local` local tone mapping.
    """

    def __init__(self, rng: Rng, style: Style) -> None:
        dim, scan = style.dim, style.preset == "scan_4x"
        self.level = rng.uniform(0.1, 0.3) if dim else rng.uniform(0.4, 0.85)
        tungsten = np.array([0.1, 0.0, -0.14]) * rng.normal(0, 0.6)
        self.cast: Array = np.exp(tungsten + rng.normal(0, 0.025, 3))
        self.lamp = (rng.normal(0, 0.15), rng.normal(0, 0.15), rng.choice([0.05, rng.uniform(0.1, 0.5)]))
        self.circle = (*rng.normal(0, 0.06, 2), rng.uniform(0.44, 0.66)) if rng.random() < 0.17 else None
        self.shot, self.read = np.array([rng.uniform(0.006, 0.03), rng.uniform(0.0005, 0.004)]) * (
            1.8 if dim else 1
        )
        self.mosaic = rng.random() < 0.5
        self.zoom = rng.uniform(1.2, 1.9) if rng.random() < 0.3 and not scan else 1.0
        self.smear = rng.choice([0.0, 0.4, 1.0]) * rng.uniform(0.5, 1.0)
        self.local = rng.choice([0.0, rng.uniform(0.1, 0.45)])
        self.sharpen, self.sharpen_px = rng.choice([0.0, rng.uniform(0.2, 1.2)]), rng.uniform(0.7, 2.0)
        self.gamma, self.colour = rng.uniform(1.9, 2.5), rng.uniform(0.75, 1.3)
        self.fringe = rng.choice([0.0, rng.normal(0, 0.0012)])
        self.quality = int(rng.integers(60, 98))

    def noise_od(self, light: float) -> float:
        """Noise of one pixel as optical density, at a light."""
        light = max(light, 0.004)
        return float(np.sqrt(self.shot**2 * light + self.read**2 + (0.4 / 255) ** 2) / light / np.log(10))

    @property
    def variance_px2(self) -> float:
        """Blur that the phone adds along one axis: mosaic and zoom."""
        return (0.25 if self.mosaic else 0.0) + (self.zoom**2 * 0.25 if self.zoom > 1 else 0.0)


def lamp_field(phone: Phone, shape: tuple[int, int]) -> tuple[Array, Array]:
    """Light of the lamp, and the share of each pixel inside the round view."""
    ys, xs = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    short = min(shape)
    u, v = (xs - shape[1] / 2) / short, (ys - shape[0] / 2) / short
    lamp = np.exp(phone.lamp[0] * u + phone.lamp[1] * v - phone.lamp[2] * (u * u + v * v))
    if phone.circle is None:
        return lamp, np.ones(shape, np.float32)
    away = np.hypot(u - phone.circle[0], v - phone.circle[1]) - phone.circle[2]
    return lamp * (1 - 0.35 * np.exp(np.minimum(away, 0) * 35)), np.clip(0.5 - away * short / 4, 0, 1)


def develop(rng: Rng, scene: Array, phone: Phone) -> Array:
    """Take the picture: sensor, mosaic, noise reduction, tone, sharpening, JPEG; uint8."""
    rows, cols = scene.shape[:2]
    raw: Array = (scene * (phone.level * phone.cast)).astype(np.float32)
    if phone.fringe:
        for c, d in ((0, 1), (2, -1)):
            turn = cv2.getRotationMatrix2D(((cols - 1) / 2, (rows - 1) / 2), 0, 1 + d * phone.fringe)
            raw[..., c] = cv2.warpAffine(
                raw[..., c].copy(), turn, (cols, rows), borderMode=cv2.BORDER_REPLICATE
            )
    if phone.zoom > 1:
        raw = cv2.resize(
            raw, (round(cols / phone.zoom), round(rows / phone.zoom)), interpolation=cv2.INTER_AREA
        )
    raw += np.sqrt(phone.shot**2 * np.maximum(raw, 0) + phone.read**2) * rng.normal(0, 1, raw.shape).astype(
        np.float32
    )
    raw = np.clip(raw, 0, 1)
    if phone.mosaic and min(raw.shape[:2]) > 8:
        one = raw[..., 1].copy()
        one[::2, ::2] = raw[::2, ::2, 0]
        one[1::2, 1::2] = raw[1::2, 1::2, 2]
        guessed = cv2.cvtColor((one * 65535).astype(np.uint16), cv2.COLOR_BayerRGGB2RGB)
        raw = guessed.astype(np.float32) / 65535
    tone: Array = raw ** np.float32(1 / phone.gamma)
    if phone.smear > 0:
        tone = _smear(tone, phone.smear)
    if phone.zoom > 1:
        tone = cv2.resize(tone, (cols, rows), interpolation=cv2.INTER_LINEAR)
    luma = tone @ LUMA
    added = np.zeros_like(luma)
    if phone.local:
        wide = cv2.GaussianBlur(cv2.resize(luma, (64, 48), interpolation=cv2.INTER_AREA), (0, 0), 5)
        added -= phone.local * (cv2.resize(wide, (cols, rows)) - wide.mean())
    if phone.sharpen:
        soft = cv2.GaussianBlur(luma, (0, 0), phone.sharpen_px)
        added += np.clip(phone.sharpen * (luma - soft), -0.15, 0.15)
    tone = luma[..., None] + phone.colour * (tone - luma[..., None]) + added[..., None]
    picture = np.clip(tone * 255, 0, 255).astype(np.uint8)
    code = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])[1]
    return np.ascontiguousarray(np.asarray(cv2.imdecode(code, cv2.IMREAD_COLOR))[..., ::-1])


def _smear(tone: Array, strength: float) -> Array:
    """Reduce noise as phones do: colour is washed out far, faint texture flattened, edges kept."""
    split: Array = cv2.cvtColor(tone.astype(np.float32), cv2.COLOR_RGB2YCrCb)
    for c in (1, 2):
        split[..., c] = cv2.GaussianBlur(split[..., c], (0, 0), 0.6 + 1.4 * strength)
    bright = np.clip(split[..., 0] * 255, 0, 255).astype(np.uint8)
    flat = cv2.bilateralFilter(bright, 5, 8 + 14 * strength, 2.0).astype(np.float32) / 255
    split[..., 0] += strength * (flat - split[..., 0])
    return np.clip(cv2.cvtColor(split, cv2.COLOR_YCrCb2RGB), 0, 1)

"""Bare ground, lamp, cheap lens and old phone."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.shading.bodies import Floats
from sporecount.simulate.shading.canvas import Array
from sporecount.simulate.shading.clutter import cloud
from sporecount.simulate.shading.plan import Plan


def draw_ground(rng: np.random.Generator, shape: tuple[int, int], plan: Plan) -> Array:
    """Draw what a clear slide, thin paper, card or streaky tape lets through."""
    px = plan.um_per_px
    loss = 0.03 * rng.random() * cloud(rng, shape, 60 / px)
    tint = np.ones(3)
    if plan.ground in ("thin paper", "card"):
        strength = rng.uniform(0.05, 0.22) * (0.6 if plan.clean else 1.0)
        for cell in (150, 50, 18):
            loss += strength * 0.5 * cloud(rng, shape, cell / px)
        # Paper is a felt of fibres far out of focus below the tape.
        felt = np.zeros(shape, np.float32)
        for _ in range(int(rng.integers(25, 90))):
            mid = rng.uniform(0, 1, 2) * (shape[1], shape[0])
            way, bend = rng.uniform(0, np.pi), rng.normal(0, 0.3, 9).cumsum()
            steps = np.column_stack([np.cos(way + bend), np.sin(way + bend)]) * 45 / px
            line = np.rint(mid + steps.cumsum(0) - steps.sum(0) / 2).astype(np.int32)
            thick = max(1, int(rng.uniform(6, 16) / px))
            cv2.polylines(felt, [line[:, None]], False, rng.uniform(-1, 1), thick, cv2.LINE_AA)
        loss += strength * cv2.GaussianBlur(felt, (0, 0), max(1.0, float(rng.uniform(2, 7)) / px))
        tint = np.array([0.9, 1.0, rng.uniform(1.05, 1.4)])
    if plan.ground == "tape" or plan.preset == "hard":
        way = rng.uniform(0, np.pi)
        yy, xx = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32) * np.float32(px)
        warp = 25 * cloud(rng, shape, 70 / px)
        streak = np.sin((xx * np.cos(way) + yy * np.sin(way) + warp) / rng.uniform(6, 28))
        patchy = np.clip(cloud(rng, shape, 160 / px) + rng.uniform(-0.2, 0.5), 0, 1)
        loss += rng.uniform(0.03, 0.3) * (1.0 if plan.preset == "hard" else 0.5) * streak * patchy
        loss += rng.uniform(0, 0.12) * np.abs(cloud(rng, shape, 9 / px))
    lost = np.clip(loss, -0.4, 2)[..., None] * tint
    if plan.ground in ("thin paper", "card") and rng.random() < 0.2:
        # A printed line of ruled paper, below the focus.
        gap, tone = rng.uniform(500, 1200) / px, rng.uniform(0.1, 0.6)
        where = (np.arange(shape[0]) + rng.uniform(0, gap)) % gap
        line = np.exp(-0.5 * ((where - gap / 2) / (rng.uniform(18, 40) / px)) ** 4)
        ink = tone * np.array([(1.4, 0.8, 0.3), (0.3, 1.2, 1.0), (1.0, 1.0, 1.0)][int(rng.integers(3))])
        lost = lost + line[:, None, None] * ink
    return np.asarray(np.exp(-lost), np.float32)


@dataclass(frozen=True)
class Lens:
    """Where a cheap lens and its adapter put things; `bow` and `fringe` are shares of the half diagonal."""

    middle: tuple[float, float]
    half: float
    bow: float
    fringe: float
    coma_px: float

    def to_scene(self, x: Floats, y: Floats, stretch: float = 0.0) -> tuple[Floats, Floats]:
        """Scene place that a photo place shows."""
        dx, dy = x - self.middle[0], y - self.middle[1]
        factor = 1 + self.bow * (dx * dx + dy * dy) / self.half**2 + stretch
        return self.middle[0] + dx * factor, self.middle[1] + dy * factor

    def to_photo(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Photo place where a scene place is seen."""
        dx, dy = x - self.middle[0], y - self.middle[1]
        factor = np.ones_like(dx)
        for _ in range(8):
            factor = 1 / (1 + self.bow * (dx * dx + dy * dy) * factor**2 / self.half**2)
        return self.middle[0] + dx * factor, self.middle[1] + dy * factor

    def shared_blur_px2(self, x: Floats, y: Floats) -> Floats:
        """Variance that fringe and coma add at a photo place."""
        far = ((x - self.middle[0]) ** 2 + (y - self.middle[1]) ** 2) / self.half**2
        return 0.15 * self.fringe**2 * far * self.half**2 + 0.2 * (self.coma_px * far) ** 2


def draw_lens(rng: np.random.Generator, shape: tuple[int, int], plan: Plan) -> Lens:
    """Draw a lens for a view of `shape`."""
    half, mild = float(np.hypot(*shape) / 2), 0.4 if plan.clean else 1.0
    off = rng.normal(0, 0.06, 2) * half
    coma_um = mild * rng.uniform(0, 2.2) * min(1.0, 10 / plan.objective) if rng.random() < 0.5 else 0.0
    return Lens(
        middle=(float(shape[1] / 2 + off[0]), float(shape[0] / 2 + off[1])),
        half=half,
        bow=float(rng.uniform(0, 0.022) if rng.random() < 0.6 else 0.0),
        fringe=float(rng.normal(0, 1.8) * mild / half * min(1.0, 0.6 / plan.um_per_px)),
        coma_px=float(coma_um / plan.um_per_px),
    )


def through_lens(scene: Array, lens: Lens, shape: tuple[int, int], margin: int) -> Array:
    """Cut the scene to the view, each colour at its own size, with comet tails near the corners."""
    yy, xx = (grid.astype(float) for grid in np.mgrid[0 : shape[0], 0 : shape[1]])
    shown = []
    far = ((xx - lens.middle[0]) ** 2 + (yy - lens.middle[1]) ** 2) / lens.half**2
    for channel, stretch in enumerate((lens.fringe, 0.0, -lens.fringe)):
        total, plane = np.zeros(shape, np.float32), np.ascontiguousarray(scene[..., channel])
        # Shares and places of the tail balance, so that no centre moves.
        tail = ((0.6, -0.4), (0.25, 0.4), (0.15, 0.933)) if lens.coma_px else ((1.0, 0.0),)
        for share, place in tail:
            x, y = lens.to_scene(xx, yy, stretch)
            pull = 1 + place * lens.coma_px * far / lens.half
            x, y = lens.middle[0] + (x - lens.middle[0]) * pull, lens.middle[1] + (y - lens.middle[1]) * pull
            at = (x + margin).astype(np.float32), (y + margin).astype(np.float32)
            total = total + share * cv2.remap(plane, *at, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
        shown.append(total)
    return np.asarray(np.clip(np.dstack(shown), 1e-4, 3), np.float32)


def blur_variance(rng: np.random.Generator, shape: tuple[int, int], plan: Plan) -> Array:
    """Variance of the blur (square micrometres) over the scene: tilt, curved field, a print that is not flat."""
    sharp, middle, tilt, bowl = plan.blur_um
    way = rng.uniform(0, 2 * np.pi)
    yy, xx = np.linspace(-1, 1, shape[0])[:, None], np.linspace(-1, 1, shape[1])[None, :]
    off = middle + tilt * (xx * np.cos(way) + yy * np.sin(way)) + bowl * 0.6 * (xx * xx + yy * yy - 0.3)
    off += 0.25 * max(middle, tilt) * cloud(rng, shape, max(shape) / 3)
    return np.asarray(sharp**2 + off**2, np.float32)


def blur_unevenly(scene: Array, variance_px2: Array) -> Array:
    """Blur by a map of variances: between evenly blurred copies, mixed so that the variance is right."""
    low, high = float(variance_px2.min()), float(variance_px2.max())
    steps = int(np.clip(np.ceil(np.log2(high / low)) + 1, 2, 6))
    levels = np.geomspace(low, high * 1.001 + 1e-6, steps)
    result = np.zeros_like(scene)
    copies = [cv2.GaussianBlur(scene, (0, 0), float(np.sqrt(max(level, 0.01)))) for level in levels]
    for k, copy in enumerate(copies):
        weight = np.interp(variance_px2, levels, np.eye(steps)[k]).astype(np.float32)
        result += weight[..., None] * copy
    return result


@dataclass(frozen=True)
class Phone:
    """How lamp and phone turn light into a picture."""

    hot: tuple[float, float, float, float]
    lean: tuple[float, float]
    round_view: tuple[float, float, float] | None
    cast: tuple[float, float, float]
    level: float
    noise: tuple[float, float]
    smooth: tuple[float, int]
    zoom: float
    sharpen: tuple[float, float]
    tone: tuple[float, float, float, float]
    quality: int


def draw_phone(rng: np.random.Generator, shape: tuple[int, int], plan: Plan) -> Phone:
    """Draw lamp and phone."""
    cast = {
        "tungsten": (1.12, 0.97, 0.66),
        "led": (0.92, 1.0, 1.12),
        "daylight": (1.0, 1.0, 1.0),
        "green": (0.9, 1.04, 0.86),
        "pink": (1.08, 0.92, 1.0),
        "grey-blue": (0.86, 0.98, 1.1),
    }
    r, clean = rng.uniform, plan.clean
    red, green, blue = np.array(cast[str(rng.choice(list(cast)))]) ** r(0.3, 1.4)
    dim = plan.preset == "hard" and rng.random() < 0.4
    circle = (shape[1] * r(0.44, 0.56), shape[0] * r(0.44, 0.56), max(shape) * r(0.44, 0.62))
    grain = float(np.exp(r(np.log(0.004), np.log(0.012 if clean else 0.035))))
    smooth = r(0.02, 0.06 if clean else 0.11) if rng.random() < 0.6 else 0.0
    sharpen = r(0.6, 2.2) if rng.random() < 0.55 else r(0, 0.4)
    colour = r(0.2, 0.6) if rng.random() < 0.35 else r(0.7, 1.5)
    return Phone(
        hot=(r(0.2, 0.8), r(0.2, 0.8), r(0.35, 1.0), r(0, 0.35 if clean else 0.8)),
        lean=(float(rng.normal(0, 0.16)), float(rng.normal(0, 0.16))),
        round_view=circle if rng.random() < 0.3 else None,
        cast=(float(red), float(green), float(blue)),
        level=r(0.1, 0.25) if dim else r(0.4, 0.85),
        noise=(grain, r(0, 0.025)),
        smooth=(smooth, int(rng.integers(1, 3))),
        zoom=r(1.1, 1.7) if rng.random() < 0.35 else 1.0,
        sharpen=(sharpen, r(0.8, 2.6)),
        tone=(r(0.85, 1.15), r(-0.15, 0.5), colour, 0.12 * rng.random() ** 2),
        quality=int(rng.integers(60, 98)),
    )


def lamp_light(phone: Phone, shape: tuple[int, int]) -> tuple[Array, Array]:
    """Light of the bare lamp over the view, and the round view as a share, both (rows, columns)."""
    yy, xx = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    x, y, wide, strength = phone.hot
    far = ((xx - x * shape[1]) ** 2 + (yy - y * shape[0]) ** 2) / (wide * max(shape)) ** 2
    light = 1 - strength + strength * np.exp(-far)
    light *= 1 + phone.lean[0] * (2 * xx / shape[1] - 1) + phone.lean[1] * (2 * yy / shape[0] - 1)
    view = np.ones(shape, np.float32)
    if phone.round_view is not None:
        cx, cy, radius = phone.round_view
        out = np.hypot(xx - cx, yy - cy) - radius
        view = np.asarray(1 / (1 + np.exp(np.clip(out / 2.0, -30, 30))), np.float32)
        light *= 1 - 0.35 * np.clip(1 + out / (0.35 * radius), 0, 1) ** 2
    return np.asarray(np.clip(light, 0.05, 2), np.float32), view


def develop(rng: np.random.Generator, scene: Array, phone: Phone) -> NDArray[np.uint8]:
    """Noise, smoothing, colour, tone, sharpening and JPEG."""
    rows, cols = scene.shape[:2]
    gamma, punch, colour, flare = phone.tone
    light = scene * (1 - flare) + flare * scene.mean()
    light = light * np.asarray(phone.cast, np.float32) * np.float32(phone.level)
    if phone.zoom > 1:
        small = int(cols / phone.zoom), int(rows / phone.zoom)
        light = cv2.resize(light, small, interpolation=cv2.INTER_AREA)
    grain = rng.standard_normal(light.shape, dtype=np.float32)
    light = light + phone.noise[0] * grain * np.sqrt(0.15 + np.clip(light, 0, 1))
    tone = np.clip(light, 0, 1) ** np.float32(gamma / 2.2)
    # Strong noise reduction keeps edges and melts what is faint.
    for _ in range(phone.smooth[1] if phone.smooth[0] else 0):
        tone = cv2.bilateralFilter(tone, 7, phone.smooth[0], 2.5)
    if phone.smooth[0] > 0.08:
        tone = cv2.medianBlur(tone, 5)
    tone = tone + phone.noise[1] * np.dstack([cloud(rng, tone.shape[:2], 9) for _ in range(3)])
    if phone.zoom > 1:
        tone = cv2.resize(tone, (cols, rows), interpolation=cv2.INTER_CUBIC)
    tone = np.clip(tone, 0, 1)
    tone = tone + punch * (tone * tone * (3 - 2 * tone) - tone)
    grey = (tone @ np.array([0.3, 0.59, 0.11], np.float32))[..., None]
    tone = grey + colour * (tone - grey)
    tone = tone + phone.sharpen[0] * (tone - cv2.GaussianBlur(tone, (0, 0), phone.sharpen[1]))
    picture = np.rint(np.clip(tone, 0, 1) * 255).astype(np.uint8)
    packed = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])[1]
    return np.ascontiguousarray(np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR))[..., ::-1])

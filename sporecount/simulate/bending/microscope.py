"""From the laid sheets to the finished picture: bent light, blur, the lamp, the phone."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.bending.plan import Plan
from sporecount.simulate.bending.sheet import Array, cloud

LUMA = np.array([0.3, 0.59, 0.11], np.float32)
LN10 = np.float32(np.log(10))


@dataclass(frozen=True)
class Optics:
    """How the microscope of one photo shows relief and colour."""

    rim: float  # density lost per squared slope: light bent past the aperture
    colour_um: float  # focus of red before and of blue behind that of green
    sideways: NDArray[np.float64]  # direction of a slanted lamp times its strength
    glint: float  # the lamp's mirror image on slopes that face it
    glare: float  # stray light, as a share of the bare ground


def draw_optics(rng: np.random.Generator, plan: Plan) -> Optics:
    """Draw the focus, its slant over the view, and the blur of one photo."""
    turn = rng.uniform(0, 2 * np.pi)
    slant = rng.uniform(0.6, 2.2) if plan.from_above else rng.choice([0.0, rng.uniform(0, 1.2)])
    return Optics(
        rim=float(rng.uniform(2, 6) if plan.from_above else np.exp(rng.uniform(np.log(7), np.log(34)))),
        colour_um=float(rng.uniform(0, 0.9) * (0.25 / plan.aperture)),
        sideways=np.array([np.cos(turn), np.sin(turn)]) * slant,
        glint=float(rng.uniform(0.1, 0.8) if plan.from_above else 0),
        glare=float(rng.uniform(0.005, 0.06)),
    )


def shine(absorb: Array, relief: Array, focus_um: Array, px_um: float, optics: Optics) -> Array:
    """Light behind the sheets, bare ground = 1.

    A slope sends its light aside by slope times defocus, so the change of brightness is defocus times the
    bulge of the relief (transport of intensity, Teague 1983, J. Opt. Soc. Am. 73:1434): domes gather light to
    one side of the focus and scatter it to the other.
    """
    smooth = np.asarray(cv2.GaussianBlur(relief, (0, 0), max(0.6, 0.3 / px_um)), np.float32)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=1, scale=0.5 / px_um)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=1, scale=0.5 / px_um)
    bulge = cv2.Laplacian(smooth, cv2.CV_32F, ksize=1, scale=1 / px_um**2)
    lost = np.float32(optics.rim) * (gx**2 + gy**2)
    lost = lost / (1 + lost)
    side = 1 + np.float32(optics.sideways[0]) * gx + np.float32(optics.sideways[1]) * gy
    shade = np.clip(side, 0.35, 1.9)
    light = np.empty_like(absorb)
    for c, ahead in enumerate((-optics.colour_um, 0.0, optics.colour_um)):
        gathered = np.clip(1 - (focus_um + np.float32(ahead)) * bulge, 0.3, 2.3)
        light[..., c] = cv2.exp(-LN10 * (absorb[..., c] + lost)) * gathered * shade
    if optics.glint:
        aim = 0.12 * optics.sideways / max(float(np.hypot(*optics.sideways)), 1e-6)
        facing = np.exp(
            -((gx - np.float32(aim[0])) ** 2 + (gy - np.float32(aim[1])) ** 2) / np.float32(0.0012)
        )
        light += np.float32(optics.glint) * facing[..., None]
    return light + np.float32(optics.glare)


def focus_map(rng: np.random.Generator, shape: tuple[int, int], plan: Plan) -> Array:
    """Signed defocus in µm at each pixel: tilted, and uneven where card or tape is."""
    rows, cols = shape
    yy = np.linspace(-1, 1, rows, dtype=np.float32)[:, None]
    xx = np.linspace(-1, 1, cols, dtype=np.float32)[None]
    turn = rng.uniform(0, 2 * np.pi)
    tilt = np.float32(np.cos(turn)) * xx + np.float32(np.sin(turn)) * yy
    bowl = np.float32(rng.normal(0, 0.25) * plan.tilt_um) * (xx**2 + yy**2)
    bumps = np.float32(plan.warp_um) * cloud(rng, shape, max(rows, cols) / rng.uniform(1.5, 6))
    return np.asarray(np.float32(plan.focus_um) + np.float32(plan.tilt_um) * tilt + bowl + bumps, np.float32)


def variance_map(focus_um: Array, plan: Plan, soft_px: float) -> Array:
    """Variance of the blur in µm²: diffraction, the cone of defocused light, and the phone's lens."""
    at_best = 0.21 * 0.55 / plan.aperture
    cone = np.float32(plan.aperture / 2) * focus_um
    return np.asarray(at_best**2 + cone**2 + (soft_px * plan.um_per_px) ** 2, np.float32)


def blur_by_map(scene: Array, variance_px2: Array) -> Array:
    """Blur with a variance that changes over the picture, by mixing evenly blurred copies."""
    low, high = float(variance_px2.min()), float(variance_px2.max())
    low = max(low, 0.01)
    steps = 1 if high < low * 1.02 else int(np.clip(np.ceil(np.log2(high / low) * 1.3) + 1, 2, 7))
    levels = np.geomspace(low, max(high, low), steps)
    out = np.zeros_like(scene)
    for k, level in enumerate(levels):
        copy = cv2.GaussianBlur(scene, (0, 0), float(np.sqrt(level)))
        if steps == 1:
            return np.asarray(copy, np.float32)
        # Variances of a mixture add up by share, so shares linear in the variance give the map's own.
        share = np.interp(variance_px2, levels, np.eye(steps)[k]).astype(np.float32)
        out += copy * share[..., None]
    return out


@dataclass(frozen=True)
class Phone:
    """The lamp, the eyepiece and the camera of one photo."""

    fringe: float  # radial, by which red is larger and blue smaller than green
    light: Array  # (H, W, 3), lamp, shading and white balance
    view: Array  # (H, W), 0 in the black surround of the eyepiece
    exposure: float
    grain: float  # shot noise at full light
    read: float  # noise in the dark
    smoothing: float  # noise reduction, 0 to 1
    round_view: bool

    def noise(self, light: Array) -> Array:
        """Return the spread of a pixel's noise at a linear brightness; noise reduction takes part of it."""
        kept = 1 - 0.6 * self.smoothing
        return np.asarray(kept * np.sqrt(self.grain**2 * np.clip(light, 0, None) + self.read**2), np.float32)


def draw_phone(rng: np.random.Generator, shape: tuple[int, int], plan: Plan) -> Phone:
    """Draw the lamp, the round view, the lens and the phone of one photo."""
    rows, cols = shape
    lamps = {
        "mirror": (1.0, 0.74, 0.42),
        "led": (0.93, 1.0, 1.06),
        "daylight": (0.9, 0.98, 1.1),
        "ring": (1.0, 0.97, 0.92),
    }
    lamp = np.array(lamps[plan.lamp]) * np.exp(rng.normal(0, 0.05, 3))
    # The white balance takes out most of the lamp's colour, seldom all of it, and sometimes misses.
    balanced = (lamp / lamp[1]) ** (1 - rng.beta(2.4, 1.6)) * np.exp(rng.normal(0, 0.035, 3))
    yy = ((np.arange(rows, dtype=np.float32) - rows / 2) / (max(shape) / 2))[:, None]
    xx = ((np.arange(cols, dtype=np.float32) - cols / 2) / (max(shape) / 2))[None]
    mirror = 1.6 if plan.lamp in ("mirror", "ring") else 0.6
    off = rng.normal(0, 0.3 * mirror, 2)
    r2 = (xx - np.float32(off[0])) ** 2 + (yy - np.float32(off[1])) ** 2
    shading = np.exp(-np.float32(abs(rng.normal(0, 0.22)) * mirror) * r2)
    shading = shading * (1 + np.float32(0.04 * mirror) * cloud(rng, shape, max(shape) / 3))
    edge = np.asarray(r2 * np.float32(rng.normal(0, 0.05)), np.float32)
    light = (
        shading[..., None]
        * balanced.astype(np.float32)
        * np.stack([1 + edge, np.ones_like(edge), 1 - edge], -1)
    )
    view = np.ones(shape, np.float32)
    round_view = bool(rng.random() < (0.45 if plan.preset == "scan_4x" else 0.25))
    if round_view:
        radius = rng.uniform(0.42, 0.62) * min(shape) * (cols / rows) ** 0.3
        cx, cy = cols / 2 + rng.normal(0, 0.04) * cols, rows / 2 + rng.normal(0, 0.04) * rows
        far = np.hypot(np.arange(cols)[None] - cx, np.arange(rows)[:, None] - cy)
        view = np.clip(0.5 + (radius - far) / rng.uniform(2, 14), 0, 1).astype(np.float32)
    middle = float(np.median((light @ LUMA)[view > 0.9]))
    return Phone(
        fringe=float(rng.choice([0.0, rng.normal(0, 0.0012)])),
        light=np.asarray(light, np.float32),
        view=view,
        exposure=float(plan.brightness**2.2 / middle),
        grain=float(np.exp(rng.uniform(np.log(0.006), np.log(0.05 if plan.brightness > 0.45 else 0.09)))),
        read=float(np.exp(rng.uniform(np.log(0.001), np.log(0.008)))),
        smoothing=float(rng.uniform(0.5, 1) if rng.random() < 0.45 else rng.uniform(0, 0.4)),
        round_view=round_view,
    )


def through_lens(phone: Phone, picture: Array) -> Array:
    """Show red a little larger and blue a little smaller than green, which keeps its place."""
    rows, cols = picture.shape[:2]
    planes = []
    for c, larger in enumerate((1 + phone.fringe, 1.0, 1 - phone.fringe)):
        grow = cv2.getRotationMatrix2D(((cols - 1) / 2, (rows - 1) / 2), 0, larger)
        planes.append(cv2.warpAffine(picture[..., c], grow, (cols, rows), flags=cv2.INTER_CUBIC))
    return np.stack(planes, axis=-1)


def develop(rng: np.random.Generator, seen: Array, phone: Phone) -> NDArray[np.uint8]:
    """Turn linear light into the finished picture."""
    linear = seen * phone.light * (phone.view * np.float32(phone.exposure))[..., None]
    linear = np.clip(linear, 0, 4) + np.float32(0.0015)
    spread = np.sqrt(np.float32(phone.grain**2) * linear + np.float32(phone.read**2))
    linear = linear + spread * rng.standard_normal(linear.shape, dtype=np.float32)
    shown = np.clip(linear, 0, 1) ** np.float32(1 / 2.2)
    if phone.smoothing > 0.1:
        even = cv2.bilateralFilter(shown, 5, 0.04 + 0.08 * phone.smoothing, 0.8 + phone.smoothing)
        shown = shown + np.float32(phone.smoothing) * (even - shown)
    # Phones that smooth much also sharpen much, and leave halos.
    sharp = rng.uniform(0.8, 2.0) if phone.smoothing > 0.45 else rng.uniform(0, 0.6)
    shown += np.float32(sharp) * (shown - cv2.GaussianBlur(shown, (0, 0), rng.uniform(0.8, 2.2)))
    shown = np.clip(shown, 0, 1)
    shown += np.float32(rng.uniform(0, 0.5)) * (shown * shown * (3 - 2 * shown) - shown)
    grey = (shown @ LUMA)[..., None]
    shown = np.clip(grey + np.float32(rng.uniform(0.7, 1.35)) * (shown - grey), 0, 1)
    whole = np.ascontiguousarray(np.round(shown * 255).astype(np.uint8)[..., ::-1])
    _, data = cv2.imencode(".jpg", whole, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 98))])
    return np.ascontiguousarray(np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR))[..., ::-1], np.uint8)

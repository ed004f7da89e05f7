"""The microscope's view of a scene: absorption, refraction, light from above, defocus, the round view."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.panes.canvas import F, Scene, Stratum, cloud
from sporecount.simulate.panes.plan import Plan

STEPS_PX = np.array([0.0, 0.55, 0.9, 1.35, 2.0, 3.0, 4.5, 6.8, 10.0, 15.0])
"""Blurs by defocus that are computed; those between are mixed from two."""
COLOUR_FOCUS = (0.12, 0.0, -0.16)
"""Focus of red, green, blue apart, as a share of the sharpest blur: a simple achromat."""


@dataclass(frozen=True)
class Setting:
    """Maps of one photo: where it is in focus, what is in the view, and the light that comes in.

    Parameters
    ----------
    defocus_um : ndarray of shape (H, W)
        Signed standard deviation of the blur by defocus, green.
    view : ndarray of shape (H, W)
        1 inside the round view, 0 outside, soft between.
    lamp : ndarray of shape (H, W, 3)
        Light of the empty print.
    towards_deg : float
        Direction of the oblique light.
    """

    defocus_um: F
    view: F
    lamp: F
    towards_deg: float


def _places(shape: tuple[int, int]) -> tuple[F, F]:
    """Columns and rows over half the diagonal, from the centre."""
    rows, cols = shape
    half = np.hypot(rows, cols) / 2
    x = (np.arange(cols, dtype=np.float32) - (cols - 1) / 2)[None, :] / half
    y = (np.arange(rows, dtype=np.float32) - (rows - 1) / 2)[:, None] / half
    return np.broadcast_to(x, shape), np.broadcast_to(y, shape)


def _base(rng: np.random.Generator, plan: Plan, shape: tuple[int, int]) -> F:
    """Light of the bare carrier of the tape, shape (H, W, 3), 1 on the mean."""
    px = plan.um_per_px
    tint = 1 + np.array([0.03, 0, -0.05]) * rng.standard_normal()
    grain = 0.004 * cloud(rng, shape, 60 / px)
    if plan.base == "card":
        # Paper scatters: flocs, and fibres far out of focus.
        grain = rng.uniform(0.02, 0.05) * cloud(rng, shape, 120 / px) + rng.uniform(0.015, 0.04) * cloud(
            rng, shape, 28 / px
        )
        grain += rng.uniform(0.005, 0.02) * cloud(rng, shape, max(9 / px, 3))
        tint = tint * np.array([1.03, 1.0, 0.9])
    elif plan.base == "acetate":
        grain = grain + rng.uniform(0.004, 0.012) * cloud(rng, shape, 200 / px)
    if plan.from_above:
        level = {"card": 1.0, "acetate": rng.uniform(0.25, 0.8), "glass": rng.uniform(0.25, 0.8)}[plan.base]
        tint = tint * level
    return (np.exp(grain)[..., None] * tint).astype(np.float32)


def draw_setting(rng: np.random.Generator, plan: Plan, scene: Scene) -> Setting:
    """Draw focus, view and light of a photo."""
    shape = scene.shape
    x, y = _places(shape)
    turn = rng.uniform(0, 2 * np.pi)
    defocus = (
        plan.focus_um + plan.tilt_um * (x * np.cos(turn) + y * np.sin(turn)) + plan.bowl_um * (x**2 + y**2)
    )
    defocus = defocus + plan.wave_um * cloud(rng, shape, max(shape) / 3)
    rows, cols = shape
    radius = 500 * plan.field_mm / plan.um_per_px
    free = max(0.0, radius - 0.42 * min(shape))
    off = rng.standard_normal(2) * min(0.07 * min(shape), 0.5 * free + 4)
    away = np.hypot(
        np.arange(cols)[None, :] - cols / 2 - off[0], np.arange(rows)[:, None] - rows / 2 - off[1]
    ).astype(np.float32)
    soft = rng.uniform(1.5, 0.008 * radius + 2)
    view = 1 / (1 + np.exp(np.clip((away - radius) / soft, -30, 30)))
    sx, sy = rng.normal(0, 0.25, 2)
    fall = rng.uniform(0.08, 0.35) if not plan.from_above else rng.uniform(0.05, 0.3)
    bright = 1 - fall * ((x - sx) ** 2 + (y - sy) ** 2) - rng.uniform(0, 0.12) * (away / radius) ** 2
    for _ in range(int(rng.integers(0, 4))):  # dust on condenser or eyepiece: faint soft spots
        spot = ((x - rng.uniform(-1, 1)) ** 2 + (y - rng.uniform(-1, 1)) ** 2) / rng.uniform(0.01, 0.06) ** 2
        bright = bright * (1 - rng.uniform(0.01, 0.06) * np.exp(-spot))
    warm = 1 + np.array([0.03, 0, -0.04]) * rng.standard_normal() * (x * np.cos(turn))[..., None]
    lamp = np.clip(bright, 0.1, None)[..., None] * warm * _base(rng, plan, shape)
    return Setting(
        defocus.astype(np.float32), view.astype(np.float32), lamp.astype(np.float32), rng.uniform(0, 360)
    )


def _slopes(path: F, px_um: float) -> tuple[F, F, F]:
    """Slopes of the optical path, along x and y, and its Laplacian in 1/µm."""
    soft = cv2.GaussianBlur(path, (0, 0), 0.6)
    gx = cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3, scale=1 / (8 * px_um))
    gy = cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3, scale=1 / (8 * px_um))
    curve = cv2.Laplacian(soft, cv2.CV_32F, ksize=1, scale=1 / px_um**2)
    return gx, gy, curve


def bending(plan: Plan, setting: Setting, path: F, offset_um: float = 0.0) -> F:
    """Factor by which refraction changes the light of each pixel.

    In focus, light bent out of the aperture is lost, and an oblique condenser shades one flank. Out of
    focus, curved layers act as lenses: the transport of intensity, dI/dz = -I ∇²(path).
    """
    gx, gy, curve = _slopes(path, plan.um_per_px)
    catch = 0.75 * plan.aperture
    lost = 1 / (1 + (gx**2 + gy**2) / catch**2)
    t = np.radians(setting.towards_deg)
    flank = plan.oblique * (gx * np.float32(np.cos(t)) + gy * np.float32(np.sin(t))) / catch
    # Blur by defocus has radius z NA, and a disc's standard deviation is half its radius.
    z_um = np.float32(2 / plan.aperture) * (setting.defocus_um + np.float32(offset_um))
    lens = np.clip(-0.5 * z_um * curve, -0.4, 0.7)
    return lost * (1 + np.clip(flank, -0.5, 0.5)) * (1 + lens)


def relief(plan: Plan, setting: Setting, path: F) -> tuple[F, F]:
    """Light from above on the surface: matt shading as a factor, and glints that add."""
    gx, gy, _ = _slopes(cv2.GaussianBlur(path, (0, 0), 0.7), plan.um_per_px)
    t = np.radians(setting.towards_deg)
    rise = 14 * (gx * np.float32(np.cos(t)) + gy * np.float32(np.sin(t)))
    cross = 14 * (gy * np.float32(np.cos(t)) - gx * np.float32(np.sin(t)))
    shade = 1 + 0.35 * np.tanh(rise)
    glint = np.exp(-((rise - 1.3) ** 2 + cross**2) / 0.25)
    return shade, 0.35 * glint


def _steps(image: F, low: float, high: float) -> list[tuple[int, F]]:
    """Blur by each of `STEPS_PX` that blurs from `low` to `high` (px) need."""
    first = max(0, int(np.searchsorted(STEPS_PX, low, "right")) - 1)
    last = min(len(STEPS_PX) - 1, int(np.searchsorted(STEPS_PX, high, "left")))
    return [(k, defocused(image, float(STEPS_PX[k]))) for k in range(first, last + 1)]


def defocused(image: F, sigma_px: float) -> F:
    """Blur by a defocus: a soft disc of standard deviation `sigma_px`, Gaussian where too small to tell."""
    if sigma_px < 0.3:
        return image
    if sigma_px < 1.9:
        return cv2.GaussianBlur(image, (0, 0), sigma_px)
    shrink = 2 if sigma_px < 5 else 4
    rows, cols = image.shape[:2]
    small = cv2.resize(image, (-(-cols // shrink), -(-rows // shrink)), interpolation=cv2.INTER_AREA)
    # Shrinking and growing again blurs by shrink² / 4 px² by itself.
    wanted = (sigma_px**2 - shrink**2 / 4) / shrink**2
    reach = int(np.ceil(2 * np.sqrt(wanted))) + 1
    across = np.arange(-reach, reach + 1)
    far = np.hypot(across[:, None], across[None, :])
    radius = 2 * np.sqrt(wanted)
    for _ in range(6):  # the soft edge and the coarse grid change the disc's width a little
        disc = np.clip((radius + 0.8 - far) / 1.6, 0, 1)
        disc /= disc.sum()
        radius *= np.sqrt(wanted / float((disc * across[None, :] ** 2).sum()))
    small = cv2.filter2D(small, -1, disc.astype(np.float32), borderType=cv2.BORDER_REFLECT)
    return cv2.resize(small, (cols, rows), interpolation=cv2.INTER_LINEAR)


def blur(plan: Plan, setting: Setting, channel: F, colour: int) -> F:
    """Blur one colour channel by objective and local defocus."""
    sharp = cv2.GaussianBlur(channel, (0, 0), plan.sharp_um / plan.um_per_px)
    amount = np.abs(setting.defocus_um + np.float32(COLOUR_FOCUS[colour] * plan.sharp_um)) / plan.um_per_px
    steps = _steps(sharp, float(amount.min()), float(amount.max()))
    at = np.interp(amount**2, STEPS_PX**2, np.arange(len(STEPS_PX))).astype(np.float32)
    out = np.zeros_like(channel)
    for k, one in steps:
        out += one * np.clip(1 - np.abs(at - k), 0, 1)
    return out


def layer_light(plan: Plan, setting: Setting, layer: Stratum, path: F, density: F, bend: F | None) -> F:
    """Light of one colour from a layer, before blur, over that of the bare base."""
    if not plan.from_above:
        return np.exp(np.float32(-np.log(10)) * density) * (1 if bend is None else bend)
    shade, glint = relief(plan, setting, path)
    through = np.exp(np.float32(-1.7 * np.log(10)) * density)
    return (through + 0.5 * layer.haze * (1 - 0.6 * through)) * shade + glint


def see(plan: Plan, setting: Setting, scene: Scene, lift_um: float) -> tuple[F, F, F]:
    """Look at the scene.

    Returns
    -------
    light : ndarray of shape (H, W, 3)
        Linear light, about 1 where the print is empty and the lamp brightest.
    with_spores, without : ndarray of shape (H, W)
        Green light with the spores and without them, over that of the bare base.
    """
    bare = scene.print.path
    full = bare + scene.spores.path
    bend = None if plan.from_above else bending(plan, setting, full)
    bend_bare = None if plan.from_above else bending(plan, setting, bare)
    bend_raised = None if plan.from_above else bending(plan, setting, scene.raised.path, lift_um)
    both = Stratum(scene.print.density, full, np.maximum(scene.print.haze, scene.spores.haze))
    channels, overs = [], []
    lifted = (
        float(np.hypot(plan.sharp_um, lift_um + abs(float(np.median(setting.defocus_um))))) / plan.um_per_px
    )
    for c in range(3):
        dark = scene.print.density[..., c] + scene.spores.density[..., c]
        one = blur(plan, setting, layer_light(plan, setting, both, full, dark, bend), c)
        top = scene.raised
        over = layer_light(plan, setting, top, top.path, top.density[..., c], bend_raised)
        over = cv2.GaussianBlur(over, (0, 0), lifted) if lifted < 2 else defocused(over, lifted)
        channels.append(one * over)
        overs.append(over)
    without = layer_light(plan, setting, scene.print, bare, scene.print.density[..., 1], bend_bare)
    light = np.stack(channels, axis=-1) * setting.lamp * setting.view[..., None]
    bare_green = blur(plan, setting, without, 1) * overs[1]
    return light, np.maximum(channels[1], 1e-3), np.maximum(bare_green, 1e-3)

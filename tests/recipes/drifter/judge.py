"""The truth of each spore, from what the finished photo leaves of it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import SporeTruth
from tests.recipes.drifter.canvas import HIGH, KIND, Canvas
from tests.recipes.drifter.optics import blur_um_at, disc_kernel
from tests.recipes.drifter.spores import Spore, clump_sizes
from tests.recipes.drifter.style import Array, Style

LEAST_CONTRAST = 0.045
OVER_NOISE, OVER_NOISE_ON_SCALE = 2.4, 3.0
"""How far a spore must stand out of the unrest beside it, in that unrest's deviations."""
LEAST_GAP, GAP_PER_BLUR = 0.1, 1.4
"""Share of the rim, all around, that must be told from the spore's inside: more where blur hides the seams."""
BLUR_LIMIT = 0.22
FEW_PIXELS_UM = 0.7
"""Pixels larger than this leave little of a spore's shape."""


@dataclass(frozen=True)
class _Seen:
    """The finished photo's density, and what lies at each of its pixels."""

    dark: Array
    topmost: NDArray[np.int32]
    on_scale: NDArray[np.bool_]
    free: NDArray[np.bool_]


def judge(
    canvas: Canvas, style: Style, spores: list[Spore], rgb: NDArray[np.uint8], lit: NDArray[np.bool_]
) -> tuple[SporeTruth, ...]:
    """Write down what is true of each spore and whether a careful person could count it."""
    light = (rgb.astype(np.float32) / 255) ** 2.2
    dark = -np.log10(light.mean(axis=2) + 0.004)
    lit_fine = np.repeat(np.repeat(lit, canvas.fine, 0), canvas.fine, 1)
    owner = np.where(lit_fine, canvas.owner, -1)
    shown = np.bincount(owner[owner >= 0], minlength=len(spores))
    each = (slice(canvas.fine // 2, None, canvas.fine),) * 2
    topmost, on_scale = canvas.owner[each], canvas.on_scale[each]
    free = np.where(on_scale, canvas.kind[each] == KIND["scale"], canvas.kind[each] == 0)
    about = _Seen(dark, topmost, on_scale, free)
    sizes = clump_sizes(spores)
    return tuple(
        _truth(canvas, style, s, float(shown[number]), sizes[number], number, about)
        for number, s in enumerate(spores)
    )


def _truth(
    canvas: Canvas,
    style: Style,
    spore: Spore,
    shown_px: float,
    clump: int,
    number: int,
    about: _Seen,
) -> SporeTruth:
    scale = style.um_per_px
    x_px, y_px = spore.x_um / scale - 0.5, spore.y_um / scale - 0.5
    across, down = 2 * spore.x_um / canvas.width_um - 1, 2 * spore.y_um / canvas.height_um - 1
    height_um = style.lens.high_um if spore.layer == HIGH else 0.0
    blur_um = float(np.hypot(blur_um_at(style.lens, height_um, across, down), 0.4 * scale))
    contrast = _own_contrast(style, spore, blur_um)
    visible = min(shown_px / spore.full_px, 1.0)
    inside = 0 <= spore.x_um < canvas.width_um and 0 <= spore.y_um < canvas.height_um
    on_scale = bool(inside and canvas.on_scale[canvas.place(spore.x_um, spore.y_um)])
    possible = inside and visible >= 0.5 and blur_um <= BLUR_LIMIT * spore.length_um
    return SporeTruth(
        float(x_px),
        float(y_px),
        spore.length_um,
        spore.width_um,
        float(np.degrees(spore.angle_rad) % 180) % 180,
        float(visible),
        blur_um,
        contrast,
        on_scale,
        clump,
        bool(
            possible
            and contrast >= LEAST_CONTRAST
            and _stands_out(spore, scale, (x_px, y_px), contrast, blur_um, number, about)
        ),
    )


def _own_contrast(style: Style, spore: Spore, blur_um: float) -> float:
    """Density of the spore alone over bare ground, after blur, top light and glare."""
    step_um = 0.5
    reach = int((0.5 * spore.length_um + 2 * blur_um) / step_um) + 1
    at = np.arange(-reach, reach + 1, dtype=np.float32) * step_um
    along, side = np.meshgrid(at, at)
    cover = np.clip(spore.inside_um(along, side) / step_um + 0.5, 0, 1)
    passed = 10 ** (-spore.density * cover[..., None] * np.asarray(style.spore.hue, np.float32)).astype(
        np.float32
    )
    top = style.light.top
    lost = 1 - ((1 - top) * passed + top * passed**2).mean(axis=2)
    kernel = disc_kernel(round((blur_um / step_um) ** 2, 2))
    blurred = cv2.filter2D(lost, -1, kernel, borderType=cv2.BORDER_CONSTANT)
    veil = style.light.veil + 2 * style.light.ghost
    left = 1 - float((blurred * cover).sum() / cover.sum()) / (1 + veil)
    return float(-np.log10(max(left, 1e-3)))


def _stands_out(
    spore: Spore,
    scale: float,
    centre_px: tuple[float, float],
    contrast: float,
    blur_um: float,
    number: int,
    about: _Seen,
) -> bool:
    """Tell from the photo whether the spore differs from what is beside it by more than the unrest there."""
    reach = int(np.ceil(1.3 * spore.length_um / scale))
    left, upper = max(round(centre_px[0]) - reach, 0), max(round(centre_px[1]) - reach, 0)
    box = (slice(upper, round(centre_px[1]) + reach + 1), slice(left, round(centre_px[0]) + reach + 1))
    here, mine = about.dark[box], about.topmost[box] == number
    on_scale = bool(about.on_scale[box][mine].mean() > 0.5) if mine.any() else False
    alike = about.on_scale[box] == on_scale
    y, x = np.mgrid[: here.shape[0], : here.shape[1]]
    dx, dy = (x + left - centre_px[0]) * scale, (y + upper - centre_px[1]) * scale
    c, s = np.cos(spore.angle_rad), np.sin(spore.angle_rad)
    out = -spore.inside_um((dx * c + dy * s).astype(np.float32), (dy * c - dx * s).astype(np.float32))
    mine &= out < 0
    ring = alike & (out > 0.4 * scale) & (out < max(1.8, 1.6 * scale))
    if mine.sum() < 4 or ring.sum() < 4:
        return False
    inside = float(here[mine].mean())
    lighter = float((here[ring] < inside - 0.3 * contrast).mean())
    darker = float((here[ring] > inside + 0.3 * contrast).mean())  # seams where two walls touch
    least_gap = LEAST_GAP + GAP_PER_BLUR * blur_um / spore.length_um
    if lighter + 0.5 * darker < least_gap:
        return False
    beside = alike & about.free[box] & (out > max(1.8, 1.5 * scale)) & (out < 0.8 * spore.length_um)
    if beside.sum() < 12:
        return lighter >= 2 * least_gap
    # Unrest finer than the spore averages out over it, so it is weighed at about half the spore's width.
    width_px = max(round(0.5 * spore.width_um / scale), 1)
    calm = cv2.blur(here, (width_px, width_px))[beside]
    unrest = 0.74 * float(np.subtract(*np.percentile(calm, [75, 25])))
    seen = inside - float(np.median(here[beside]))
    # A spore of few pixels is told from noise and from JPEG's blocks less surely.
    least = LEAST_CONTRAST * max(1.0, scale / FEW_PIXELS_UM) ** 0.6
    return seen > max(least, (OVER_NOISE_ON_SCALE if on_scale else OVER_NOISE) * unrest)

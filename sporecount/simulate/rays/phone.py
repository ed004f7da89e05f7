"""What lies behind the print and lights it, and the phone that takes the picture."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.rays.film import MARGIN_PX, Film, soften
from sporecount.simulate.rays.forms import Field, between, brushed, cloud

LUMA = np.array([0.3, 0.59, 0.11], np.float32)
GROUNDS = ("glass", "card", "paper", "film")


def draw_ground(rng: np.random.Generator, film: Film, kind: str, rough: float) -> Field:
    """Linear light that comes through, or from, what is behind the print: shape (H, W, 3), mean near 1."""
    optics, px = film.optics, film.optics.um_per_px
    density = np.zeros(film.full, np.float32)
    if kind in ("card", "paper"):
        flocs = cloud(rng, film.full, rng.uniform(120, 500) / px) + 0.6 * cloud(
            rng, film.full, rng.uniform(40, 110) / px
        )
        density += np.float32(rng.uniform(0.01, 0.07) * rough) * flocs
        mats = np.zeros(film.full, np.float32)
        turn = rng.uniform(0, np.pi)
        for k in range(5):
            # Only the crests of drawn-out noise, so that they read as single fibres of many directions.
            crest = brushed(
                rng, film.full, rng.uniform(250, 900) / px, rng.uniform(14, 35) / px, turn + k * 0.65
            )
            mats += np.maximum(np.abs(crest) - np.float32(0.6), 0)
        # Fibres of paper are curved.
        sway = [cloud(rng, film.full, 300 / px) * np.float32(rng.uniform(20, 60) / px) for _ in range(2)]
        y, x = np.mgrid[: film.full[0], : film.full[1]].astype(np.float32)
        curved = cv2.remap(mats, x + sway[0], y + sway[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        density += np.float32(rng.uniform(0.01, 0.07) * rough * (1.5 if kind == "paper" else 1)) * (
            curved - curved.mean()
        )
        # Small pores in the sheet let points of light through.
        pores = np.maximum(cloud(rng, film.full, rng.uniform(5, 14) / px) - np.float32(1.9), 0)
        density -= np.float32(rng.beta(0.7, 3) * (0.0 if optics.from_above else 0.25) * rough) * pores
    elif kind == "film":
        drawn = brushed(rng, film.full, 900 / px, rng.uniform(8, 40) / px, rng.uniform(0, np.pi))
        density += np.float32(rng.uniform(0.004, 0.02)) * drawn
    light = np.repeat(10 ** -density[..., None], 3, axis=2)
    lined = kind in ("card", "paper") and rng.random() < 0.14
    if lined:
        light *= _ruling(rng, film)
    if kind in ("card", "paper"):
        light *= np.float32(1) - rng.uniform(0, 1, 3).astype(np.float32) * np.array(
            [0.0, 0.05, 0.16], np.float32
        )
        distance = between(rng, 8, 70) if not optics.from_above else rng.uniform(0, 25)
        light = soften(light, float(optics.disc_um(np.full(1, distance))[0]) / px)
    if optics.from_above:
        light *= np.float32(0.75 if kind in ("card", "paper") else rng.choice([0.12, 0.5]))
    return light


def _ruling(rng: np.random.Generator, film: Film) -> Field:
    """Ink of a ruled line or two, speckled as printed ink is."""
    px = film.optics.um_per_px
    rows, cols = film.full
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    angle = rng.uniform(0, np.pi)
    way = (x - rng.uniform(0.2, 0.8) * cols) * np.float32(np.cos(angle) * px)
    way += (y - rng.uniform(0.2, 0.8) * rows) * np.float32(np.sin(angle) * px)
    half = between(rng, 40, 180)
    ink = np.clip((half + 6 * cloud(rng, film.full, 20 / px) - np.abs(way)) / 5, 0, 1)
    speckle = np.clip(0.7 + 0.35 * cloud(rng, film.full, max(rng.uniform(4, 10) / px, 1)), 0, 1.5)
    tint = np.array([[0.45, 0.22, 0.08], [0.05, 0.35, 0.3], [0.35, 0.35, 0.35]], np.float32)[
        int(rng.integers(3))
    ]
    return 10 ** -((ink * speckle)[..., None] * tint * np.float32(rng.uniform(0.3, 1.2)))


@dataclass(frozen=True)
class Phone:
    """One photo's lens, sensor and picture processing."""

    view_px: tuple[float, float, float] | None
    """Middle and radius of the round eyepiece view."""
    view_soft_px: float
    vignette: float
    light_xy: tuple[float, float]
    slant: float
    bend: float
    fringe: float
    blur_px: float
    shake_px: float
    shake_angle: float
    level: float
    metered: float
    """Percentile of the light that `level` is set for."""
    cast: tuple[float, float, float]
    full_well: float
    floor: float
    denoise: float
    gamma: float
    contrast: float
    saturation: float
    sharpen: float
    sharpen_px: float
    flare: float
    quality: int


def draw_phone(
    rng: np.random.Generator,
    shape: tuple[int, int],
    dim: bool,
    rough: bool,
    clean: bool,
    um_per_px: float,
    from_above: bool,
) -> Phone:
    """Draw a phone and how it is held."""
    rows, cols = shape
    view = None
    if rng.random() < (0.12 if clean else 0.28):
        size = np.hypot(rows, cols)
        view = (
            cols * rng.uniform(0.38, 0.62), rows * rng.uniform(0.38, 0.62), float(size * rng.uniform(0.38, 0.58))
        )  # fmt: skip
    cast = {
        "filament": (1.0, 0.82, 0.52), "led": (0.93, 1.0, 1.0), "daylight": (0.95, 0.98, 1.0), "even": (1, 1, 1),
        "green": (0.86, 1.0, 0.8), "cold": (0.8, 0.93, 1.0), "rose": (1.0, 0.88, 0.92),
    }[str(rng.choice(["filament", "led", "daylight", "even", "green", "cold", "rose"],
                     p=[0.24, 0.2, 0.14, 0.2, 0.07, 0.08, 0.07]))]  # fmt: skip
    share = rng.uniform(0.15, 1.0)
    tint = [float(np.clip(1 + share * (c - 1) + rng.normal(0, 0.012), 0.3, 1.05)) for c in cast]
    harsh = 1.6 if rough else 0.7 if clean else 1.0
    return Phone(
        view_px=view,
        view_soft_px=between(rng, 1.5, 25),
        vignette=rng.beta(1.2, 2.2) * 0.6,
        light_xy=(rng.uniform(-0.35, 0.35), rng.uniform(-0.35, 0.35)),
        slant=rng.normal(0, 0.1 * harsh),
        bend=rng.normal(0, 0.006),
        fringe=rng.normal(0, 0.0007 * harsh),
        # At few pixels per spore nobody keeps a photo that is soft as well.
        blur_px=between(rng, 0.35, 1.0 if clean else 1.4) * min(1.0, 1 / um_per_px),
        shake_px=between(rng, 1, 3.5) if rng.random() < (0.03 if clean else 0.08 * harsh) else 0.0,
        shake_angle=rng.uniform(0, np.pi),
        level=between(rng, 0.07, 0.22)
        if dim
        else float(np.clip(rng.normal(0.62, 0.22), 0.3 if clean else 0.17, 1.08)),
        metered=97.0 if from_above else 85.0,
        cast=(tint[0], tint[1], tint[2]),
        full_well=between(rng, 1200, 12000) if dim else between(rng, 2500, 30000) / harsh,
        floor=between(rng, 0.0006, 0.003) * harsh,
        denoise=rng.beta(1.1, 1.3),
        gamma=rng.uniform(0.9, 1.12),
        contrast=rng.uniform(-0.05, 0.5),
        saturation=float(np.clip(rng.normal(1.08, 0.22), 0.5, 1.7)),
        sharpen=rng.beta(1.1, 1.7) * 1.6,
        sharpen_px=rng.uniform(0.7, 1.8),
        flare=rng.beta(1, 3) * (0.12 if rough else 0.06),
        quality=int(rng.integers(60, 98)),
    )


def bend_back(
    phone: Phone, shape: tuple[int, int], x: NDArray[np.float64], y: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Places of the scene to places of the finished photo."""
    mid_x, mid_y, half = (shape[1] - 1) / 2, (shape[0] - 1) / 2, np.hypot(*shape) / 2
    dx, dy = x - mid_x, y - mid_y
    r = np.hypot(dx, dy) / half
    shrunk = r.copy()
    for _ in range(8):
        shrunk = r / (1 + phone.bend * shrunk**2)
    scale = np.where(r > 1e-9, shrunk / np.maximum(r, 1e-9), 1.0)
    return mid_x + dx * scale, mid_y + dy * scale


def _map(phone: Phone, shape: tuple[int, int], stretch: float) -> tuple[Field, Field]:
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    mid_x, mid_y, half = (shape[1] - 1) / 2, (shape[0] - 1) / 2, np.hypot(*shape) / 2
    dx, dy = x - np.float32(mid_x), y - np.float32(mid_y)
    grow = (1 + np.float32(phone.bend) * (dx * dx + dy * dy) / np.float32(half**2)) * np.float32(1 + stretch)
    return dx * grow + np.float32(mid_x + MARGIN_PX), dy * grow + np.float32(mid_y + MARGIN_PX)


def project(
    light: Field, kinds: NDArray[np.uint8], phone: Phone, shape: tuple[int, int]
) -> tuple[Field, ...]:
    """Bring the scene to the sensor: light (H, W, 3), the map of kinds, and how much of the view is seen."""
    rows, cols = shape
    channels = [
        cv2.remap(np.ascontiguousarray(light[..., k]), *_map(phone, shape, stretch), cv2.INTER_CUBIC)
        for k, stretch in enumerate((phone.fringe, 0.0, -phone.fringe))
    ]
    seen = np.clip(cv2.merge(channels), 0, None)
    map_x, map_y = _map(phone, shape, 0.0)
    # Nearest pixels by indexing: the map then agrees with the places of spores.
    at_x = np.clip(np.rint(map_x).astype(int), 0, kinds.shape[1] - 1)
    at_y = np.clip(np.rint(map_y).astype(int), 0, kinds.shape[0] - 1)
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    off_x = (x - cols / 2) / cols - np.float32(phone.light_xy[0])
    off_y = (y - rows / 2) / rows - np.float32(phone.light_xy[1])
    shade = (
        1
        - np.float32(phone.vignette) * np.minimum((off_x**2 + off_y**2) * 2.4, 1.3)
        + np.float32(phone.slant) * off_x
    )
    field = np.ones(shape, np.float32)
    if phone.view_px is not None:
        mid_x, mid_y, size = phone.view_px
        for k in range(3):
            # The rim of the view has a little colour too.
            away = size * (1 + (1 - k) * 0.0025) - np.hypot(x - np.float32(mid_x), y - np.float32(mid_y))
            part = np.clip(away / np.float32(phone.view_soft_px) * np.float32(0.5) + np.float32(0.5), 0, 1)
            field = np.minimum(field, part)
            seen[..., k] *= part * part * (3 - 2 * part)
    seen *= np.clip(shade, 0.05, None)[..., None]
    if phone.blur_px > 0.3:
        seen = cv2.GaussianBlur(seen, (0, 0), phone.blur_px)
    if phone.shake_px:
        seen = cv2.filter2D(seen, -1, shake_kernel(phone))
    return seen, kinds[at_y, at_x], field


def shake_kernel(phone: Phone) -> Field:
    """Path of a hand that moved while the picture was taken."""
    kernel = np.zeros((9, 9), np.uint8)
    half = np.array([np.cos(phone.shake_angle), np.sin(phone.shake_angle)]) * phone.shake_px / 2
    ends = np.round((4 + np.stack([half, -half])) * 16).astype(int)
    cv2.line(kernel, ends[0].tolist(), ends[1].tolist(), 255, 1, cv2.LINE_AA, 4)
    return kernel.astype(np.float32) / np.float32(kernel.sum())


def shoot(rng: np.random.Generator, seen: Field, phone: Phone) -> NDArray[np.uint8]:
    """Take the picture: exposure, noise, its removal, tones, sharpening, JPEG and back."""
    bright = float(np.percentile(seen[..., 1], phone.metered))
    picture = seen * (np.float32(phone.level / max(bright, 1e-4)) * np.array(phone.cast, np.float32))
    if phone.flare:
        picture += np.float32(phone.flare) * picture.mean(axis=(0, 1), keepdims=True)
    spread = np.sqrt(np.maximum(picture, 0) / np.float32(phone.full_well) + np.float32(phone.floor**2))
    # A colour mosaic makes red and blue noise coarser than green.
    for k, gain in enumerate((1.5, 1.0, 1.7)):
        grain = rng.standard_normal(picture.shape[:2], dtype=np.float32)
        picture[..., k] += (
            spread[..., k] * cv2.GaussianBlur(grain, (0, 0), 0.5 if k == 1 else 0.7) * np.float32(1.5 * gain)
        )
    picture = np.clip(picture, 0, 1)
    picture = np.where(
        picture < 0.0031308, 12.92 * picture, 1.055 * np.power(picture + 1e-7, 1 / 2.4) - 0.055
    )
    picture = np.power(np.clip(picture, 0, 1), np.float32(phone.gamma))
    luma = picture @ LUMA
    colour = picture - luma[..., None]
    if phone.denoise > 0.15:
        colour = cv2.GaussianBlur(colour, (0, 0), 0.5 + 2.2 * phone.denoise)
    if phone.denoise > 0.4:
        # Keeps edges, smears weak texture as phones do.
        byte = np.clip(luma * 255, 0, 255).astype(np.float32)
        luma = cv2.bilateralFilter(byte, 5, 5 + 14 * phone.denoise, 0.8 + phone.denoise) / np.float32(255)
    luma = luma + np.float32(phone.sharpen) * (luma - cv2.GaussianBlur(luma, (0, 0), phone.sharpen_px))
    luma = np.clip(luma, 0, 1)
    curve = luma * luma * (3 - 2 * luma)
    luma = luma + np.float32(phone.contrast) * (curve - luma)
    picture = luma[..., None] + np.float32(phone.saturation) * colour
    byte_rgb = np.clip(np.rint(picture * 255), 0, 255).astype(np.uint8)
    done, code = cv2.imencode(".jpg", byte_rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])
    back = cv2.imdecode(code, cv2.IMREAD_COLOR) if done else None
    assert back is not None
    return np.ascontiguousarray(back[..., ::-1]).astype(np.uint8, copy=False)

"""Pictures whose answer is known on paper: coverage of discs and ellipses, light times density."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from sporecount.records import FlatField, Photo, RoundView, Scale, WorkImage

AMBER = (0.35, 0.60, 1.00)
"""Density of red, green and blue of an amber thing, relative to blue."""


def srgb(linear: np.ndarray) -> np.ndarray:
    """Linear light 0 to 1 to 8-bit sRGB (IEC 61966-2-1)."""
    linear = np.clip(linear, 0.0, 1.0)
    code = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.round(255 * code).astype(np.uint8)


def linear(rgb: np.ndarray) -> np.ndarray:
    """8-bit sRGB to linear light 0 to 1 (IEC 61966-2-1)."""
    code = rgb / 255.0
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def ellipse_cover(
    shape: tuple[int, int], x: float, y: float, length: float, width: float, angle_deg: float = 0.0
) -> np.ndarray:
    """Share of each pixel under an ellipse, to about a hundredth: the edge is a ramp one pixel wide.

    `angle_deg` from +x towards +y (down); lengths are full axes in pixels.
    """
    rows, cols = np.indices(shape, dtype=float)
    cos, sin = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    along = (cols - x) * cos + (rows - y) * sin
    across = -(cols - x) * sin + (rows - y) * cos
    radius = np.hypot(along / (length / 2), across / (width / 2))
    slope = np.hypot(along / (length / 2) ** 2, across / (width / 2) ** 2) / np.maximum(radius, 1e-9)
    return np.clip(0.5 + (1.0 - radius) / np.maximum(slope, 1e-9), 0.0, 1.0)


def lemon_cover(
    shape: tuple[int, int], x: float, y: float, length: float, width: float, angle_deg: float = 0.0
) -> np.ndarray:
    """Share of each pixel under a lemon whose two sides are parabolas, its area 2/3 length x width.

    Full axes in pixels; the edge is a ramp one pixel wide.
    """
    rows, cols = np.indices(shape, dtype=float)
    cos, sin = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    along = 2 * ((cols - x) * cos + (rows - y) * sin) / length
    across = np.abs(-(cols - x) * sin + (rows - y) * cos)
    slope = np.hypot(1.0, 2 * along * width / length)
    return np.clip(0.5 + (width / 2 * (1 - along**2) - across) / slope, 0.0, 1.0)


def disc_cover(shape: tuple[int, int], x: float, y: float, diameter: float) -> np.ndarray:
    """Share of each pixel under a disc."""
    return ellipse_cover(shape, x, y, diameter, diameter)


def picture(
    density: np.ndarray,
    light: np.ndarray | float = 0.7,
    *,
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0),
    absorbs: tuple[float, float, float] = (1.0, 1.0, 1.0),
    grain: float = 0.0,
    seed: int = 0,
) -> np.ndarray:
    """Photo of a density under a light, both given on the pixels: I = I0 10^-density in each channel.

    `grain` is the standard deviation of noise in linear units.
    """
    bright = np.broadcast_to(np.asarray(light, float), density.shape)
    channels = [bright * tint[i] * 10 ** (-density * absorbs[i]) for i in range(3)]
    linear = np.stack(channels, axis=-1)
    if grain:
        linear = linear + np.random.default_rng(seed).normal(0, grain, linear.shape)
    return srgb(linear)


def as_photo(rgb: np.ndarray) -> Photo:
    return Photo(rgb, "drawn.jpg")


def as_work(rgb: np.ndarray, um_per_px: float, seen: np.ndarray | None = None) -> WorkImage:
    """A picture that is on the working grid already."""
    seen = np.ones(rgb.shape[:2], bool) if seen is None else seen
    return WorkImage(rgb, seen, um_per_px, 1.0, 1.0, 0, 0, rgb, 1.0)


def as_flat(density: np.ndarray, noise: float = 0.002) -> FlatField:
    """A density that needs no flattening."""
    light = np.full((4, 5, 3), np.log10(0.7), np.float32)
    return FlatField(density.astype(np.float32), light, noise)


def whole_view(rgb: np.ndarray) -> RoundView:
    height, width = rgb.shape[:2]
    return RoundView((width - 1) / 2, (height - 1) / 2, float(np.hypot(width, height) / 2), found=False)


def given_scale(um_per_px: float) -> Scale:
    return Scale(um_per_px, 0.001 * um_per_px, "given", 10.0)


def spore_field(
    shape: tuple[int, int],
    spores: list[tuple[float, float, float, float, float]],
    um_per_px: float,
    *,
    density: float = 0.45,
    blur_um: float = 0.9,
    seed: int = 0,
    cover: Callable[..., np.ndarray] = ellipse_cover,
) -> np.ndarray:
    """Photo of amber ovals (x_um, y_um, length_um, width_um, angle_deg) on card with a little grain."""
    import cv2

    total = np.zeros(shape)
    for x, y, length, width, angle in spores:
        total += density * cover(
            shape, x / um_per_px, y / um_per_px, length / um_per_px, width / um_per_px, angle
        )
    rng = np.random.default_rng(seed)
    card = cv2.GaussianBlur(rng.normal(0, 1, shape), (0, 0), 12 / um_per_px)
    total += 0.01 * card / card.std()
    total = cv2.GaussianBlur(total, (0, 0), blur_um / um_per_px)
    return picture(total, 0.72, tint=(1.0, 0.98, 0.93), absorbs=AMBER, grain=0.006, seed=seed)


OVERVIEW_UM_PER_PX = 4.0
OVERVIEW_SIZE = (1100, 840)
"""Width and height of a drawn overview: 4.4 x 3.4 mm."""


def drawn_print(
    half_um: tuple[float, float],
    *,
    seed: int = 1,
    at_um: tuple[float, float] = (0.0, 0.0),
    cover: float = 0.35,
    angle_deg: float = 0.0,
    ground: float = 0.01,
    size: tuple[int, int] = OVERVIEW_SIZE,
) -> np.ndarray:
    """Photo of scales scattered evenly over an ellipse with these half axes; simulated.

    The centres are drawn within the ellipse, so that the print ends where its outermost scales lie.
    """
    import cv2

    rng = np.random.default_rng(seed)
    density = np.zeros(size[::-1], np.float32)
    length, width = 110.0, 52.0
    number = rng.poisson(-np.log(1 - cover) * np.pi * half_um[0] * half_um[1] / (np.pi / 4 * length * width))
    tilt = np.radians(angle_deg)
    for _ in range(number):
        reach, way = np.sqrt(rng.random()), rng.uniform(0, 2 * np.pi)
        x, y = half_um[0] * reach * np.cos(way), half_um[1] * reach * np.sin(way)
        x, y = x * np.cos(tilt) - y * np.sin(tilt) + at_um[0], x * np.sin(tilt) + y * np.cos(tilt) + at_um[1]
        centre = (
            round(16 * (x / OVERVIEW_UM_PER_PX + size[0] / 2)),
            round(16 * (y / OVERVIEW_UM_PER_PX + size[1] / 2)),
        )
        axes = (round(16 * length / 2 / OVERVIEW_UM_PER_PX), round(16 * width / 2 / OVERVIEW_UM_PER_PX))
        one = np.zeros_like(density)
        middle = np.array(centre) // 16
        box = np.concatenate([middle - 20, middle + 21])
        box = np.clip(box, 0, [*size, *size])
        cv2.ellipse(one, centre, axes, float(rng.uniform(0, 180)), 0, 360, 1.0, -1, cv2.LINE_AA, 4)
        part = (slice(box[1], box[3]), slice(box[0], box[2]))
        density[part] += float(rng.uniform(0.25, 0.7)) * one[part]
    card = cv2.GaussianBlur(rng.normal(0, 1, density.shape).astype(np.float32), (0, 0), 6)
    return picture(density + ground * card / card.std(), 0.7, tint=(1.0, 0.97, 0.9), grain=0.008, seed=seed)

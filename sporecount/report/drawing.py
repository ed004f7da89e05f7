"""Lines that stay visible on dark scales and on bright card: a light line in a dark casing."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

INK = (18, 24, 28)
PAPER = (250, 250, 246)
SURE = (150, 255, 226)
"""Pale green-blue; the solid line is what tells, the tint only helps."""
DOUBT = (255, 200, 244)
"""Pale rose, for broken lines: far from the amber of what they surround."""

_MANY = 500
_SHIFT = 4  # fractional bits of the coordinates that are handed to OpenCV


def nice_length(wanted: float) -> float:
    """Give the largest of 1, 2 and 5 times a power of ten that is not above a positive number."""
    power = 10.0 ** np.floor(np.log10(wanted))
    return float(
        max((step for step in (1.0, 2.0, 5.0) if step * power <= wanted * (1 + 1e-9)), default=1.0) * power
    )


def ellipse_arcs(
    centres: np.ndarray,
    half_axes: np.ndarray,
    angle_deg: np.ndarray,
    *,
    arcs: int = 1,
    gap: float = 0.0,
    points: int = 28,
) -> np.ndarray:
    """Points along ellipses, whole or broken into arcs.

    Parameters
    ----------
    centres : ndarray of shape (n, 2)
        x, y in pixels.
    half_axes : ndarray of shape (n, 2)
        Half of the length and of the width, in pixels.
    angle_deg : ndarray of shape (n,)
        Long axis, from +x towards +y (down).
    arcs : int
        Pieces of each ellipse.
    gap : float
        Share of each piece that is left open, 0 to 1.
    points : int
        Points of a whole ellipse.

    Returns
    -------
    ndarray of shape (n * arcs, k, 2), float64
    """
    per_arc = max(3, points // arcs + 1)
    turn = np.linspace(0, 2 * np.pi * (1 - gap) / arcs, per_arc)
    phase = (np.arange(arcs)[:, None] * 2 * np.pi / arcs + turn).ravel()
    along = half_axes[:, :1] * np.cos(phase)
    across = half_axes[:, 1:] * np.sin(phase)
    tilt = np.radians(angle_deg)[:, None]
    x = centres[:, :1] + along * np.cos(tilt) - across * np.sin(tilt)
    y = centres[:, 1:] + along * np.sin(tilt) + across * np.cos(tilt)
    return np.stack([x, y], axis=-1).reshape(-1, per_arc, 2)


def cased_lines(
    picture: np.ndarray,
    curves: Sequence[np.ndarray] | np.ndarray,
    colour: tuple[int, int, int],
    *,
    width: int = 2,
    casing: int = 2,
    closed: bool = False,
) -> None:
    """Draw curves as a coloured line inside a dark casing.

    Parameters
    ----------
    picture : ndarray of shape (H, W, 3), uint8
        Changed in place.
    curves : sequence of ndarray of shape (k, 2)
        x, y in pixels; integer = pixel centre.
    colour : tuple of int
    width, casing : int
        Of the line, and what the casing adds to it, in pixels.
    closed : bool
    """
    height, width_px = picture.shape[:2]
    limit = 4.0 * max(height, width_px)  # keeps far-off points within OpenCV's fixed-point range
    whole = [curves] if isinstance(curves, np.ndarray) else curves
    fixed = [np.round(np.clip(part, -limit, limit) * (1 << _SHIFT)).astype(np.int32) for part in whole]
    if isinstance(curves, np.ndarray):
        fixed = list(fixed[0])
    if not fixed:
        return
    # Many lines take a casing without smooth edges, which is several times faster; the line on it hides that.
    smooth = cv2.LINE_AA if len(fixed) < _MANY else cv2.LINE_8
    cv2.polylines(picture, fixed, closed, INK, width + casing, smooth, _SHIFT)
    cv2.polylines(picture, fixed, closed, colour, width, cv2.LINE_AA, _SHIFT)


def mark(
    picture: np.ndarray, x: float, y: float, size: int, colour: tuple[int, int, int], filled: bool
) -> None:
    """Draw a small square mark, filled or hollow, with a dark edge."""
    left, top = round(x - size / 2), round(y - size / 2)
    corners = ((left, top), (left + size, top + size))
    cv2.rectangle(picture, (left - 2, top - 2), (left + size + 2, top + size + 2), INK, -1)
    cv2.rectangle(picture, *corners, colour, -1)
    if not filled:
        cv2.rectangle(picture, (left + 2, top + 2), (left + size - 2, top + size - 2), INK, -1)


def hatch_tile(style: int, period: int) -> tuple[np.ndarray, np.ndarray]:
    """One period of a hatching, as masks of its light and of its dark lines.

    Lines that slant, cross or lie level differ at a glance, in a patch of two periods too; such that only
    stand closer or slant the other way do not.

    Parameters
    ----------
    style : int
        0 rising lines, 1 squares, 2 level lines.
    period : int
        In pixels.

    Returns
    -------
    light, dark : ndarray of shape (2 * period, 2 * period), uint8
        255 on a line.
    """
    y, x = np.mgrid[0 : 2 * period, 0 : 2 * period]
    line = max(2, period // 8)
    phases = ([(x + y) % period], [x % period, y % period], [y % period])[style]
    light = np.any([phase < line for phase in phases], axis=0)
    dark = np.any([(phase >= line) & (phase < 2 * line - line // 2) for phase in phases], axis=0) & ~light
    return light.astype(np.uint8) * 255, dark.astype(np.uint8) * 255


def dot_tile(period: int) -> tuple[np.ndarray, np.ndarray]:
    """One period of staggered dots, as masks of their light and of their dark parts."""
    light = np.zeros((2 * period, 2 * period), np.uint8)
    dark = light.copy()
    size = max(2, period // 6)
    for top, left in ((0, 0), (period, period)):
        dark[top : top + size + 1, left : left + size + 1] = 255
        light[top : top + size, left : left + size] = 255
    return light, dark & ~light


def paint_tile(picture: np.ndarray, where: np.ndarray, tile: tuple[np.ndarray, np.ndarray]) -> None:
    """Repeat a tile over the part of a picture where a mask is set.

    Parameters
    ----------
    picture : ndarray of shape (H, W, 3), uint8
        Changed in place.
    where : ndarray of shape (H, W), uint8
        Not 0 where it is painted.
    tile : tuple of ndarray
        Light and dark masks, as from `hatch_tile`.
    """
    height, width = where.shape
    repeat = (-(-height // tile[0].shape[0]), -(-width // tile[0].shape[1]))
    for mask, colour in zip(tile, (PAPER, INK), strict=True):
        pattern = np.tile(mask, repeat)[:height, :width]
        picture[(pattern > 0) & (where > 0)] = colour

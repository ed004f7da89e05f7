"""Sub-pixel middles of lines: each piece of a line is laid against the mean profile of all pieces."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.calibration.lattice import Lattice

_SHIFTS = np.linspace(-0.3, 0.3, 61)


@dataclass(frozen=True)
class Middles:
    """Measured middles, one row a piece of line.

    Parameters
    ----------
    x_px, y_px : ndarray of shape (m,)
    contrast : ndarray of shape (m,)
        Depth of the line, grey values; positive for lines as the mean profile has them.
    good : ndarray of shape (m,), bool
        Looks like the mean profile, deep enough, inside the photo.
    profile : ndarray of shape (p,)
        Mean profile over one period, mean 0, largest excursion 1.
    likeness : ndarray of shape (m,)
        Correlation with the mean profile at the best place.
    """

    x_px: np.ndarray
    y_px: np.ndarray
    contrast: np.ndarray
    good: np.ndarray
    profile: np.ndarray
    likeness: np.ndarray


def measure_middles(
    gray: np.ndarray,
    lattice: Lattice,
    axis: int,
    number: np.ndarray,
    x_px: np.ndarray,
    y_px: np.ndarray,
    band_px: float,
    sign: float,
) -> Middles:
    """Measure the middles of lines near given points.

    Parameters
    ----------
    gray : ndarray of shape (H, W), float32
    lattice : Lattice
        Says where the lines should be, within about a quarter of a period.
    axis : int
        Set of lines.
    number, x_px, y_px : ndarray of shape (m,)
        Line number and a point near it.
    band_px : float
        Length of the piece of line that is averaged.
    sign : float
        -1 for dark lines.
    """
    x, y = x_px.copy(), y_px.copy()
    for _ in range(3):
        fx, fy = lattice.slope_at(x, y, axis)
        off = (number - lattice.number_at(x, y, axis)) / (fx * fx + fy * fy)
        x, y = x + off * fx, y + off * fy
    slope = np.hypot(fx, fy)
    period = 1 / slope
    nx, ny = fx / slope, fy / slope
    typical = float(np.median(period))
    samples = int(np.clip(typical / min(1.0, typical / 24), 24, 400))
    offset = np.linspace(-0.5, 0.5, samples + 1)
    pieces = int(np.clip(band_px / 1.5, 2, 9))
    total = np.zeros((len(x), samples + 1), np.float32)
    for piece in (np.arange(pieces) - (pieces - 1) / 2) / pieces * band_px:
        sx = (x - ny * piece)[:, None] + offset * (period * nx)[:, None]
        sy = (y + nx * piece)[:, None] + offset * (period * ny)[:, None]
        total += _sample(gray, sx, sy)
    total *= sign / pieces
    return _place(total, offset, gray.shape, x, y, nx * period, ny * period)


def _sample(gray: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    out = np.empty(x.shape, np.float32)
    for first in range(0, len(x), 30000):  # remap takes fewer than 32768 rows
        part = slice(first, first + 30000)
        out[part] = cv2.remap(
            gray,
            x[part].astype(np.float32),
            y[part].astype(np.float32),
            cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        )
    return out


def _place(
    values: np.ndarray,
    offset: np.ndarray,
    shape: tuple[int, ...],
    x: np.ndarray,
    y: np.ndarray,
    step_x: np.ndarray,
    step_y: np.ndarray,
) -> Middles:
    # a straight background is taken out of every piece
    table = np.stack([np.ones_like(offset), offset], axis=1)
    flat = values - values @ table @ np.linalg.inv(table.T @ table) @ table.T
    depth = flat.max(axis=1) - np.median(flat, axis=1)
    strong = depth > 0.5 * np.median(depth)
    scaled = flat / np.maximum(np.linalg.norm(flat, axis=1, keepdims=True), 1e-9)
    template = np.median(scaled[strong], axis=0)
    shift = np.zeros(len(x))
    likeness = np.zeros(len(x))
    project = np.eye(len(offset)) - table @ np.linalg.inv(table.T @ table) @ table.T
    for _ in range(2):
        bank = np.stack([np.interp(offset - one, offset, template) for one in _SHIFTS]) @ project
        bank /= np.linalg.norm(bank, axis=1, keepdims=True)
        match = scaled @ bank.T
        best = np.clip(match.argmax(axis=1), 1, len(_SHIFTS) - 2)
        row = np.arange(len(x))
        a, b, c = match[row, best - 1], match[row, best], match[row, best + 1]
        bend = a - 2 * b + c
        part = np.where(bend < 0, 0.5 * (a - c) / np.where(bend < 0, bend, -1), 0)
        shift = _SHIFTS[best] + np.clip(part, -1, 1) * (_SHIFTS[1] - _SHIFTS[0])
        likeness = b
        good = strong & (likeness > 0.7)
        if good.sum() < 4:
            break
        aligned = np.stack(
            [np.interp(offset + s, offset, line) for s, line in zip(shift[good], scaled[good], strict=True)]
        )
        template = aligned.mean(axis=0) if len(aligned) < 8 else np.median(aligned, axis=0)
    typical = float(np.median(depth[strong])) if strong.any() else 0.0
    inside = (x > 1) & (y > 1) & (x < shape[1] - 2) & (y < shape[0] - 2)
    good = inside & (likeness > 0.6) & (depth > 0.4 * typical) & (np.abs(shift) < 0.29)
    profile = template - np.median(template)
    return Middles(
        x + shift * step_x,
        y + shift * step_y,
        depth,
        good,
        profile / max(np.abs(profile).max(), 1e-9),
        likeness,
    )

"""Where in a photo is something periodic, in which direction, with what period? Coarse, many scales.

The photo is reduced in steps of two. On every step small overlapping tiles are Fourier transformed and their
strongest peaks kept, so that a small ruling in a large photo is found as surely as one that fills it.
From the third step on the same is done with a map of edges, in which thin lines far apart stay strong.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy.fft

from sporecount.stats.weighted import weighted_median

_TILE = 64
_STRIDE = 40
_CYCLES = (4.5, 26.0)
"""Cycles per tile in which peaks are trusted: periods of about 2.5 to 14 px on that step."""


@dataclass(frozen=True)
class Period:
    """A direction and period that several tiles agree on.

    Parameters
    ----------
    angle_deg : float
        Direction in which the pattern repeats, from +x towards +y (down), in [0, 180).
    period_px : float
        In full-size pixels.
    x_px, y_px : float
        Middle of the tiles, weighted by strength.
    strength : float
        Summed share of the tiles' power.
    """

    angle_deg: float
    period_px: float
    x_px: float
    y_px: float
    strength: float


def local_contrast(gray: np.ndarray, seen: np.ndarray | None, reach: int) -> np.ndarray:
    """Take away the light that changes slowly and level the contrast softly, so that no edge rules the photo.

    Parameters
    ----------
    gray : ndarray of shape (h, w), float32
    seen : ndarray of shape (h, w), bool, or None
    reach : int
        Width in px of the neighbourhood.

    Returns
    -------
    ndarray of shape (h, w), float32
        About -3 to 3, 0 outside `seen`.
    """
    size = (reach, reach)
    if seen is None:
        detail = gray - cv2.blur(gray, size)
    else:
        inside = seen.astype(np.float32)
        weight = cv2.blur(inside, size)
        detail = (gray - cv2.blur(gray * inside, size) / np.maximum(weight, 1e-3)) * inside
    level = cv2.blur(np.abs(detail), size)
    floor = 0.25 * float(np.percentile(level[::4, ::4], 98)) + 1e-6
    return np.clip(detail / (level + floor), -3, 3)


def find_peaks(gray: np.ndarray, seen: np.ndarray | None = None) -> np.ndarray:
    """Find the Fourier peaks of all tiles on all steps.

    Parameters
    ----------
    gray : ndarray of shape (H, W), float32
        Any range.
    seen : ndarray of shape (H, W), bool, optional
        Inside the round view.

    Returns
    -------
    ndarray of shape (n, 6)
        fx, fy (cycles per px), x, y (px), the peak's share of the tile's power, area of the tile on the step.
    """
    peaks: list[np.ndarray] = []
    step = 1
    current = gray
    current_seen = seen
    edges: np.ndarray | None = None
    while min(current.shape) >= 24:
        detail = local_contrast(current, current_seen, 31)
        peaks.append(_tile_peaks(detail, step))
        if step == 2 or (edges is None and step > 2):
            edges = _edge_map(current, current_seen)
        if edges is not None and step > 2:
            peaks.append(_tile_peaks(local_contrast(edges, None, 31), step))
        half = (current.shape[1] // 2, current.shape[0] // 2)
        current = cv2.resize(current, half, interpolation=cv2.INTER_AREA)
        if current_seen is not None:
            current_seen = (
                cv2.resize(current_seen.astype(np.uint8), half, interpolation=cv2.INTER_NEAREST) > 0
            )
        if edges is not None:
            edges = cv2.resize(edges, half, interpolation=cv2.INTER_AREA)
        step *= 2
    return np.concatenate(peaks) if peaks else np.zeros((0, 6))


def _edge_map(gray: np.ndarray, seen: np.ndarray | None) -> np.ndarray:
    detail = cv2.GaussianBlur(gray, (0, 0), 0.8) - cv2.blur(gray, (15, 15))
    if seen is not None:
        detail = np.where(cv2.erode(seen.astype(np.uint8), np.ones((17, 17), np.uint8)) > 0, detail, 0)
    strength = np.abs(detail).astype(np.float32)
    noise = float(np.median(strength[::2, ::2])) + 1e-6
    top = max(float(np.percentile(strength[::2, ::2], 99)), 6 * noise)
    return np.clip((strength - 3 * noise) / (0.5 * top), 0, 1).astype(np.float32)


def _tile_peaks(detail: np.ndarray, step: int) -> np.ndarray:
    """Peaks as rows fx, fy (cycles per full-size px), x, y (full-size px), share, area."""
    padded = cv2.copyMakeBorder(
        detail, 0, max(0, _TILE - detail.shape[0]), 0, max(0, _TILE - detail.shape[1]), cv2.BORDER_CONSTANT
    )
    tiles = np.lib.stride_tricks.sliding_window_view(padded, (_TILE, _TILE))[::_STRIDE, ::_STRIDE]
    tops, lefts = np.meshgrid(
        np.arange(tiles.shape[0]) * _STRIDE, np.arange(tiles.shape[1]) * _STRIDE, indexing="ij"
    )
    window = np.hanning(_TILE + 2)[1:-1].astype(np.float32)
    window = window[:, None] * window[None]
    fy = np.fft.fftfreq(_TILE)[:, None] * _TILE
    fx = np.arange(_TILE // 2 + 1)[None]
    radius = np.hypot(fx, fy)
    allowed = (radius >= _CYCLES[0]) & (radius <= _CYCLES[1])
    found = []
    for row in range(tiles.shape[0]):
        power = np.abs(scipy.fft.rfft2(tiles[row] * window)).astype(np.float32) ** 2
        power[:, :, 1:-1] *= 2
        total = power[:, radius >= 2].sum(axis=1) + 1e-3
        flat = np.where(allowed, power, 0).reshape(len(power), -1)
        for _ in range(2):
            best = flat.argmax(axis=1)
            ky, kx = np.unravel_index(best, allowed.shape)
            for tile in np.flatnonzero(flat[np.arange(len(flat)), best] > 0.03 * total):
                y, x = int(ky[tile]), int(kx[tile])
                sy, sx = _parabola(power[tile], y, x)
                share = _share(power[tile], y, x) / total[tile]
                if share > 0.1:
                    wave_y = (y + sy + _TILE // 2) % _TILE - _TILE // 2
                    found.append(
                        (
                            (x + sx) / _TILE / step,
                            wave_y / _TILE / step,
                            (lefts[row, tile] + _TILE / 2) * step,
                            (tops[row, tile] + _TILE / 2) * step,
                            share,
                            step**2,
                        )
                    )
            # the second look is for another direction: the neighbourhood of the line through 0 is taken out
            wave = fy.ravel()[ky * 1], kx
            long = np.hypot(wave[0], wave[1])[:, None] + 1e-6
            off_axis = (
                np.abs(
                    fx.repeat(_TILE, 0).ravel()[None] * wave[0][:, None]
                    - fy.repeat(fx.shape[1], 1).ravel()[None] * wave[1][:, None]
                )
                / long
            )
            flat = np.where(off_axis > 0.35 * radius.ravel()[None], flat, 0)
    return np.array(found).reshape(-1, 6)


def _share(power: np.ndarray, y: int, x: int) -> float:
    rows = np.arange(y - 1, y + 2) % _TILE
    return float(power[rows][:, max(0, x - 1) : x + 2].sum())


def _parabola(power: np.ndarray, y: int, x: int) -> tuple[float, float]:
    def peak(a: float, b: float, c: float) -> float:
        a, b, c = np.log(a + 1e-9), np.log(b + 1e-9), np.log(c + 1e-9)
        bend = a - 2 * b + c
        return float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5)) if bend < -1e-9 else 0.0

    sy = peak(power[(y - 1) % _TILE, x], power[y, x], power[(y + 1) % _TILE, x])
    last = power.shape[1] - 1
    sx = peak(power[y, x - 1], power[y, x], power[y, x + 1]) if 0 < x < last else 0.0
    return sy, sx


def gather(rows: np.ndarray, most: int = 12, *, by_area: bool = True) -> list[Period]:
    """Join peaks of like direction (within 5 degrees) and period (within 8 %): periodic patterns, strongest first.

    Parameters
    ----------
    rows : ndarray of shape (n, 6)
        From `find_peaks`.
    most : int
        Length of the list at most.
    by_area : bool
        A tile weighs as the part of the photo that it covers; otherwise all tiles weigh the same, so that a small
        fine pattern comes before a chance likeness in the large.
    """
    out: list[Period] = []
    if not len(rows):
        return out
    angle = np.rad2deg(np.arctan2(rows[:, 1], rows[:, 0])) % 180
    period = 1 / np.hypot(rows[:, 0], rows[:, 1])
    left = rows[:, 4] * (rows[:, 5] if by_area else 1.0)
    # seeds come from where many tiles agree: a fine ruling is many weak tiles, a chance likeness a strong one
    cells = np.column_stack((angle // 5, np.log(period) // 0.08)).astype(int)
    _, cell = np.unique(cells, axis=0, return_inverse=True)
    cell = cell.ravel()
    for _ in range(most):
        votes = np.bincount(cell, weights=left)
        if votes.max() <= 0:
            break
        seed = int(np.where(cell == votes.argmax(), left, -1).argmax())
        for _ in range(2):
            turn = (angle - angle[seed] + 90) % 180 - 90
            like = (np.abs(turn) < 5) & (np.abs(np.log(period / period[seed])) < 0.08) & (left > 0)
            vote = np.where(like, left, 0)
            seed = _middle(period, turn, vote, like)
        weight = left[like]
        out.append(
            Period(
                angle_deg=float(
                    (angle[seed] + np.average(((angle[like] - angle[seed] + 90) % 180) - 90, weights=weight))
                    % 180
                ),
                period_px=float(np.exp(np.average(np.log(period[like]), weights=weight))),
                x_px=weighted_median(rows[like, 2], weight),
                y_px=weighted_median(rows[like, 3], weight),
                strength=float(weight.sum()),
            )
        )
        left[like] = 0
    return sorted(out, key=lambda one: -one.strength)


def _middle(period: np.ndarray, turn: np.ndarray, vote: np.ndarray, like: np.ndarray) -> int:
    mean_turn = np.average(turn, weights=vote)
    mean_log = np.average(np.log(period), weights=vote)
    far = np.abs(turn - mean_turn) / 5 + np.abs(np.log(period) - mean_log) / 0.08
    return int(np.where(like, far, np.inf).argmin())

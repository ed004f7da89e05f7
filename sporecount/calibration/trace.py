"""From a direction and period to numbered lines: turn the photo upright, find the strip, follow every line.

Works on a patch in which the pattern repeats along the columns with a whole number of patch pixels a
period; all thresholds are therefore in periods, whatever the objective.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.calibration.find import Period

_REACH = 26.0
"""Half height of the patch in periods: the longest ticks in use are about 10 to 20 divisions long."""


@dataclass(frozen=True)
class Patch:
    """A turned and rescaled piece of the photo.

    Parameters
    ----------
    gray : ndarray of shape (h, w), float32
    valid : ndarray of shape (h, w), bool
        Inside the photo and the round view.
    period : int
        Patch pixels a period.
    scale : float
        Patch pixels per photo pixel.
    x_px, y_px : float
        Photo position of the patch's middle.
    angle_deg : float
    """

    gray: np.ndarray
    valid: np.ndarray
    period: int
    scale: float
    x_px: float
    y_px: float
    angle_deg: float

    def to_photo(self, col: np.ndarray, row: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Give the photo position of patch positions."""
        turn = np.deg2rad(self.angle_deg)
        along = (col - (self.gray.shape[1] - 1) / 2) / self.scale
        across = (row - (self.gray.shape[0] - 1) / 2) / self.scale
        return (
            self.x_px + along * np.cos(turn) - across * np.sin(turn),
            self.y_px + along * np.sin(turn) + across * np.cos(turn),
        )


@dataclass(frozen=True)
class Track:
    """Numbered lines of one direction.

    Parameters
    ----------
    patch : Patch
    number : ndarray of shape (n,), int
        Consecutive.
    rows : ndarray of shape (m,), float
        Middles of the bands across the ruling, in patch pixels.
    cols : ndarray of shape (n, m), float
        Where line n crosses band m, in patch pixels.
    height : ndarray of shape (n, m), float32
        Height of the line over its surroundings, in units of the typical one in the strip; 0 where there is
        none, nan outside the view.
    strip : tuple of float
        First and last row of the strip in which every line is present.
    sign : float
        -1 for dark lines, 1 for bright ones.
    amplitude : float
        Typical height of a line in grey values.
    likeness : float
        Mean correlation of the strip with itself one period on, 0 to 1.
    """

    patch: Patch
    number: np.ndarray
    rows: np.ndarray
    cols: np.ndarray
    height: np.ndarray
    strip: tuple[float, float]
    sign: float
    amplitude: float
    likeness: float

    @property
    def period_px(self) -> float:
        """Period in photo pixels."""
        return self.patch.period / self.patch.scale


def cut_patch(gray: np.ndarray, seen: np.ndarray | None, period: Period) -> Patch:
    """Turn and rescale the photo about the middle of a pattern."""
    whole = int(np.clip(np.ceil(period.period_px), 8, 20))
    scale = whole / period.period_px
    shrink = max(1, int(1 / scale))
    small = gray
    if shrink > 1:
        fit = (gray.shape[1] // shrink * shrink, gray.shape[0] // shrink * shrink)
        small = cv2.resize(
            gray[: fit[1], : fit[0]], (fit[0] // shrink, fit[1] // shrink), interpolation=cv2.INTER_AREA
        )
    turn = np.deg2rad(period.angle_deg)
    corners = np.array(
        [[0, 0], [gray.shape[1], 0], [0, gray.shape[0]], [gray.shape[1], gray.shape[0]]], float
    )
    corners -= (period.x_px, period.y_px)
    along = np.abs(corners @ (np.cos(turn), np.sin(turn))).max()
    across = min(np.abs(corners @ (-np.sin(turn), np.cos(turn))).max(), _REACH * period.period_px)
    width, height = int(2 * along * scale) + 1, int(2 * across * scale) + 1
    cos, sin = np.cos(turn) / scale, np.sin(turn) / scale
    mid_col, mid_row = (width - 1) / 2, (height - 1) / 2
    to_photo = np.array(
        [
            [cos, -sin, period.x_px - cos * mid_col + sin * mid_row],
            [sin, cos, period.y_px - sin * mid_col - cos * mid_row],
        ]
    )
    to_small = to_photo / shrink
    to_small[:, 2] += 0.5 / shrink - 0.5
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    turned = cv2.warpAffine(small, to_small, (width, height), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    inside = np.ones(gray.shape, np.uint8) if seen is None else seen.astype(np.uint8)
    valid = (
        cv2.warpAffine(inside, to_photo, (width, height), flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP) > 0
    )
    return Patch(turned, valid, whole, scale, period.x_px, period.y_px, period.angle_deg)


def line_signal(patch: Patch) -> np.ndarray:
    """Band-pass the patch to details of a line's width up to a period; 0 outside the view."""
    weight = patch.valid.astype(np.float32)
    k = patch.period

    def smooth(sigma: float) -> np.ndarray:
        part = cv2.GaussianBlur(patch.gray * weight, (0, 0), sigmaX=sigma, sigmaY=0.22 * k)
        return part / np.maximum(cv2.GaussianBlur(weight, (0, 0), sigmaX=sigma, sigmaY=0.22 * k), 0.05)

    deep = cv2.erode(patch.valid.astype(np.uint8), np.ones((1, max(3, k // 3)), np.uint8)) > 0
    return np.where(deep, smooth(0.09 * k) - smooth(0.6 * k), 0).astype(np.float32)


def follow_lines(gray: np.ndarray, seen: np.ndarray | None, period: Period) -> Track | None:
    """Find the strip of a pattern and number its lines; None where no strip of regular lines is found."""
    patch = cut_patch(gray, seen, period)
    signal = line_signal(patch)
    k = patch.period
    if signal.shape[1] < 5 * k or signal.shape[0] < 1.2 * k:
        return None
    found = _find_strip(signal, patch.valid, k)
    if found is None:
        return None
    top, bottom, left, right, likeness = found
    middle, half = (top + bottom) / 2, min((bottom - top) / 2, 3.0 * k)
    first, last = int(max(0, middle - half)), int(middle + half) + 1
    profile = _row_mean(signal, patch.valid, first, last)
    sign = _polarity(patch, top, bottom, left, right)
    cols = _phase_positions(profile * sign, k, left, right)
    if len(cols) < 3:
        return None
    step = max(2.0, 0.4 * k)
    rows, grid, height = _all_bands(signal * sign, patch.valid, cols, (first + last) / 2, step, k)
    in_strip = (rows >= top) & (rows <= bottom)
    inner = height[:, in_strip]
    peaks = inner[np.nan_to_num(inner) > 0]
    if not len(peaks):
        return None
    typical = float(np.median(peaks))
    return Track(
        patch,
        np.arange(len(cols)),
        rows,
        grid,
        (height / typical).astype(np.float32),
        (top, bottom),
        sign,
        typical,
        likeness,
    )


def _find_strip(signal: np.ndarray, valid: np.ndarray, k: int) -> tuple[float, float, int, int, float] | None:
    """Rows and columns in which the signal repeats after one period, on a grid of a quarter period."""
    energy = signal * signal
    both = energy.copy()
    both[:, :-k] = 0.5 * (energy[:, :-k] + energy[:, k:])
    product = np.zeros_like(signal)
    product[:, :-k] = signal[:, :-k] * signal[:, k:]
    step = max(1, k // 4)
    per = k / step  # grid steps a period
    power, shared = (_smear(_reduce(part, step), per) for part in (both, product))
    like = shared / (power + 1e-12)
    regular = (like > 0.5) & (_reduce(valid.astype(np.float32), step) > 0.5)
    if not regular.any():
        return None
    mask = regular & (power > 0.12 * float(np.percentile(power[regular], 90)))
    joined = cv2.morphologyEx(
        mask.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((max(1, int(per / 3)), int(3 * per)), np.uint8)
    )
    count, label, stats, _ = cv2.connectedComponentsWithStats(joined)
    if count < 2:
        return None
    strength = np.bincount(label.ravel(), weights=(power * mask).ravel(), minlength=count)
    best = int(strength[1:].argmax()) + 1
    left, width = int(stats[best, cv2.CC_STAT_LEFT]), int(stats[best, cv2.CC_STAT_WIDTH])
    piece = (label == best) & mask
    rows = piece.sum(axis=1)
    full = np.flatnonzero(rows >= 0.45 * rows.max())
    if width < 3 * per or len(full) < 0.4 * per:
        return None
    top, bottom = float(full[0] * step), float(full[-1] * step + step - 1)
    return (
        top,
        bottom,
        left * step,
        min((left + width) * step + k, signal.shape[1]),
        float(like[piece].mean()),
    )


def _reduce(part: np.ndarray, step: int) -> np.ndarray:
    height, width = part.shape[0] // step, part.shape[1] // step
    return cv2.resize(part[: height * step, : width * step], (width, height), interpolation=cv2.INTER_AREA)


def _smear(part: np.ndarray, per: float) -> np.ndarray:
    return cv2.GaussianBlur(part, (0, 0), sigmaX=2.0 * per, sigmaY=0.25 * per)


def _row_mean(signal: np.ndarray, valid: np.ndarray, first: int, last: int) -> np.ndarray:
    weight = valid[first:last].sum(axis=0)
    return (signal[first:last].sum(axis=0) / np.maximum(weight, 1)).astype(np.float64)


def _polarity(patch: Patch, top: float, bottom: float, left: int, right: int) -> float:
    """Thin lines on wide ground: the side with the longer tail is the lines'.

    Along a line the median is the line's own grey even where lines of a second set cross it.
    """
    k = patch.period
    middle, half = (top + bottom) / 2, min((bottom - top) / 2, 1.5 * k)
    rows = slice(int(middle - half), int(middle + half) + 1)
    inside = patch.valid[rows, left:right]
    part = np.where(inside, patch.gray[rows, left:right], np.nan)[:, inside.any(axis=0)]
    level = np.nanmedian(part, axis=0).astype(np.float32)[None]
    values = level - cv2.blur(level, (2 * k + 1, 1))
    values = values - values.mean()
    return 1.0 if float((values**3).mean()) > 0 else -1.0


def _phase_positions(profile: np.ndarray, k: int, left: int, right: int) -> np.ndarray:
    """Columns of the lines from the unwrapped phase of the period, a peak of the profile at each."""
    col = np.arange(len(profile))
    carrier = profile * np.exp(-2j * np.pi * col / k)
    size = (0, 0)
    smooth = (
        cv2.GaussianBlur(carrier.real[None], size, 1.5 * k, borderType=cv2.BORDER_CONSTANT)
        + 1j * cv2.GaussianBlur(carrier.imag[None], size, 1.5 * k, borderType=cv2.BORDER_CONSTANT)
    )[0]
    left, right = max(left, 0), min(right, len(profile))
    part = slice(left, right)
    phase = np.unwrap(np.angle(smooth[part])) / (2 * np.pi) + col[part] / k
    phase = np.maximum.accumulate(phase)
    lines = np.arange(np.ceil(phase[0] - 0.25), np.floor(phase[-1] + 0.25) + 1)
    return np.interp(lines, phase, col[part].astype(float))


def _all_bands(
    signal: np.ndarray, valid: np.ndarray, cols: np.ndarray, start: float, step: float, k: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Follow each line up and down from the start row, band by band."""
    height_rows = signal.shape[0]
    ups = np.arange(start, -1, -step)
    downs = np.arange(start + step, height_rows, step)
    results: dict[float, tuple[np.ndarray, np.ndarray]] = {}
    for order in (ups, downs):
        guess, slope = cols.copy(), np.zeros(2)
        for row in order:
            first, last = int(max(0, row - step / 2)), int(min(height_rows, row + step / 2)) + 1
            profile = _row_mean(signal, valid, first, last)
            open_cols = valid[first:last].mean(axis=0) > 0.9
            place, peak = _peaks(profile, open_cols, guess, k)
            results[float(row)] = place, peak
            good = np.isfinite(place)
            if good.sum() >= 4:
                typical = np.median(peak[good])
                good &= peak > 0.5 * typical
                shift = place - cols
                if good.sum() >= 4:
                    line = _line(cols[good], shift[good])
                    slope = 0.5 * slope + 0.5 * line if row != start else line
            guess = cols + slope[0] + slope[1] * cols
    rows = np.array(sorted(results))
    place = np.stack([results[row][0] for row in rows], axis=1)
    peak = np.stack([results[row][1] for row in rows], axis=1)
    return rows, place, peak


def _line(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Offset and slope, little disturbed by a few strays."""
    keep = np.abs(y - np.median(y)) <= 3 * np.median(np.abs(y - np.median(y))) + 0.5
    if keep.sum() < 4 or np.ptp(x[keep]) == 0:
        return np.array([np.median(y), 0.0])
    slope, offset = np.polyfit(x[keep], y[keep], 1)
    return np.array([offset, slope])


def _peaks(
    profile: np.ndarray, is_open: np.ndarray, guess: np.ndarray, k: int
) -> tuple[np.ndarray, np.ndarray]:
    """Highest point near each guess, sub-pixel: place (nan without a peak), height (nan outside the view)."""
    reach = max(2, int(0.34 * k))
    base = np.rint(guess).astype(int)
    inside = (base > reach) & (base < len(profile) - reach - 1)
    safe = np.clip(base, reach + 1, len(profile) - reach - 2)
    window = safe[:, None] + np.arange(-reach, reach + 1)
    values = profile[window]
    best = values.argmax(axis=1)
    place = window[np.arange(len(base)), best]
    a, b, c = profile[place - 1], profile[place], profile[place + 1]
    bend = a - 2 * b + c
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = np.where(bend < 0, 0.5 * (a - c) / bend, 0)
    is_seen = inside & is_open[safe]
    ok = is_seen & (best > 0) & (best < 2 * reach) & (b > 0)
    peak = np.where(ok, b, np.where(is_seen, 0.0, np.nan))
    return np.where(ok, place + np.clip(shift, -0.5, 0.5), np.nan), peak

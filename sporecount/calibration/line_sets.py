"""Sets of lines that may be a ruling: each measured on its own, judged, and the right ones chosen."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.calibration.centres import Middles, measure_middles
from sporecount.calibration.find import Period, find_periods
from sporecount.calibration.lattice import Lattice, Lines, View, fit_lattice
from sporecount.calibration.pattern import SEEN, Marks, read_marks
from sporecount.calibration.refusals import refuse
from sporecount.calibration.trace import Track, follow_lines

MIN_DIVISIONS = 5
MIN_PERIOD_PX = 2.7
"""Below it a pixel grid cannot carry the ticks safely: the sampling limit is 2 px a division."""

_LOOKS = 8
"""Periodic patterns looked at more closely, strongest first."""


@dataclass(frozen=True)
class LineSet:
    """One set of lines, measured on its own.

    `unevenness` is the lines' wandering over their distance, `used` the share of measured pieces that fit,
    `fault` a refusal's code and detail, or None.
    """

    track: Track
    lattice: Lattice
    lines: Lines
    middles: Middles
    marks: Marks
    period_px: float
    unevenness: float
    used: float
    fault: tuple[str, str] | None


def line_sets(gray: np.ndarray, seen: np.ndarray | None, view: View) -> list[LineSet]:
    """Measure the periodic patterns of a photo that consist of lines, strongest first."""
    out: list[LineSet] = []
    periods = find_periods(gray, seen)
    for period in periods[:_LOOKS]:
        if period.strength < 0.02 * periods[0].strength or any(_same(period, one) for one in out):
            continue
        one = _measure(gray, seen, view, period)
        if one is not None:
            out.append(one)
    return out


def _same(period: Period, known: LineSet) -> bool:
    turn = abs((period.angle_deg - known.lattice.angle_deg() + 90) % 180 - 90)
    return turn < 4 and abs(np.log(period.period_px / known.period_px)) < 0.13


def _measure(gray: np.ndarray, seen: np.ndarray | None, view: View, period: Period) -> LineSet | None:
    """Follow, fit, then follow once more with the better direction and period."""
    result = None
    for turn in range(2):
        track = follow_lines(gray, seen, period)
        if track is None:
            return result
        number, x, y = points_of(track)
        if len(np.unique(number)) < 4:
            return result
        lattice = fit_lattice(Lines(x, y, number, np.zeros(len(x), int)), view)
        band = (track.rows[1] - track.rows[0]) / track.patch.scale * 0.9
        middles = measure_middles(gray, lattice, 0, number, x, y, band, track.sign)
        good = middles.good
        if good.sum() < 8 or len(np.unique(number[good])) < 4:
            return result
        lines = Lines(middles.x_px[good], middles.y_px[good], number[good], np.zeros(int(good.sum()), int))
        lattice = fit_lattice(lines, view, lattice)
        marks = read_marks(track, middles.profile)
        fx, fy = lattice.slope_at(np.array([period.x_px]), np.array([period.y_px]))
        local = float(1 / np.hypot(fx, fy)[0])
        spread = _wander(lattice, lines)
        used = float(good.mean() * (lattice.weight > 0).mean())
        result = LineSet(
            track,
            lattice,
            lines,
            middles,
            marks,
            local,
            spread / local,
            used,
            _fault(track, lattice, marks, local, spread / local, used),
        )
        angle = float(np.rad2deg(np.arctan2(fy, fx))[0] % 180)
        if (
            turn == 0
            and abs((angle - period.angle_deg + 90) % 180 - 90) < 0.15
            and abs(local / period.period_px - 1) < 0.01
        ):
            break
        period = Period(angle, local, period.x_px, period.y_px, period.strength)
    return result


def _wander(lattice: Lattice, lines: Lines) -> float:
    """How far the lines stray from an even lattice, px, noise left out.

    The part of the residuals that neighbouring pieces of a line share: noise is not shared, the wandering
    of a ridge or a thread is.
    """
    fx, fy = lattice.slope_at(lines.x_px, lines.y_px)
    order = np.lexsort((fx * lines.y_px - fy * lines.x_px, lines.number))
    number, residual, used = lines.number[order], lattice.residual_px[order], lattice.weight[order] > 0
    pair = (number[1:] == number[:-1]) & used[1:] & used[:-1]
    if not pair.any():
        return float("inf")
    return float(np.sqrt(max(0.0, np.mean((residual[1:] * residual[:-1])[pair]))))


def points_of(track: Track) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Line number and photo position of the pieces of line that were seen, 48 bands at most."""
    line, band = np.nonzero(np.nan_to_num(track.height, nan=0.0) > SEEN)
    if len(np.unique(band)) > 48:
        keep = np.isin(band, np.unique(band)[:: int(np.ceil(len(np.unique(band)) / 48))])
        line, band = line[keep], band[keep]
    x, y = track.patch.to_photo(track.cols[line, band], track.rows[band])
    return track.number[line], x, y


def _fault(
    track: Track, lattice: Lattice, marks: Marks, period_px: float, unevenness: float, used: float
) -> tuple[str, str] | None:
    """Say what speaks against these lines being a ruling, apart from missing ends."""
    if track.amplitude < 0.02 and unevenness > 0.02:
        return "too-blurred", f"the ticks stand out by {100 * track.amplitude:.1f} % of white only"
    even = unevenness <= 0.012 + 0.06 / period_px
    if not even or track.likeness < 0.5 or used < 0.45 or np.abs(lattice.params[:2]).max() > 0.2:
        return "not-a-ruling", f"the lines are uneven by {100 * unevenness:.0f} % of their distance"
    if marks.line_share > 0.6:
        return "not-a-ruling", f"the lines take up {100 * marks.line_share:.0f} % of their distance"
    if marks.wholeness < 0.8:
        return "not-a-ruling", f"the lines are whole over {100 * marks.wholeness:.0f} % of their length"
    if period_px < MIN_PERIOD_PX:
        return "aliased", f"the lines are {period_px:.1f} px apart"
    if marks.every in (3, 4, 6, 7, 8, 9):
        return "aliased", f"longer ticks stand at each {marks.every}th line instead of each 5th or 10th"
    if marks.every == 2:
        return "too-blurred", "each second tick is longer, so finer ones between them are not resolved"
    if marks.divisions < MIN_DIVISIONS:
        return "too-few-divisions", f"{marks.divisions} divisions of {period_px:.0f} px"
    return None


def _has_ends(one: LineSet) -> bool:
    marks = one.marks
    scatter = 0.6 if marks.every == 0 else 0.3  # longer lines without a rule speak against engraving
    return marks.every in (5, 10) or (not all(marks.cut) and marks.end_scatter < scatter)


def choose_sets(
    sets: list[LineSet], gray: np.ndarray, seen: np.ndarray | None
) -> tuple[LineSet, LineSet | None]:
    """Take the finest set of lines that may be a ruling, and a second one square to it."""
    sound = [one for one in sets if one.fault is None]
    strongest = max((one.track.amplitude for one in sound), default=0.0)
    sound = sorted(
        (one for one in sound if one.track.amplitude > 0.15 * strongest), key=lambda one: one.period_px
    )
    # of sets as fine as each other, the one with more lines leads
    if sound:
        finest = [one for one in sound if one.period_px < 1.15 * sound[0].period_px]
        first = max(finest, key=lambda one: one.marks.divisions)
        few = [one for one in sets if one.fault is not None and one.fault[0] == "too-few-divisions"]
        square = [one for one in (*finest, *few) if _square(first, one)]
        second = next((one for one in square if _lines_cross(first, one)), None)
        if second is not None or _has_ends(first):
            return first, second
        raise refuse("not-a-ruling", f"even lines {first.period_px:.1f} px apart without ends in view")
    order = ("too-few-divisions", "too-blurred", "aliased", "not-a-ruling")
    faults = sorted((one.fault for one in sets if one.fault), key=lambda fault: order.index(fault[0]))
    if faults:
        raise refuse(*faults[0])
    raise refuse("too-blurred") if _soft(gray, seen) else refuse("no-ruling")


def _square(first: LineSet, other: LineSet) -> bool:
    turn = abs((first.lattice.angle_deg() - other.lattice.angle_deg()) % 180 - 90)
    return turn < 8 and abs(np.log(first.period_px / other.period_px)) < 0.12


def _lines_cross(first: LineSet, other: LineSet) -> bool:
    """Whether both sets are lines that run on between their crossings, and thin: no dots, no squares."""
    for one, across in ((first, other), (other, first)):
        if one.marks.line_share > 0.4:
            return False
        if _has_ends(one):
            continue
        place = across.lattice.number_at(one.middles.x_px, one.middles.y_px)
        away = np.abs(place - np.rint(place))  # 0 at a crossing, half way to the next one 0.5
        far, near = away >= 0.38, (away >= 0.18) & (away < 0.38)
        depth = np.where(one.middles.likeness > 0.6, one.middles.contrast, 0)
        if far.sum() < 0.3 * near.sum() or far.sum() < 3 or near.sum() < 3:
            return False
        # a line is as deep half way between crossings as near one, or deeper where a thick crossing covers
        # part of the pieces near it; dots and squares are not, or are wide
        ratio = float(np.median(depth[far]) / max(float(np.median(depth[near])), 1e-9))
        if ratio < 0.8 or (ratio > 1.35 and one.marks.line_share > 0.33):
            return False
    return True


def _soft(gray: np.ndarray, seen: np.ndarray | None) -> bool:
    """Whether there is no detail finer than some 8 pixels anywhere, so that blur is the likelier cause."""
    little, middle, wide = (cv2.GaussianBlur(gray, (0, 0), sigma) for sigma in (1.0, 3.0, 12.0))
    fine, coarse = np.abs(little - middle), np.abs(middle - wide)
    if seen is not None:
        inner = cv2.erode(seen.astype(np.uint8), np.ones((31, 31), np.uint8)) > 0
        fine, coarse = fine[inner], coarse[inner]
    if not fine.size:
        return False
    top = float(np.percentile(coarse, 99.8))
    return top > 0.03 and top > 2.5 * float(np.percentile(fine, 99.8))

"""Of the sets of lines in a photo, the one that is the ruling, with a second one square to it; or why none is."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.calibration.find import find_peaks, gather
from sporecount.calibration.lattice import View
from sporecount.calibration.line_sets import LineSet, line_sets
from sporecount.calibration.refusals import refuse
from sporecount.errors import CalibrationError


def _has_ends(one: LineSet) -> bool:
    marks = one.marks
    scatter = 0.6 if marks.every == 0 else 0.3  # longer lines without a rule speak against engraving
    return marks.every in (5, 10) or (not all(marks.cut) and marks.end_scatter < scatter)


def best_sets(gray: np.ndarray, seen: np.ndarray | None, view: View) -> tuple[LineSet, LineSet | None]:
    """Take the finest set of lines of a photo that may be a ruling, and a second one square to it.

    Raises
    ------
    CalibrationError
        There is none: the likeliest cause.
    """
    peaks = find_peaks(gray, seen)
    sets = line_sets(gray, seen, view, gather(peaks))
    found = _choose(sets)
    if found is None:
        # a small fine ruling covers little of the photo: look again where many small tiles agree
        found = _choose(line_sets(gray, seen, view, gather(peaks, by_area=False)))
    if found is None:
        raise _refusal(sets, gray, seen)
    return found


def _choose(sets: list[LineSet]) -> tuple[LineSet, LineSet | None] | None:
    sound = [one for one in sets if one.fault is None]
    strongest = max((one.track.amplitude for one in sound), default=0.0)
    sound = sorted(
        (one for one in sound if one.track.amplitude > 0.15 * strongest), key=lambda one: one.period_px
    )
    if not sound:
        return None
    # of sets as fine as each other, the one with more lines leads
    finest = [one for one in sound if one.period_px < 1.15 * sound[0].period_px]
    first = max(finest, key=lambda one: one.marks.divisions)
    if any(_hides_finer(first, one) for one in sets):
        return None
    few = [one for one in sets if one.fault is not None and one.fault[0] == "too-few-divisions"]
    square = [one for one in (*finest, *few) if _square(first, one)]
    second = next((one for one in square if _lines_cross(first, one)), None)
    return (first, second) if second is not None or _has_ends(first) else None


def _refusal(sets: list[LineSet], gray: np.ndarray, seen: np.ndarray | None) -> CalibrationError:
    sound = [one for one in sets if one.fault is None]
    if sound:
        finest = min(one.period_px for one in sound)
        return refuse("not-a-ruling", f"even lines {finest:.1f} px apart without ends in view")
    order = ("too-few-divisions", "too-blurred", "aliased", "not-a-ruling")
    faults = sorted((one.fault for one in sets if one.fault), key=lambda fault: order.index(fault[0]))
    if faults:
        return refuse(*faults[0])
    return refuse("too-blurred") if _soft(gray, seen) else refuse("no-ruling")


def _hides_finer(first: LineSet, other: LineSet) -> bool:
    """Whether these are only the longer ticks of a finer set that was found wanting: a number 5 times off."""
    turn = abs((first.lattice.angle_deg() - other.lattice.angle_deg() + 90) % 180 - 90)
    times = first.period_px / other.period_px
    return (
        other.fault is not None
        and turn < 3
        and min(abs(times / one - 1) for one in (5, 10)) < 0.03
        and other.track.amplitude > 0.5 * first.track.amplitude
    )


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

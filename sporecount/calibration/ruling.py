"""Read a ruling: from a photo to um per px with uncertainty, or a refusal that says why."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.calibration.centres import Middles, measure_middles
from sporecount.calibration.find import Period, find_periods
from sporecount.calibration.lattice import Lattice, Lines, View, fit_lattice
from sporecount.calibration.pattern import SEEN, Marks, read_marks
from sporecount.calibration.plausible import settle_division
from sporecount.calibration.records import RulingReading
from sporecount.calibration.refusals import refuse
from sporecount.calibration.trace import Track, follow_lines

RULING_ACCURACY = 0.0003
"""Relative standard uncertainty of an engraved scale's own length, added to what the lines say: 0.5 um in
1 mm at most (common practice for ordinary stage micrometers)."""

MIN_DIVISIONS = 5
MIN_PERIOD_PX = 2.7
"""Below it a pixel grid cannot carry the ticks safely: the sampling limit is 2 px a division."""

_LOOKS = 8
"""Periodic patterns looked at more closely, strongest first."""


@dataclass(frozen=True)
class _Candidate:
    """One set of lines, measured on its own."""

    track: Track
    lattice: Lattice
    lines: Lines
    middles: Middles
    marks: Marks
    period_px: float
    unevenness: float
    used: float
    fault: tuple[str, str] | None


def read_ruling(
    photo: np.ndarray,
    *,
    division_um: float | None = None,
    objective: float | None = None,
    round_view: tuple[float, float, float] | None = None,
    field_number_mm: float = 18.0,
) -> RulingReading:
    """Read the scale of a photo from a ruling in it.

    Parameters
    ----------
    photo : ndarray of shape (H, W, 3) or (H, W)
        RGB or grey, any integer or float type.
    division_um : float, optional
        Size of the ruling's finest division; told from the view when None.
    objective : float, optional
        Magnification such as 10, to check the division against the view.
    round_view : tuple of float, optional
        Centre x, y and radius in px of the eyepiece's circle. None: its edge is not in the photo.
    field_number_mm : float
        Of the eyepiece.

    Returns
    -------
    RulingReading

    Raises
    ------
    CalibrationError
        With a code of `refusals.REFUSALS`; never a number where the ruling cannot be trusted.

    Notes
    -----
    Coarse to fine: local Fourier peaks on many scales, the strip of lines found by its likeness to itself one
    period on, lines numbered by phase, their middles measured sub-pixel in many places, and a homography with
    radial distortion fitted to all of them robustly. About 1 s for 12 megapixels.
    """
    gray = _gray(photo)
    height, width = gray.shape
    seen = _seen(gray.shape, round_view)
    centre = round_view[:2] if round_view is not None else ((width - 1) / 2, (height - 1) / 2)
    view = View(float(centre[0]), float(centre[1]), float(np.hypot(width, height) / 2))
    candidates = _candidates(gray, seen, view)
    first, second = _choose(candidates, gray, seen)
    sets = [first] if second is None else [first, second]
    lattice, lines = _fit_together(gray, sets, view)
    per_px, per_px_u = lattice.at_centre()
    pattern = _pattern(first, second)
    px = 1 / per_px
    division, source, warnings = settle_division(
        px,
        named_um=division_um,
        objective=objective,
        field_number_mm=field_number_mm,
        view_radius_px=None if round_view is None else float(round_view[2]),
        photo_diagonal_px=2 * view.half_px,
        grid=pattern == "grid",
    )
    um_per_px = division * per_px
    relative = np.hypot(per_px_u / per_px, RULING_ACCURACY)
    both = lattice.anisotropy()
    return RulingReading(
        um_per_px=float(um_per_px),
        um_per_px_u=float(um_per_px * relative),
        angle_deg=lattice.angle_deg(0),
        anisotropy=None if both is None else both[0],
        anisotropy_u=None if both is None else both[1],
        k1=lattice.k1,
        k1_u=float(np.sqrt(lattice.covariance[2, 2])),
        tilt=(float(lattice.params[0]), float(lattice.params[1])),
        divisions=max(one.marks.divisions for one in sets),
        division_um=float(division),
        division_source=source,
        pattern=pattern,
        longer_every=max((one.marks.every for one in sets if one.marks.every in (5, 10)), default=0),
        width_px=width,
        height_px=height,
        center_x_px=view.x_px,
        center_y_px=view.y_px,
        view_radius_px=None if round_view is None else float(round_view[2]),
        objective=objective,
        field_number_mm=field_number_mm,
        warnings=tuple([*warnings, *_remarks(lattice, sets)]),
        **_line_table(lattice, lines),
    )


def _gray(photo: np.ndarray) -> np.ndarray:
    array = np.asarray(photo)
    if array.ndim not in (2, 3) or min(array.shape[:2]) < 100 or (array.ndim == 3 and array.shape[2] < 3):
        raise refuse("picture-unfit", f"shape {array.shape}")
    if array.dtype != np.uint8:
        top = float(np.iinfo(array.dtype).max) if np.issubdtype(array.dtype, np.integer) else 1.0
        array = (array / top).astype(np.float32)
    if array.ndim == 3:
        array = cv2.cvtColor(np.ascontiguousarray(array[..., :3]), cv2.COLOR_RGB2GRAY)
    gray = array.astype(np.float32) / 255 if array.dtype == np.uint8 else array
    if not np.isfinite(gray).all() or float(np.ptp(gray[::3, ::3])) < 0.02:
        raise refuse("picture-unfit", "no light and dark parts")
    return gray


def _seen(shape: tuple[int, int], round_view: tuple[float, float, float] | None) -> np.ndarray | None:
    if round_view is None:
        return None
    mask = np.zeros(shape, np.uint8)
    x, y, radius = round_view
    cv2.circle(mask, (round(x), round(y)), max(1, int(radius * 0.98)), 1, -1)
    return mask > 0


def _candidates(gray: np.ndarray, seen: np.ndarray | None, view: View) -> list[_Candidate]:
    out: list[_Candidate] = []
    periods = find_periods(gray, seen)
    for period in periods[:_LOOKS]:
        if period.strength < 0.02 * periods[0].strength or any(_same(period, one) for one in out):
            continue
        one = _measure(gray, seen, view, period)
        if one is not None:
            out.append(one)
    return out


def _same(period: Period, known: _Candidate) -> bool:
    turn = abs((period.angle_deg - known.lattice.angle_deg() + 90) % 180 - 90)
    return turn < 4 and abs(np.log(period.period_px / known.period_px)) < 0.13


def _measure(gray: np.ndarray, seen: np.ndarray | None, view: View, period: Period) -> _Candidate | None:
    """Follow, fit, then follow once more with the better direction and period."""
    result = None
    for turn in range(2):
        track = follow_lines(gray, seen, period)
        if track is None:
            return result
        number, x, y = _points(track)
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
        result = _Candidate(
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

    The part of the residuals that neighbouring pieces of a line share: noise is not shared, the wandering of a
    ridge or a thread is.
    """
    fx, fy = lattice.slope_at(lines.x_px, lines.y_px)
    order = np.lexsort((fx * lines.y_px - fy * lines.x_px, lines.number))
    number, residual, used = lines.number[order], lattice.residual_px[order], lattice.weight[order] > 0
    pair = (number[1:] == number[:-1]) & used[1:] & used[:-1]
    if not pair.any():
        return float("inf")
    return float(np.sqrt(max(0.0, np.mean((residual[1:] * residual[:-1])[pair]))))


def _points(track: Track) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
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
    if marks.wholeness < 0.8 or marks.line_share > 0.6:
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


def _has_ends(one: _Candidate) -> bool:
    marks = one.marks
    return marks.every in (5, 10) or (not all(marks.cut) and marks.end_scatter < 0.6)


def _choose(
    candidates: list[_Candidate], gray: np.ndarray, seen: np.ndarray | None
) -> tuple[_Candidate, _Candidate | None]:
    """Take the finest set of lines that may be a ruling, and a second one square to it."""
    sound = [one for one in candidates if one.fault is None]
    strongest = max((one.track.amplitude for one in sound), default=0.0)
    sound = sorted(
        (one for one in sound if one.track.amplitude > 0.15 * strongest), key=lambda one: one.period_px
    )
    # of sets as fine as each other, the one with more lines leads
    if sound:
        finest = [one for one in sound if one.period_px < 1.15 * sound[0].period_px]
        first = max(finest, key=lambda one: one.marks.divisions)
        second = next((one for one in finest if _square(first, one) and _lines_cross(first, one)), None)
        if second is not None or _has_ends(first):
            return first, second
        raise refuse("not-a-ruling", f"even lines {first.period_px:.1f} px apart without ends in view")
    order = ("too-few-divisions", "too-blurred", "aliased", "not-a-ruling")
    faults = sorted((one.fault for one in candidates if one.fault), key=lambda fault: order.index(fault[0]))
    if faults:
        raise refuse(*faults[0])
    raise refuse("too-blurred") if _soft(gray, seen) else refuse("no-ruling")


def _square(first: _Candidate, other: _Candidate) -> bool:
    turn = abs((first.lattice.angle_deg() - other.lattice.angle_deg()) % 180 - 90)
    return turn < 8 and abs(np.log(first.period_px / other.period_px)) < 0.12


def _lines_cross(first: _Candidate, other: _Candidate) -> bool:
    """Whether both sets are lines that run on between their crossings, and thin: no dots, no squares."""
    for one, across in ((first, other), (other, first)):
        if one.marks.line_share > 0.4:
            return False
        if _has_ends(one):
            continue
        place = across.lattice.number_at(one.lines.x_px, one.lines.y_px)
        between = np.abs(place - np.rint(place)) > 0.3
        if between.mean() < 0.25:
            return False
        depth = one.middles.contrast[one.middles.good]
        if np.median(depth[between]) < 0.8 * np.median(depth):
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


def _fit_together(
    gray: np.ndarray, sets: list[_Candidate], view: View
) -> tuple[Lattice, Lines, list[Middles]]:
    """Fit all sets with common tilt and distortion, measuring the middles once more where the fit puts them."""
    lines = _stack([one.lines for one in sets])
    lattice = fit_lattice(lines, view)
    measured: list[Lines] = []
    for axis, one in enumerate(sets):
        number, x, y = _points(one.track)
        in_run = (number >= one.marks.first) & (number <= one.marks.last)
        number, x, y = number[in_run], x[in_run], y[in_run]
        band = (one.track.rows[1] - one.track.rows[0]) / one.track.patch.scale * 0.9
        result = measure_middles(gray, lattice, axis, number, x, y, band, one.track.sign)
        good = result.good
        measured.append(
            Lines(result.x_px[good], result.y_px[good], number[good], np.zeros(int(good.sum()), int))
        )
    lines = _stack(measured)
    return fit_lattice(lines, view, lattice), lines


def _stack(parts: list[Lines]) -> Lines:
    return Lines(
        np.concatenate([one.x_px for one in parts]),
        np.concatenate([one.y_px for one in parts]),
        np.concatenate([one.number for one in parts]),
        np.concatenate([np.full(len(one.number), axis) for axis, one in enumerate(parts)]),
    )


def _pattern(first: _Candidate, second: _Candidate | None) -> str:
    if second is None:
        return "ruler"
    if first.marks.every in (5, 10) or second.marks.every in (5, 10):
        return "cross"
    wide = (first.track.strip[1] - first.track.strip[0]) / first.track.patch.period
    return "grid" if wide > 0.6 * first.marks.divisions or all(first.marks.cut) else "cross"


def _remarks(lattice: Lattice, sets: list[_Candidate]) -> list[str]:
    out = []
    both = lattice.anisotropy()
    if both is not None and abs(both[0] - 1) > max(0.01, 3 * both[1]):
        out.append(
            f"The scale differs by {100 * abs(both[0] - 1):.1f} % between the two directions: the phone is tilted."
        )
    if np.abs(lattice.params[:2]).max() > 0.05:
        out.append(
            "The scale changes by more than 10 % towards a corner: straighten the phone on the eyepiece."
        )
    if min(one.marks.divisions for one in sets) < 10:
        out.append("Fewer than 10 divisions were in view; more make the scale surer.")
    return out


def _line_table(lattice: Lattice, lines: Lines) -> dict[str, object]:
    rows = []
    for axis in np.unique(lines.axis):
        for number in np.unique(lines.number[lines.axis == axis]):
            mine = np.flatnonzero((lines.axis == axis) & (lines.number == number) & (lattice.weight > 0))
            if len(mine):
                rows.append((axis, number, mine))
    fx_all, fy_all = np.zeros(len(lines.x_px)), np.zeros(len(lines.x_px))
    for axis in np.unique(lines.axis):
        part = lines.axis == axis
        fx_all[part], fy_all[part] = lattice.slope_at(lines.x_px[part], lines.y_px[part], int(axis))
    slope = np.hypot(fx_all, fy_all)
    ends = []
    for _, _, mine in rows:
        along = -fy_all[mine] * lines.x_px[mine] + fx_all[mine] * lines.y_px[mine]
        ends.append((mine[along.argmin()], mine[along.argmax()]))
    low = np.array([one[0] for one in ends], int)
    high = np.array([one[1] for one in ends], int)
    residual = np.array(
        [np.average(lattice.residual_px[mine], weights=lattice.weight[mine]) for _, _, mine in rows]
    )
    return {
        "lines": len(rows),
        "residual_px": float(np.sqrt(np.mean(residual**2))),
        "line_axis": np.array([one[0] for one in rows], int),
        "line_number": np.array([one[1] for one in rows], int),
        "line_from_x_px": lines.x_px[low],
        "line_from_y_px": lines.y_px[low],
        "line_to_x_px": lines.x_px[high],
        "line_to_y_px": lines.y_px[high],
        "line_residual_px": residual,
        "line_px_per_division": np.array([1 / slope[mine].mean() for _, _, mine in rows]),
    }

"""Sets of lines that may be a ruling: each measured on its own and judged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sporecount.calibration.centres import Middles, measure_middles
from sporecount.calibration.find import Period
from sporecount.calibration.lattice import Lattice, Lines, View, fit_lattice
from sporecount.calibration.pattern import SEEN, Marks, read_marks
from sporecount.calibration.trace import Track, follow_lines

MIN_DIVISIONS = 5
MIN_PERIOD_PX = 2.7
"""Below it a pixel grid cannot carry the ticks safely: the sampling limit is 2 px a division."""

ALIKE = 0.985
"""Correlation of a line's pieces with their mean profile from which the lines are taken as engraved."""

FAINTEST = 0.005
"""Share of white by which lines must stand out: one grey level in 255 is 0.004."""

GRAINY_PX = 18.0
"""Below this distance of the lines the noise of a grainy photo makes their pieces as unlike as letters are."""

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


def line_sets(
    gray: np.ndarray, seen: np.ndarray | None, view: View, periods: Sequence[Period]
) -> list[LineSet]:
    """Measure the periodic patterns of a photo that consist of lines, strongest first."""
    out: list[LineSet] = []
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
        if track is None or track.amplitude < FAINTEST:
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
        alike = float(np.median(middles.likeness[good]))
        patchy = _patchiness(middles, number) if alike < ALIKE and local > GRAINY_PX else 0.0
        result = LineSet(
            track,
            lattice,
            lines,
            middles,
            marks,
            local,
            spread / local,
            used,
            _fault(track, lattice, marks, local, spread / local, used, patchy),
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

    The part of the residuals that neighbouring pieces of a line share, with or against one another: noise is
    not shared, the wandering of a ridge or the turns of a woven thread are.
    """
    fx, fy = lattice.slope_at(lines.x_px, lines.y_px)
    order = np.lexsort((fx * lines.y_px - fy * lines.x_px, lines.number))
    number, residual, used = lines.number[order], lattice.residual_px[order], lattice.weight[order] > 0
    shared = []
    for apart in (1, 2, 3):
        pair = (number[apart:] == number[:-apart]) & used[apart:] & used[:-apart]
        if pair.sum() > 5:
            shared.append(abs(float(np.mean((residual[apart:] * residual[:-apart])[pair]))))
    return float(np.sqrt(max(shared))) if shared else float("inf")


def _patchiness(middles: Middles, number: np.ndarray) -> float:
    """How much the depth of a line changes from piece to piece, as a share of the depth.

    Engraved lines are alike all along; a row of writing or beads is not. Crossings make it large as well.
    """
    depth, line = middles.contrast[middles.good], number[middles.good]
    order = np.argsort(line, kind="stable")  # pieces of a line come band by band
    depth, line = depth[order], line[order]
    step = np.abs(np.diff(depth))[line[1:] == line[:-1]]
    return float(np.median(step) / np.median(depth)) if step.size else 0.0


def points_of(track: Track) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Line number and photo position of the pieces of line that were seen, 48 bands at most."""
    line, band = np.nonzero(np.nan_to_num(track.height, nan=0.0) > SEEN)
    if len(np.unique(band)) > 48:
        keep = np.isin(band, np.unique(band)[:: int(np.ceil(len(np.unique(band)) / 48))])
        line, band = line[keep], band[keep]
    x, y = track.patch.to_photo(track.cols[line, band], track.rows[band])
    return track.number[line], x, y


def _fault(
    track: Track,
    lattice: Lattice,
    marks: Marks,
    period_px: float,
    unevenness: float,
    used: float,
    patchy: float,
) -> tuple[str, str] | None:
    """Say what speaks against these lines being a ruling, apart from missing ends."""
    if track.amplitude < 0.02 and unevenness > 0.02:
        return "too-blurred", f"the ticks stand out by {100 * track.amplitude:.1f} % of white only"
    even = unevenness <= 0.012 + 0.06 / period_px
    if not even or track.likeness < 0.5 or used < 0.45 or np.abs(lattice.params[:2]).max() > 0.2:
        return "not-a-ruling", f"the lines are uneven by {100 * unevenness:.0f} % of their distance"
    if marks.line_share > 0.6:
        return "not-a-ruling", f"the lines take up {100 * marks.line_share:.0f} % of their distance"
    if marks.every not in (5, 10) and marks.line_share > 0.4 and marks.squareness > 0.74:
        return "not-a-ruling", "the lines are as wide as the gaps between them"
    if patchy > 0.11:
        return "not-a-ruling", f"the lines change by {100 * patchy:.0f} % from piece to piece"
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

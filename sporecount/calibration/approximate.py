"""A scale without a ruling: from the round view, or from an object of known length. Always `approximate`."""

from __future__ import annotations

import math

from sporecount.calibration.plausible import expected_um_per_px
from sporecount.calibration.records import ApproximateScale
from sporecount.calibration.refusals import refuse

_MAGNIFICATION_U = 0.03
"""Relative standard uncertainty of an objective's engraved magnification: within 5 % (from memory), taken as
evenly spread, 5 % / sqrt(3)."""

_FIELD_NUMBER_U = 0.02
"""Of the field number: engraved in whole millimetres or halves (common practice)."""

NEAREST_PX = 50.0
"""Marked ends must be this far apart; then marking them is worth 6 % of the length at most."""

DRAWINGS_ALLOWED = 0.1
"""Drawings of one object whose lengths differ by more than this share are not of one object."""

Line = tuple[float, float, float, float]
"""x, y of one end and x, y of the other."""

_TILT_U = 0.01
"""Of a length marked in a view whose tilt and distortion are not known (common practice)."""


def scale_from_view(
    view_radius_px: float, *, objective: float, field_number_mm: float, view_radius_u_px: float | None = None
) -> ApproximateScale:
    """Scale from the eyepiece's field number, the objective and the round view (textbook relation).

    Parameters
    ----------
    view_radius_px : float
        Of the whole round view.
    objective : float
        Magnification.
    field_number_mm : float
        Engraved on the eyepiece, such as 18.
    view_radius_u_px : float, optional
        Standard uncertainty of the radius; 1 % when None.

    Raises
    ------
    CalibrationError
        `no-round-view` when a figure is missing or impossible.
    """
    figures = (view_radius_px, objective, field_number_mm)
    if not all(math.isfinite(one) and one > 0 for one in figures) or view_radius_px < 20:
        missing = "no round view was found" if not view_radius_px >= 20 else "no objective was named"
        raise refuse("no-round-view", missing)
    scale = expected_um_per_px(field_number_mm, objective, view_radius_px)
    edge = 0.01 if view_radius_u_px is None else view_radius_u_px / view_radius_px
    relative = math.sqrt(_MAGNIFICATION_U**2 + _FIELD_NUMBER_U**2 + edge**2)
    return ApproximateScale(
        scale,
        scale * relative,
        f"From the round view, {2 * view_radius_px:.0f} px across: field number "
        f"{field_number_mm:g} at {objective:g}x "
        f"is {field_number_mm / objective:.2f} mm.",
        ("uncalibrated",),
    )


def scale_from_length(
    *lines_px: Line,
    length_um: float,
    length_u_um: float = 0.0,
    thing: str = "",
    photo_px: tuple[int, int] | None = None,
    pointing_px: float = 2.0,
) -> ApproximateScale:
    """Scale from an object of known length, whose two ends the user marked, once or several times.

    Parameters
    ----------
    *lines_px : tuple of float
        x, y of the one end and x, y of the other, in photo pixels; the same object each time.
    length_um, length_u_um : float
        Known length with its standard uncertainty.
    thing : str
        What it is.
    photo_px : (int, int), optional
        Width and height of the photo; ends outside of it are refused.
    pointing_px : float
        Standard uncertainty of marking one end.

    Raises
    ------
    CalibrationError
        `bad-length`, `end-off-photo`, `ends-too-near` or `drawings-disagree`.

    Notes
    -----
    The mean of several drawings is taken, and the standard error of that mean is added to the uncertainty
    (JCGM 100:2008, 4.2). What marking an end is worth is not divided by their number: drawing again evens out
    a shaking hand, but a blurred end seems to lie at the same wrong place each time.
    """
    for line in lines_px:
        _check_ends(line, photo_px)
    if not (0 < length_um < math.inf and 0 <= length_u_um < length_um / 2):
        give_or_take = f", uncertain by {length_u_um:g} um" if length_u_um else ""
        raise refuse("bad-length", f"{length_um:g} um{give_or_take}")
    long = [_long(line) for line in lines_px]
    if not long:
        raise refuse("ends-too-near", "no end is marked yet")
    if min(long) < NEAREST_PX:
        raise refuse("ends-too-near", f"{min(long):.0f} px")
    mean = sum(long) / len(long)
    if max(long) - min(long) > max(DRAWINGS_ALLOWED * mean, 6 * math.sqrt(2) * pointing_px):
        raise refuse("drawings-disagree", ", ".join(f"{one:.0f} px" for one in long))
    spread = math.sqrt(sum((one - mean) ** 2 for one in long) / (len(long) - 1)) if len(long) > 1 else 0.0
    again = f" {len(long)} times, over {mean:.0f} px on average" if len(long) > 1 else f" over {mean:.0f} px"
    scale = length_um / mean
    relative = math.sqrt(
        2 * (pointing_px / mean) ** 2
        + (spread / mean) ** 2 / len(long)
        + (length_u_um / length_um) ** 2
        + _TILT_U**2
    )
    return ApproximateScale(
        scale,
        scale * relative,
        f"From an object {length_um:g} um long{f' ({thing})' if thing else ''}, marked{again}.",
        ("approximate-scale",),
    )


def _long(line: Line) -> float:
    x0, y0, x1, y1 = line
    return math.hypot(x1 - x0, y1 - y0)


def _check_ends(line: Line, photo_px: tuple[int, int] | None) -> None:
    width, height = photo_px or (math.inf, math.inf)
    least = -0.5 if photo_px else -math.inf
    for x, y in (line[:2], line[2:]):
        if not (least <= x <= width - 0.5 and least <= y <= height - 0.5 and math.isfinite(x + y)):
            raise refuse("end-off-photo", f"x {x:g}, y {y:g} in a photo of {width:g} x {height:g} px")

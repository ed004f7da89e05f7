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
    x0_px: float,
    y0_px: float,
    x1_px: float,
    y1_px: float,
    *,
    length_um: float,
    length_u_um: float = 0.0,
    pointing_px: float = 2.0,
) -> ApproximateScale:
    """Scale from an object of known length, whose two ends the user marked.

    Parameters
    ----------
    x0_px, y0_px, x1_px, y1_px : float
        The two ends.
    length_um, length_u_um : float
        Known length with its standard uncertainty.
    pointing_px : float
        Standard uncertainty of marking one end.

    Raises
    ------
    CalibrationError
        `bad-length` for ends closer than 50 px or a length that is none.
    """
    long = math.hypot(x1_px - x0_px, y1_px - y0_px)
    if not (math.isfinite(long) and math.isfinite(length_um) and length_um > 0 and long >= 50):
        raise refuse("bad-length", f"{length_um:g} um over {long:.0f} px")
    scale = length_um / long
    pointing = math.sqrt(2) * pointing_px / long
    relative = math.sqrt(pointing**2 + (length_u_um / length_um) ** 2 + _TILT_U**2)
    return ApproximateScale(
        scale,
        scale * relative,
        f"From an object {length_um:g} um long, marked over {long:.0f} px.",
        ("approximate-scale",),
    )

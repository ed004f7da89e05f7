"""Whether the named division, or length, fits what is known of the objective and the view.

The textbook relation: diameter of the field on the specimen = field number / magnification, so field number
18 gives 4.5 mm at 4x, 1.8 mm at 10x and 0.45 mm at 40x.
"""

from __future__ import annotations

import math

from sporecount.calibration.refusals import refuse

DIVISIONS_UM = (10.0, 100.0, 1000.0)
"""Divisions of rulers in use: stage micrometers of 0.01 mm and 0.1 mm, rulers of 1 mm (common practice)."""

GRID_DIVISIONS_UM = (50.0, 200.0, 250.0, 1000.0)
"""Squares of the Neubauer counting grid (common practice)."""

OTHER_DIVISIONS_UM = (20.0, 25.0, 500.0)
"""Less common ones, offered in messages only."""

OBJECTIVES = (2.0, 4.0, 5.0, 10.0, 16.0, 20.0, 25.0, 40.0, 50.0, 60.0, 63.0, 100.0)

LEAST, MOST = 0.75, 1.55
"""Bounds of the scale named over the scale that the round view lets expect. Eyepieces with field numbers from 15
to 26.5 are in use where 18 is the usual one (from memory), engraved magnifications hold to 5 %: 0.8 to 1.54.
A division or an objective off by a factor of 2 lies outside whenever the field number is right within 30 %."""

REMARK = 1.1
"""Factor from which the difference is worth a remark."""


def field_diameter_um(field_number_mm: float, objective: float) -> float:
    """Diameter of the field on the specimen (textbook relation)."""
    return 1000.0 * field_number_mm / objective


def expected_um_per_px(field_number_mm: float, objective: float, view_radius_px: float) -> float:
    """Scale that the round view's size leads to expect."""
    return field_diameter_um(field_number_mm, objective) / (2 * view_radius_px)


def settle_division(
    px_per_division: float,
    *,
    named_um: float | None,
    objective: float | None,
    field_number_mm: float,
    view_radius_px: float | None,
    photo_diagonal_px: float,
    lit_to_corners: bool,
    grid: bool,
) -> tuple[float, str, list[str]]:
    """Settle the size of a division: the named one if it can be right, else told from the view.

    Returns
    -------
    division_um : float
    source : str
        "named" or "told from the round view" or "told from the size of the photo".
    warnings : list of str

    Raises
    ------
    CalibrationError
        `division-contradiction` or `division-unknown`.
    """
    if objective is None:
        if named_um is None:
            raise refuse("division-unknown", f"a division is {px_per_division:.1f} px long")
        return (
            named_um,
            "named",
            ["The objective was not named, so the division was not checked against the view."],
        )
    field_um = field_diameter_um(field_number_mm, objective)
    usual = GRID_DIVISIONS_UM if grid else DIVISIONS_UM
    if view_radius_px is not None:
        expected = px_per_division * field_um / (2 * view_radius_px)
        low, high = LEAST * expected, MOST * expected
        basis = _basis(view_radius_px, field_um, objective, field_number_mm)
        source = "told from the round view"
    else:
        # without an edge the photo shows a part of the field: hardly more than all, seldom less than a sixth
        whole = px_per_division * field_um / photo_diagonal_px
        high, expected, low = 2.5 * whole, 0.7 * whole, whole / 6
        basis = (
            "the photo shows no edge of the round view, so its diagonal is at most "
            f"the {field_um / 1000:.2f} mm "
            f"of the field at {objective:g}x with field number {field_number_mm:g}"
        )
        source = "told from the size of the photo"
    if named_um is None:
        fitting = [one for one in usual if low <= one <= high]
        if len(fitting) != 1:
            raise refuse("division-unknown", f"{px_per_division:.1f} px a division; {basis}")
        return fitting[0], source, [f"The division of {fitting[0]:g} um was {source}."]
    if not low <= named_um <= high:
        raise refuse(
            "division-contradiction",
            _explain(named_um, px_per_division, low, high, expected, basis, objective)
            + ("" if view_radius_px is None else _other_eyepiece(named_um / expected * field_number_mm)),
        )
    if view_radius_px is None:
        shown = named_um / px_per_division * photo_diagonal_px
        return named_um, "named", [_remark_without_edge(shown, field_um, objective, lit_to_corners)]
    ratio = named_um / expected
    return named_um, "named", _remarks_on_view(ratio, field_um, field_number_mm, "ruling")


def check_length(
    length_um: float,
    long_px: float,
    *,
    objective: float | None,
    field_number_mm: float,
    view_radius_px: float | None,
) -> list[str]:
    """Check the length named for an object against the size of the round view.

    Parameters
    ----------
    length_um, long_px : float
        Of the object, named and in the photo.
    objective : float or None
    field_number_mm : float
    view_radius_px : float or None
        None where no edge of the round view was seen.

    Returns
    -------
    list of str
        Remarks in plain words.

    Raises
    ------
    CalibrationError
        `length-contradiction`.
    """
    if objective is None or view_radius_px is None:
        missing = (
            "The objective was not named"
            if objective is None
            else "No edge of the round view is in the photo"
        )
        return [f"{missing}, so the length could not be checked: a factor of 2 would go unnoticed."]
    field_um = field_diameter_um(field_number_mm, objective)
    expected = long_px * field_um / (2 * view_radius_px)
    ratio = length_um / expected
    if not LEAST <= ratio <= MOST:
        raise refuse(
            "length-contradiction",
            f"{long_px:.0f} px were named {length_um:g} um, but "
            f"{_basis(view_radius_px, field_um, objective, field_number_mm)}; then it is about "
            f"{float(f'{expected:.2g}'):g} um long"
            + _other_objective(objective, ratio, ", or")
            + _other_eyepiece(ratio * field_number_mm, "length"),
        )
    return _remarks_on_view(ratio, field_um, field_number_mm, "length")


def _basis(view_radius_px: float, field_um: float, objective: float, field_number_mm: float) -> str:
    return (
        f"the round view is {2 * view_radius_px:.0f} px across, which is {field_um / 1000:.2f} mm at "
        f"{objective:g}x with field number {field_number_mm:g}"
    )


def _remarks_on_view(ratio: float, field_um: float, field_number_mm: float, by: str) -> list[str]:
    if 1 / REMARK <= ratio <= REMARK:
        return []
    return [
        f"The round view is {ratio * field_um / 1000:.2f} mm across by this {by}, not {field_um / 1000:.2f} mm: "
        f"the eyepiece's field number is rather {ratio * field_number_mm:.1f} than {field_number_mm:g}, or the "
        "round view is cropped."
    ]


def _remark_without_edge(shown_um: float, field_um: float, objective: float, lit_to_corners: bool) -> str:
    if lit_to_corners and shown_um > 1.25 * field_um:
        return (
            f"This photo is {shown_um / 1000:.2f} mm across its diagonal by this ruling, more than the "
            f"{field_um / 1000:.2f} mm that an eyepiece with the usual field number shows at {objective:g}x. "
            "Check division and objective."
        )
    return (
        "No edge of the round view is in the photo, so division and objective could be checked roughly only: "
        "a factor of 2 would go unnoticed."
    )


def _explain(
    named: float, px: float, low: float, high: float, expected: float, basis: str, objective: float
) -> str:
    found = [
        one for one in (*DIVISIONS_UM, *GRID_DIVISIONS_UM[:3], *OTHER_DIVISIONS_UM) if low <= one <= high
    ]
    found.sort(key=lambda one: (one not in DIVISIONS_UM, abs(math.log(one / expected))))
    text = f"divisions of {px:.1f} px were named {named:g} um, but {basis}"
    if found:
        text += f"; then a division is {found[0]:g} um"
    return text + _other_objective(objective, named / expected, ", or" if found else ";")


def _other_objective(objective: float, ratio: float, joint: str) -> str:
    """Offer the objective whose field is larger by the ratio, if there is about such a one."""
    wanted = objective / ratio
    near = min(OBJECTIVES, key=lambda one: abs(math.log(one / wanted)))
    if abs(math.log(near / wanted)) >= math.log(1.3) or near == objective:
        return ""
    return f"{joint} the objective was {near:g}x"


def _other_eyepiece(field_number_mm: float, named: str = "division") -> str:
    """Offer the field number with which all names would be right, where there are eyepieces with such a one."""
    if not 8 <= field_number_mm <= 28:
        return ""
    return (
        f"; if {named} and objective are right, the eyepiece's field number is {field_number_mm:.1f}: name it"
    )

"""Adapter profiles: made from readings, compared, checked, and matched to a photo before it is counted."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Sequence
from dataclasses import asdict, fields
from typing import Any

import numpy as np

from sporecount.calibration.records import (
    RULING_ACCURACY,
    SCHEMA,
    AdapterProfile,
    CalibrationCheck,
    RulingReading,
)
from sporecount.calibration.refusals import refuse
from sporecount.records import Photo, RoundView, Scale

__all__ = [
    "AdapterProfile",
    "build_profile",
    "check_drift",
    "check_objectives",
    "compare_profiles",
    "fingerprint",
    "match_profile",
    "profile_from_json",
    "stated",
]

STRAY = 0.003
"""Readings this far from the median (relative), and more than 3 of their uncertainties, are left out."""

DRIFT_ALLOWED = 0.005
"""A recheck passes within half a percent, or within 2 combined standard uncertainties where that is more."""

MAGNIFICATION_ALLOWED = 0.05
"""Engraved magnifications hold to about 5 % (from memory), so ratios of two objectives hold to about 7 %."""

_VIEW_MATCH = 0.03
"""Two round views are the same within 3 % of their diameter: what finding the edge on prints can vary."""

_OTHER_RIG_U = 0.03
"""Relative uncertainty of a scale carried over by the round view alone."""


def build_profile(
    readings: Sequence[tuple[str, RulingReading]],
    *,
    name: str,
    date: str,
    camera: str | None = None,
    focal_length_mm: float | None = None,
    digital_zoom: float | None = None,
) -> AdapterProfile:
    """Join the readings of one adapter and objective.

    Parameters
    ----------
    readings : sequence of (str, RulingReading)
        Name of the photo and what was read from it.
    name : str
        Of the adapter.
    date : str
        ISO 8601.
    camera, focal_length_mm, digital_zoom : optional
        Of the photos, from Exif.

    Raises
    ------
    CalibrationError
        `readings-disagree`.

    Notes
    -----
    Weighted mean with the scatter between photos estimated from them (DerSimonian & Laird 1986, Control.
    Clin. Trials 7:177-188); the ruling's own accuracy is added at the end, once.
    """
    if not readings:
        raise refuse("readings-disagree", "no reading was given")
    sizes = {tuple(sorted((one.width_px, one.height_px))) for _, one in readings}
    objectives = {one.objective for _, one in readings if one.objective is not None}
    if len(sizes) > 1 or len(objectives) > 1:
        raise refuse("readings-disagree", f"sizes {sorted(sizes)}, objectives {sorted(objectives)}")
    value = np.array([one.um_per_px for _, one in readings])
    own = np.array([_own_u(one) for _, one in readings])
    middle = float(np.median(value))
    far = np.abs(value - middle) > np.maximum(STRAY * middle, 3 * own)
    kept = [one for (_, one), out in zip(readings, far, strict=True) if not out]
    if len(kept) * 2 <= len(readings) and len(readings) > 1:
        listed = ", ".join(f"{label} {one.um_per_px:.5g}" for label, one in readings)
        raise refuse("readings-disagree", f"um per px: {listed}")
    mean, mean_u, spread = _join(value[~far], own[~far])
    views = [2 * one.view_radius_px for one in kept if one.view_radius_px is not None]
    return AdapterProfile(
        name=name,
        objective=next(iter(objectives), None),
        um_per_px=mean,
        um_per_px_u=math.hypot(mean_u, RULING_ACCURACY * mean),
        width_px=kept[0].width_px,
        height_px=kept[0].height_px,
        k1=float(np.mean([one.k1 for one in kept])),
        camera=camera,
        focal_length_mm=focal_length_mm,
        digital_zoom=digital_zoom,
        view_diameter_px=float(np.median(views)) if views else None,
        field_number_mm=kept[0].field_number_mm,
        rulings=len(kept),
        spread=spread,
        spread_across_view=max(_local_spread(one) for one in kept),
        division_um=kept[0].division_um,
        left_out=tuple(label for (label, _), out in zip(readings, far, strict=True) if out),
        date=date,
    )


def _own_u(reading: RulingReading) -> float:
    """Uncertainty of a reading without the ruling's own accuracy."""
    return math.sqrt(
        max(
            reading.um_per_px_u**2 - (RULING_ACCURACY * reading.um_per_px) ** 2,
            (1e-5 * reading.um_per_px) ** 2,
        )
    )


def _join(value: np.ndarray, own: np.ndarray) -> tuple[float, float, float]:
    """Mean, standard uncertainty and relative spread."""
    if len(value) == 1:
        return float(value[0]), float(own[0]), 0.0
    weight = own**-2.0
    mean = float(np.average(value, weights=weight))
    excess = float((weight * (value - mean) ** 2).sum()) - (len(value) - 1)
    between = max(0.0, excess / float(weight.sum() - (weight**2).sum() / weight.sum()))
    weight = 1 / (own**2 + between)
    mean = float(np.average(value, weights=weight))
    return mean, float(weight.sum() ** -0.5), float(value.std(ddof=1) / mean)


def _local_spread(reading: RulingReading) -> float:
    local = reading.line_px_per_division
    return float(np.ptp(local) / np.mean(local)) if len(local) else 0.0


def profile_from_json(stored: dict[str, Any]) -> AdapterProfile:
    """Make a profile from its JSON object.

    Raises
    ------
    CalibrationError
        `bad-profile`: another schema, a missing or unknown field, an impossible figure.
    """
    known = {one.name for one in fields(AdapterProfile)}
    if stored.get("schema") != SCHEMA:
        raise refuse("bad-profile", f"schema {stored.get('schema')!r}, this version reads {SCHEMA}")
    strange = sorted(set(stored) - known)
    if strange:
        raise refuse("bad-profile", f"unknown fields: {', '.join(strange)}")
    try:
        profile = AdapterProfile(**stored)
        sound = 0 < float(profile.um_per_px) < 1000 and 0 <= float(profile.um_per_px_u) < profile.um_per_px
        sound = sound and int(profile.width_px) > 0 and int(profile.height_px) > 0
    except (TypeError, ValueError) as fault:
        raise refuse("bad-profile", str(fault)) from None
    if not sound:
        raise refuse(
            "bad-profile", f"{profile.um_per_px!r} um per px, {profile.width_px!r} x {profile.height_px!r} px"
        )
    return profile


def stated(value: float, standard_u: float) -> tuple[str, str]:
    """Write a value and its standard uncertainty: two digits of the uncertainty, the value to the same place.

    JCGM 100:2008 (Guide to the expression of uncertainty in measurement), 7.2.6.
    """
    if not 0 < standard_u < math.inf:
        return f"{value:.5g}", "unknown"
    places = max(0, 1 - math.floor(math.log10(standard_u)))
    return f"{value:.{places}f}", f"{standard_u:.{places}f}"


def fingerprint(profile: AdapterProfile) -> str:
    """SHA-256 of the profile's fields as JSON with sorted keys and no spaces."""
    text = json.dumps(asdict(profile), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def compare_profiles(first: AdapterProfile, second: AdapterProfile) -> CalibrationCheck:
    """Check whether two profiles agree on the scale, pixel sizes taken into account."""
    grow = max(second.width_px, second.height_px) / max(first.width_px, first.height_px)
    return _check(
        second.um_per_px * grow / first.um_per_px - 1,
        math.hypot(first.um_per_px_u / first.um_per_px, second.um_per_px_u / second.um_per_px),
        f"{second.name} against {first.name}",
        "Use one of them for the photos of its own time only, or calibrate once more",
    )


def check_drift(profile: AdapterProfile, reading: RulingReading) -> CalibrationCheck:
    """Check a new photo of a ruling against a stored profile."""
    grow = max(reading.width_px, reading.height_px) / max(profile.width_px, profile.height_px)
    return _check(
        reading.um_per_px * grow / profile.um_per_px - 1,
        math.hypot(profile.um_per_px_u / profile.um_per_px, reading.um_per_px_u / reading.um_per_px),
        f"this photo against the profile {profile.name}",
        "See whether the adapter, zoom or lens has changed; if so, calibrate "
        "anew and count with the new profile",
    )


def _check(difference: float, combined_u: float, what: str, remedy: str) -> CalibrationCheck:
    allowed = max(DRIFT_ALLOWED, 2 * combined_u)
    passed = abs(difference) <= allowed
    rule = (
        f"Passes when the scales differ by at most {100 * DRIFT_ALLOWED:g} %, or by 2 combined standard "
        f"uncertainties ({200 * combined_u:.2f} % here) where that is more."
    )
    verdict = "Passed" if passed else "Failed"
    words = f"{verdict}: {what}, {100 * difference:+.2f} % with {100 * allowed:.2f} % allowed."
    return CalibrationCheck(passed, difference, allowed, rule, words if passed else f"{words} {remedy}.")


def check_objectives(profiles: Sequence[AdapterProfile]) -> list[CalibrationCheck]:
    """Check the objectives of one adapter: um per px times magnification must be the same for all.

    Profiles without an objective are passed over; each is checked against the lowest magnification.
    """
    known = sorted((one for one in profiles if one.objective), key=lambda one: one.objective or 0)
    allowed = math.sqrt(2) * MAGNIFICATION_ALLOWED
    rule = (
        "Passes when the scales of two objectives differ as their magnifications "
        f"do, within {100 * allowed:.0f} %: "
        "engraved magnifications hold to about 5 %."
    )
    out = []
    for one in known[1:]:
        base = known[0]
        assert base.objective is not None
        assert one.objective is not None
        expected = one.objective / base.objective
        grow = max(one.width_px, one.height_px) / max(base.width_px, base.height_px)
        found = base.um_per_px / (one.um_per_px * grow)
        difference = found / expected - 1
        passed = abs(difference) <= allowed
        words = (
            f"{'Passed' if passed else 'Failed'}: {one.objective:g}x to "
            f"{base.objective:g}x should be {expected:g}, "
            f"is {found:.3f}."
        )
        if not passed:
            words += (
                " One of the two was read with another objective, division or zoom than named: repeat both."
            )
        out.append(CalibrationCheck(passed, difference, allowed, rule, words))
    return out


def match_profile(profile: AdapterProfile, photo: Photo, view: RoundView) -> Scale:
    """Give the scale of a photo by a profile, guarding against a photo of another rig.

    Parameters
    ----------
    profile : AdapterProfile
    photo : Photo
        Its size, camera, focal length and zoom are compared.
    view : RoundView
        Of the photo.

    Returns
    -------
    Scale
        Source "profile". As it is for the same rig; rescaled for a smaller or larger export of the same
        photo, where camera, shape and round view say so; otherwise with the reason `view-size-mismatch` and
        the best guess, carried over by the round view where there is one.
    """
    height, width = photo.rgb.shape[:2]
    long, short = max(width, height), min(width, height)
    profile_long, profile_short = (f(profile.width_px, profile.height_px) for f in (max, min))
    zoom = long / profile_long
    stranger = _other_rig(profile, photo)
    diameter = 2 * view.radius_px if view.found else None
    view_ratio = diameter / profile.view_diameter_px if diameter and profile.view_diameter_px else None
    same_shape = abs(long * profile_short / (short * profile_long) - 1) < 0.004 + 1.0 / short
    same_size = (long, short) == (profile_long, profile_short)
    if not stranger and view_ratio is not None:
        if same_size or not same_shape:
            sure = abs(view_ratio - 1) <= _VIEW_MATCH  # another shape with the same circle is a crop
            zoom = 1.0
        else:
            sure = abs(view_ratio / zoom - 1) <= _VIEW_MATCH
    elif not stranger and same_size:
        sure = not _edge_expected(profile, short) or diameter is not None
    else:
        sure = (
            not stranger
            and same_shape
            and zoom < 1
            and photo.camera is not None
            and photo.camera == profile.camera
        )
    remark = () if view_ratio is not None else ("no-round-view",)
    if sure:
        return _scale(profile, profile.um_per_px / zoom, profile.um_per_px_u / zoom, remark)
    if view_ratio is not None:
        guess = profile.um_per_px / view_ratio
        return _scale(
            profile,
            guess,
            math.hypot(_OTHER_RIG_U * guess, profile.um_per_px_u / view_ratio),
            ("view-size-mismatch",),
        )
    guess = profile.um_per_px / zoom
    return _scale(profile, guess, 0.3 * guess, ("view-size-mismatch", "uncalibrated"))


def _other_rig(profile: AdapterProfile, photo: Photo) -> bool:
    """Whether Exif tells of another camera, lens or zoom; what is not known is not held against it."""
    if profile.camera and photo.camera and profile.camera.strip() != photo.camera.strip():
        return True
    for known, here in (
        (profile.focal_length_mm, photo.focal_length_mm),
        (profile.digital_zoom, photo.digital_zoom),
    ):
        if known and here and abs(here / known - 1) > 0.01:
            return True
    return False


def _edge_expected(profile: AdapterProfile, short_px: int) -> bool:
    """Whether the round view's edge must be in a photo of this rig."""
    return profile.view_diameter_px is not None and profile.view_diameter_px < 0.97 * short_px


def _scale(profile: AdapterProfile, um_per_px: float, um_per_px_u: float, reasons: tuple[str, ...]) -> Scale:
    return Scale(
        um_per_px=float(um_per_px),
        um_per_px_u=float(um_per_px_u),
        source="profile",
        objective=profile.objective,
        k1=profile.k1,
        reasons=reasons,
    )

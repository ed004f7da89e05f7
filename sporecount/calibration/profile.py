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
    ApproximateScale,
    CalibrationCheck,
    RulingReading,
)
from sporecount.calibration.refusals import refuse

__all__ = [
    "AdapterProfile",
    "approximate_profile",
    "build_profile",
    "check_drift",
    "check_objectives",
    "compare_profiles",
    "fingerprint",
    "profile_from_json",
    "stated",
]

STRAY = 0.003
"""Readings this far from the median (relative), and more than 3 of their uncertainties, are left out."""

DRIFT_ALLOWED = 0.005
"""A recheck passes within half a percent, or within 2 combined standard uncertainties where that is more."""

MAGNIFICATION_ALLOWED = 0.05
"""Engraved magnifications hold to about 5 % (from memory), so ratios of two objectives hold to about 7 %."""

APPROXIMATE = frozenset({"uncalibrated", "approximate-scale"})
"""What a profile without a ruling may add to the flag."""


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


def approximate_profile(
    scale: ApproximateScale,
    *,
    name: str,
    date: str,
    objective: float | None,
    width_px: int,
    height_px: int,
    view_diameter_px: float | None = None,
    field_number_mm: float | None = None,
    camera: str | None = None,
    focal_length_mm: float | None = None,
    digital_zoom: float | None = None,
) -> AdapterProfile:
    """Make a profile without a ruling; every count made with it says so in its flag.

    Parameters
    ----------
    scale : ApproximateScale
        From `scale_from_view` or `scale_from_length`.
    name, date, objective, width_px, height_px, view_diameter_px, field_number_mm : various
        As in `AdapterProfile`.
    camera, focal_length_mm, digital_zoom : optional
        Of the photo, from Exif.
    """
    return AdapterProfile(
        name=name,
        objective=objective,
        um_per_px=scale.um_per_px,
        um_per_px_u=scale.um_per_px_u,
        width_px=width_px,
        height_px=height_px,
        camera=camera,
        focal_length_mm=focal_length_mm,
        digital_zoom=digital_zoom,
        view_diameter_px=view_diameter_px,
        field_number_mm=field_number_mm,
        rulings=0,
        date=date,
        how=scale.how,
        reasons=scale.reasons,
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
        wrong = [one.name for one in fields(profile) if not _fits(getattr(profile, one.name), str(one.type))]
        if wrong:
            raise refuse("bad-profile", f"no such {wrong[0]}: {stored[wrong[0]]!r}")
        sound = 0 < float(profile.um_per_px) < 1000 and 0 <= float(profile.um_per_px_u) < profile.um_per_px
        sound = sound and int(profile.width_px) > 0 and int(profile.height_px) > 0
    except (TypeError, ValueError) as fault:
        raise refuse("bad-profile", str(fault)) from None
    if not set(profile.reasons) <= APPROXIMATE:
        raise refuse("bad-profile", f"reasons {', '.join(map(str, profile.reasons))}")
    if not sound:
        raise refuse(
            "bad-profile", f"{profile.um_per_px!r} um per px, {profile.width_px!r} x {profile.height_px!r} px"
        )
    return profile


def _fits(value: Any, kind: str) -> bool:
    """Whether a value that was read is of the kind that a field of the profile is declared as."""
    if kind.endswith(" | None"):
        return value is None or _fits(value, kind.removesuffix(" | None"))
    if kind == "tuple[str, ...]":
        return all(isinstance(one, str) for one in value)
    if kind == "str":
        return isinstance(value, str)
    numbers = int if kind == "int" else (int, float)
    return isinstance(value, numbers) and not isinstance(value, bool) and math.isfinite(value)


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
        "Count the photos of each time with the profile of that time, or calibrate once more",
        ("Agrees", "Differs"),
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


def _check(
    difference: float,
    combined_u: float,
    what: str,
    remedy: str,
    verdicts: tuple[str, str] = ("Passed", "Failed"),
) -> CalibrationCheck:
    allowed = max(DRIFT_ALLOWED, 2 * combined_u)
    passed = abs(difference) <= allowed
    rule = (
        f"Passes when the scales differ by at most {100 * DRIFT_ALLOWED:g} %, or by 2 combined standard "
        f"uncertainties ({200 * combined_u:.2f} % here) where that is more."
    )
    verdict = verdicts[0 if passed else 1]
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

"""The guard at count time: whether a photo belongs to the adapter profile that it is to be counted with."""

from __future__ import annotations

import math

from sporecount.calibration.records import AdapterProfile
from sporecount.records import Photo, RoundView, Scale

_VIEW_MATCH = 0.03
"""Two round views are the same within 3 % of their diameter: what finding the edge on prints can vary."""

_OTHER_RIG_U = 0.03
"""Relative uncertainty of a scale carried over by the round view alone."""


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
    long, short = max(photo.size_px), min(photo.size_px)
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
        reasons=(*profile.reasons, *(one for one in reasons if one not in profile.reasons)),
    )

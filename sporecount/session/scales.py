"""How many µm a pixel of a photo shows, and how well that is known."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from sporecount.records import Photo, Scale, ScaleSource
from sporecount.settings import CountSettings

USUAL_OBJECTIVE = 10.0
"""Taken when nobody says with which objective a photo was made: prints are read at 10x (common practice)."""

_ASSUMED_U = 0.3
"""Relative standard uncertainty of a scale that is a mere assumption. Common practice, no source."""


@dataclass(frozen=True)
class ScaleWish:
    """What is said about a photo's scale before it is looked at. The first that is there holds.

    Parameters
    ----------
    um_per_px : float or None
    source : ScaleSource
        Who said so: "table" or "given".
    profile : dict or None
        Adapter profile, as its file has it.
    objective : float or None
        Magnification.
    """

    um_per_px: float | None = None
    source: ScaleSource = "given"
    profile: dict[str, Any] | None = None
    objective: float | None = None


def find_scale(photo: Photo, wish: ScaleWish, settings: CountSettings) -> Scale:
    """Find the scale of a photo.

    Parameters
    ----------
    photo : Photo
    wish : ScaleWish
    settings : CountSettings
        For the field number.

    Returns
    -------
    Scale

    Notes
    -----
    From the round view: its diameter on the specimen is field number / objective magnification (textbook
    relation). Without a visible edge the view is assumed to reach just to the photo's corners.
    """
    if wish.um_per_px is not None:
        return Scale(um_per_px=wish.um_per_px, source=wish.source, objective=wish.objective)
    from sporecount.chain import find_view

    view = find_view(photo)
    if wish.profile is not None:
        from sporecount.calibration.match import match_profile
        from sporecount.calibration.profile import profile_from_json

        return match_profile(profile_from_json(wish.profile), photo, view)
    objective = wish.objective or USUAL_OBJECTIVE
    if view.measurable and wish.objective is not None:
        from sporecount.calibration.approximate import scale_from_view

        told = scale_from_view(view.radius_px, objective=objective, field_number_mm=settings.field_number_mm)
        return Scale(told.um_per_px, told.um_per_px_u, "view", objective, reasons=told.reasons)
    um_per_px = settings.field_number_mm * 1000 / objective / (2 * view.radius_px)
    return Scale(
        um_per_px=um_per_px,
        um_per_px_u=_ASSUMED_U * um_per_px,
        source="view" if view.measurable else "assumed",
        objective=objective,
        reasons=("uncalibrated", "approximate-scale"),
    )


def plausible(um_per_px: float) -> bool:
    """Tell whether a scale can be that of a photo through a microscope (100x to 1x, any phone)."""
    return math.isfinite(um_per_px) and 0.005 <= um_per_px <= 100

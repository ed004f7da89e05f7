"""A scale without a ruling: from the round view, or from a thing of known length that was marked in the photo."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sporecount.calibration.approximate import Line, scale_from_length, scale_from_view
from sporecount.calibration.plausible import check_length
from sporecount.calibration.profile import approximate_profile
from sporecount.calibration.records import AdapterProfile
from sporecount.errors import CalibrationError
from sporecount.files.whole import write_whole
from sporecount.records import RoundView
from sporecount.session.calibrating import open_photo

LONGEST_THING = 60

_PREVIEW_PX = 1400


@dataclass(frozen=True)
class Seen:
    """What a scale without a ruling needs to know of its photo.

    Parameters
    ----------
    name : str
    width_px, height_px : int
        Upright.
    view : RoundView
    camera : str or None
    focal_length_mm, digital_zoom : float or None
        From Exif.
    preview : bytes
        The photo reduced, JPEG.
    """

    name: str
    width_px: int
    height_px: int
    view: RoundView
    camera: str | None = None
    focal_length_mm: float | None = None
    digital_zoom: float | None = None
    preview: bytes = b""


@dataclass(frozen=True)
class KnownLength:
    """A thing of known length, as it was marked.

    Parameters
    ----------
    length_um : float
    lines_px : tuple of (float, float, float, float)
        x, y of its two ends, once for each time it was marked.
    within_um : float
        The length lies within plus or minus this.
    thing : str
        What it is.
    """

    length_um: float
    lines_px: tuple[Line, ...]
    within_um: float = 0.0
    thing: str = ""


def see(path: Path, name: str | None = None) -> Seen:
    """Look at a photo.

    Raises
    ------
    PhotoError
        A file that is no photo.
    """
    from sporecount.chain import find_view

    photo = open_photo(path, name)
    height, width = photo.rgb.shape[:2]
    return Seen(
        photo.name,
        width,
        height,
        find_view(photo),
        photo.camera,
        photo.focal_length_mm,
        photo.digital_zoom,
        _reduced(photo.rgb),
    )


def _reduced(rgb: np.ndarray) -> bytes:
    import cv2
    import simplejpeg

    zoom = min(1.0, _PREVIEW_PX / max(rgb.shape[:2]))
    size = (max(1, round(rgb.shape[1] * zoom)), max(1, round(rgb.shape[0] * zoom)))
    small = np.ascontiguousarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA))
    return simplejpeg.encode_jpeg(small, quality=85, colorspace="RGB")


def tell_without_ruling(
    seen: Seen,
    *,
    name: str,
    date: str,
    objective: float | None,
    field_number_mm: float,
    known: KnownLength | None = None,
) -> tuple[AdapterProfile, list[str]]:
    """Make an approximate profile.

    Parameters
    ----------
    seen : Seen
    name, date : str
        Of the adapter; ISO 8601.
    objective : float or None
    field_number_mm : float
        Of the eyepiece.
    known : KnownLength, optional
        Without it the round view tells.

    Returns
    -------
    profile : AdapterProfile
    remarks : list of str
        In plain words.

    Raises
    ------
    CalibrationError
        No round view, no objective, ends or a length that are no use, or that the round view contradicts.
    """
    view = seen.view
    radius = view.radius_px if view.measurable else None
    remarks: list[str] = []
    try:
        if known is None:
            scale = scale_from_view(
                radius or 0.0, objective=objective or 0.0, field_number_mm=field_number_mm
            )
        else:
            scale = scale_from_length(
                *known.lines_px,
                length_um=known.length_um,
                length_u_um=known.within_um / math.sqrt(3),  # evenly spread between the bounds
                thing=_plain(known.thing),
                photo_px=(seen.width_px, seen.height_px),
            )
            remarks = check_length(
                known.length_um,
                known.length_um / scale.um_per_px,
                objective=objective,
                field_number_mm=field_number_mm,
                view_radius_px=radius,
            )
    except CalibrationError as fault:
        raise CalibrationError(fault.what, code=fault.code, where=seen.name, remedy=fault.remedy) from None
    profile = approximate_profile(
        scale,
        name=name,
        date=date,
        objective=objective,
        width_px=seen.width_px,
        height_px=seen.height_px,
        view_diameter_px=None if radius is None else 2 * radius,
        field_number_mm=field_number_mm,
        camera=seen.camera,
        focal_length_mm=seen.focal_length_mm,
        digital_zoom=seen.digital_zoom,
    )
    return profile, remarks


def write_rough_certificate(
    path: Path, profile: AdapterProfile, seen: Seen, known: KnownLength | None, remarks: Sequence[str]
) -> None:
    """Write the certificate of an approximate profile, one HTML page that needs nothing else.

    Parameters
    ----------
    path : Path
        Of the page.
    profile, remarks : AdapterProfile, sequence of str
        From `tell_without_ruling`, given `seen` and `known`.
    """
    from sporecount.report.rough_certificate import marked_photo, rough_certificate_html

    lines = known.lines_px if known is not None else ()
    picture = marked_photo(seen.preview, seen.width_px, lines, seen.view if known is None else None)
    page = rough_certificate_html(profile, seen.name, picture, remarks, drawn=known is not None)
    write_whole(path, page)


def _plain(text: str) -> str:
    """Words on one line that any list can show."""
    return " ".join("".join(char if char.isprintable() else " " for char in text).split())[:LONGEST_THING]

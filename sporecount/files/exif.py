"""What a camera writes beside the picture: turning, time, camera, zoom. Broken entries are left out."""

from __future__ import annotations

import contextlib
import math
import warnings
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from PIL import Image

_IFD_EXIF = 0x8769
_MAKE, _MODEL, _ORIENTATION, _DATE_TIME = 0x010F, 0x0110, 0x0112, 0x0132
_DATE_TIME_ORIGINAL, _OFFSET_ORIGINAL, _FOCAL_LENGTH, _DIGITAL_ZOOM = 0x9003, 0x9011, 0x920A, 0xA404


@dataclass(frozen=True)
class CameraFacts:
    """Facts from Exif (CIPA DC-008); None where the camera said nothing usable.

    Parameters
    ----------
    orientation : int
        1 to 8, as Exif counts them; 1 is upright.
    taken_at : str or None
        ISO 8601, with the offset to UTC where the camera gave it.
    camera : str or None
        Maker and model.
    focal_length_mm, digital_zoom : float or None
    """

    orientation: int = 1
    taken_at: str | None = None
    camera: str | None = None
    focal_length_mm: float | None = None
    digital_zoom: float | None = None


def camera_facts(source: Image.Image | bytes | None) -> CameraFacts:
    """Read the facts from an opened picture or from a bare Exif block; never fails.

    Parameters
    ----------
    source : PIL.Image.Image, bytes or None
    """
    if not source:
        return CameraFacts()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a broken entry is dropped in silence: the picture counts
        try:
            if isinstance(source, bytes):
                exif = Image.Exif()
                exif.load(source)
            else:
                exif = source.getexif()
            main = dict(exif)
        except Exception:
            return CameraFacts()
        try:
            detail = dict(exif.get_ifd(_IFD_EXIF))
        except Exception:
            detail = {}
    return CameraFacts(
        orientation=_orientation(main.get(_ORIENTATION)),
        taken_at=_time(detail.get(_DATE_TIME_ORIGINAL) or main.get(_DATE_TIME), detail.get(_OFFSET_ORIGINAL)),
        camera=_camera(main.get(_MAKE), main.get(_MODEL)),
        focal_length_mm=_positive(detail.get(_FOCAL_LENGTH)),
        digital_zoom=_zoom(detail.get(_DIGITAL_ZOOM)),
    )


def _orientation(value: Any) -> int:
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if not isinstance(value, str):
        return ""
    return "".join(char for char in value.split("\0")[0] if char.isprintable()).strip()[:80]


def _camera(make: Any, model: Any) -> str | None:
    maker, name = _text(make), _text(model)
    if name.casefold().startswith(maker.casefold()):
        maker = ""  # many models repeat their maker
    return f"{maker} {name}".strip() or None


def _time(value: Any, offset: Any) -> str | None:
    text = _text(value)
    try:
        moment = datetime.strptime(text, "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    with contextlib.suppress(ValueError):
        moment = datetime.strptime(text + _text(offset), "%Y:%m:%d %H:%M:%S%z")
    return moment.isoformat()


def _positive(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if math.isfinite(number) and number > 0 else None


def _zoom(value: Any) -> float | None:
    # Exif: a ratio with numerator 0 means that digital zoom was not used
    try:
        if value is not None and float(value) == 0:
            return 1.0
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return _positive(value)

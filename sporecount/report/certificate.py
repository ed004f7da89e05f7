"""What a calibration read, for people: the photo with every division marked, charts, a certificate."""

from __future__ import annotations

import base64
import math

import cv2
import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from sporecount.calibration.profile import fingerprint, stated
from sporecount.calibration.records import AdapterProfile, RulingReading
from sporecount.records import SIMULATED_CAMERA
from sporecount.report.scale_map import scale_map

_INK, _SOFT = "var(--chart-ink, #1a2227)", "var(--chart-soft, #505d64)"
"""Colours of the page that a chart is set into, or those of paper."""


_PATTERNS = {"ruler": "Ruler", "cross": "Two rulers that cross", "grid": "Counting grid"}

_ENLARGE = 3.0
"""A small ruling is enlarged this much at most, so that its divisions can be told apart by eye."""

METHOD = (
    "Every line of the ruling was located with sub-pixel precision in many "
    "places along its length. A lattice of "
    "equal divisions, seen through perspective and radial distortion, was "
    "fitted to all lines at once by robust "
    "least squares. The scale holds at the centre of the view. Its standard "
    "uncertainty joins the scatter of the "
    "lines, the freedom of the model and the accuracy of the ruling itself (0.03 %)."
)

CAUTIONS = (
    "The profile holds for this adapter, eyepiece, objective, phone camera, zoom and pixel size only.",
    "Check it with a new photo of the ruling after anything was moved, and now and then in any case.",
    "Counts made with it are a screening aid, not a diagnosis.",
)


def marked_ruling(photo: np.ndarray, reading: RulingReading, long_side_px: int = 1400) -> bytes:
    """Draw every line that was read into the photo.

    Parameters
    ----------
    photo : ndarray of shape (H, W, 3), uint8
        RGB, upright, the one that was read.
    reading : RulingReading
    long_side_px : int
        Of the picture at most.

    Returns
    -------
    bytes
        JPEG of the part of the photo that holds the lines. They are numbered from the first one, each tenth with
        its number; the centre of the view has a cross. Light strokes on dark ones show on any ground.
    """
    left, top, right, bottom = _part_with_lines(reading)
    zoom = min(_ENLARGE, long_side_px / max(right - left, bottom - top))
    size = (round((right - left) * zoom), round((bottom - top) * zoom))
    way = cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC
    picture = cv2.resize(photo[top:bottom, left:right, ::-1], size, interpolation=way)
    picture = np.ascontiguousarray((picture * 0.6 + 90).clip(0, 255).astype(np.uint8))

    def place(x: float, y: float) -> tuple[int, int]:
        return round((x - left + 0.5) * zoom - 0.5), round((y - top + 0.5) * zoom - 0.5)

    labels = []
    for i in range(len(reading.line_number)):
        start = place(reading.line_from_x_px[i], reading.line_from_y_px[i])
        end = place(reading.line_to_x_px[i], reading.line_to_y_px[i])
        tenth = reading.line_number[i] % 10 == 0
        cv2.line(picture, start, end, (30, 20, 0), 3 if tenth else 2, cv2.LINE_AA)
        cv2.line(picture, start, end, (255, 245, 120) if tenth else (250, 215, 60), 1, cv2.LINE_AA)
        if tenth:
            labels.append((str(reading.line_number[i]), start, end))
    for text, start, end in labels:
        _letter_beyond(picture, text, start, end)
    centre = place(reading.center_x_px, reading.center_y_px)
    cv2.drawMarker(picture, centre, (255, 255, 255), cv2.MARKER_CROSS, 26, 4, cv2.LINE_AA)
    cv2.drawMarker(picture, centre, (30, 20, 0), cv2.MARKER_CROSS, 24, 1, cv2.LINE_AA)
    ok, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 85])
    if not ok:
        raise ValueError("the marked picture could not be encoded")
    return data.tobytes()


def _part_with_lines(reading: RulingReading) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of the part of the photo that is shown: the lines with room around them."""
    x = np.concatenate([reading.line_from_x_px, reading.line_to_x_px])
    y = np.concatenate([reading.line_from_y_px, reading.line_to_y_px])
    room = 0.08 * max(float(np.ptp(x)), float(np.ptp(y))) + 30
    # not flatter than 1 to 2, so that a ruler that lies level does not become a ribbon
    high = max(float(np.ptp(y)) + 2 * room, 0.5 * float(np.ptp(x)))
    wide = max(float(np.ptp(x)) + 2 * room, 0.5 * float(np.ptp(y)))
    mid_x, mid_y = (float(one.min() + one.max()) / 2 for one in (x, y))
    return (
        max(0, int(mid_x - wide / 2)),
        max(0, int(mid_y - high / 2)),
        min(reading.width_px, int(mid_x + wide / 2) + 1),
        min(reading.height_px, int(mid_y + high / 2) + 1),
    )


def _letter_beyond(picture: np.ndarray, text: str, start: tuple[int, int], end: tuple[int, int]) -> None:
    """Write a line's number beyond its end."""
    along = np.subtract(end, start) / max(float(np.hypot(*np.subtract(end, start))), 1.0)
    (wide, high), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, 0.6, 1)
    middle = np.array(end) + along * (8 + max(wide, high) / 2)
    at = (round(float(middle[0]) - wide / 2), round(float(middle[1]) + high / 2))
    for colour, width in (((255, 255, 255), 4), ((30, 20, 0), 1)):
        cv2.putText(picture, text, at, cv2.FONT_HERSHEY_SIMPLEX, 0.6, colour, width, cv2.LINE_AA)


def line_charts(reading: RulingReading) -> str:
    """Charts, as one SVG: the residual of each line, and the local length of a division along the ruling."""
    first = reading.line_axis == 0
    place = _along(reading)
    residual = _panel(place, reading.line_residual_px, first, "residual of a line, px", 0)
    local = _panel(place, reading.line_px_per_division, first, "px per division", 1)
    label = "Residual of each line and local length of a division, along the ruling"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 420 330" role="img" aria-label="{label}" '
        f'font-family="sans-serif" font-size="12" fill="{_INK}">{residual}{local}'
        '<text x="241" y="325" text-anchor="middle">distance from the centre of '
        "the view along the ruling, px</text>"
        "</svg>"
    )


def _along(reading: RulingReading) -> np.ndarray:
    """Signed distance of each line's middle from the centre of the view, across the line."""
    dx = (reading.line_from_x_px + reading.line_to_x_px) / 2 - reading.center_x_px
    dy = (reading.line_from_y_px + reading.line_to_y_px) / 2 - reading.center_y_px
    turn = np.deg2rad(reading.angle_deg + 90.0 * reading.line_axis)
    return dx * np.cos(turn) + dy * np.sin(turn)


def _panel(x: np.ndarray, y: np.ndarray, first: np.ndarray, name: str, row: int) -> str:
    left, right, top = 74, 408, 12 + 150 * row
    bottom = top + 120
    pad = 0.08 * float(np.ptp(y)) + 1e-4
    low, high = float(y.min()) - pad, float(y.max()) + pad
    start, end = float(x.min()), float(x.max()) + 1e-9
    sx = left + (x - start) / (end - start) * (right - left)
    sy = bottom - (y - low) / (high - low) * (bottom - top)
    parts = [
        f'<rect x="{left}" y="{top}" width="{right - left}" '
        f'height="{bottom - top}" fill="none" stroke="{_SOFT}"/>'
    ]
    for tick in _ticks(low, high):
        at = bottom - (tick - low) / (high - low) * (bottom - top)
        parts.append(f'<path d="M{left - 4} {at:.1f}H{left}" stroke="{_SOFT}"/>')
        parts.append(f'<text x="{left - 7}" y="{at + 4:.1f}" text-anchor="end">{tick:g}</text>')
    for tick in _ticks(start, end):
        at = left + (tick - start) / (end - start) * (right - left)
        parts.append(f'<text x="{at:.1f}" y="{bottom + 14}" text-anchor="middle">{tick:g}</text>')
    middle = (top + bottom) / 2
    parts.append(f'<text transform="translate(12 {middle}) rotate(-90)" text-anchor="middle">{name}</text>')
    for px, py, one in zip(sx, sy, first, strict=True):
        fill = _INK if one else "none"
        parts.append(f'<circle cx="{px:.1f}" cy="{py:.1f}" r="2.2" fill="{fill}" stroke="{_INK}"/>')
    return "".join(parts)


def _ticks(low: float, high: float) -> list[float]:
    raw = (high - low) / 5
    unit = 10.0 ** math.floor(math.log10(raw))
    step = next(unit * one for one in (1, 2, 5, 10) if unit * one >= raw)
    first = math.ceil(low / step)
    return [round(n * step, 10) for n in range(first, math.floor(high / step) + 1)]


def template(name: str) -> Template:
    """Give a template of the report; every text is escaped."""
    room = Environment(
        loader=PackageLoader("sporecount.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    room.globals["simulated_camera"] = SIMULATED_CAMERA
    return room.get_template(name)


def certificate_html(
    profile: AdapterProfile, readings: list[tuple[str, RulingReading]], pictures: list[bytes]
) -> bytes:
    """Write the certificate of a calibration: one page, self-contained, for screen and paper.

    Parameters
    ----------
    profile : AdapterProfile
    readings : list of (str, RulingReading)
        Name of each photo and what was read from it, the ones left out among them.
    pictures : list of bytes
        From `marked_ruling`, in the order of the readings; may be shorter.
    """
    half = math.hypot(profile.width_px, profile.height_px) / 2
    rim = (profile.view_diameter_px / 2 if profile.view_diameter_px else half) / half
    shown = [
        {
            "name": label,
            "reading": one,
            "left_out": label in profile.left_out,
            "second": bool((one.line_axis == 1).any()),
            "picture": base64.b64encode(pictures[i]).decode() if i < len(pictures) else "",
            "charts": Markup(line_charts(one)),  # both made from numbers only
            "map": Markup(scale_map(one)),
        }
        for i, (label, one) in enumerate(readings)
    ]
    return (
        template("certificate.html")
        .render(
            profile=profile,
            readings=shown,
            fingerprint=fingerprint(profile),
            method=METHOD,
            cautions=CAUTIONS,
            patterns=_PATTERNS,
            rim_percent=100 * 3 * profile.k1 * rim**2,
            stated=stated,
            relative_percent=100 * profile.um_per_px_u / profile.um_per_px,
        )
        .encode()
    )

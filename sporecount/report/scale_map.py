"""Map of how the scale changes over the photo of a ruling, as SVG for the certificate."""

from __future__ import annotations

import numpy as np

from sporecount.calibration.distortion import relative_scale
from sporecount.calibration.records import RulingReading

_WIDE = 420
_COLUMNS = 9
_INK, _SOFT, _FILL = "var(--chart-ink, #1a2227)", "var(--chart-soft, #505d64)", "var(--chart-fill, #9fb3b6)"


def scale_map(reading: RulingReading) -> str:
    """Draw the photo's frame in fields, each with the scale there against the centre, in percent.

    Parameters
    ----------
    reading : RulingReading

    Returns
    -------
    str
        SVG. Darker fields differ more; strokes are the lines that were read; numbers far from all of them, which
        follow from the fit alone, are pale. Fields outside the round view stay empty.
    """
    zoom = _WIDE / reading.width_px
    high = reading.height_px * zoom
    rows = max(3, round(_COLUMNS * high / _WIDE))
    size_x, size_y = reading.width_px / _COLUMNS, reading.height_px / rows
    y, x = np.meshgrid((np.arange(rows) + 0.5) * size_y, (np.arange(_COLUMNS) + 0.5) * size_x, indexing="ij")
    change = 100 * (relative_scale(reading, x, y) - 1)
    shown = _in_view(reading, x, y)
    near = _nearest_line(reading, x, y) < 0.75 * max(size_x, size_y)
    top = max(0.5, float(np.abs(change[shown]).max(initial=0.0)))
    parts = []
    for place in np.argwhere(shown):
        row, column = (int(one) for one in place)
        left, upper = column * size_x * zoom, row * size_y * zoom
        depth = abs(float(change[row, column])) / top
        parts.append(
            f'<rect x="{left:.1f}" y="{upper:.1f}" width="{size_x * zoom:.1f}" height="{size_y * zoom:.1f}" '
            f'fill="{_FILL}" fill-opacity="{0.75 * depth:.2f}" stroke="{_SOFT}" stroke-opacity="0.35"/>'
        )
    for i in range(len(reading.line_number)):
        parts.append(
            f'<path d="M{reading.line_from_x_px[i] * zoom:.1f} {reading.line_from_y_px[i] * zoom:.1f}'
            f'L{reading.line_to_x_px[i] * zoom:.1f} {reading.line_to_y_px[i] * zoom:.1f}" '
            f'stroke="{_INK}" stroke-opacity="0.45"/>'
        )
    for place in np.argwhere(shown):
        row, column = (int(one) for one in place)
        look = f'fill="{_INK}" font-weight="650"' if near[row, column] else f'fill="{_SOFT}"'
        parts.append(
            f'<text x="{(column + 0.5) * size_x * zoom:.1f}" y="{(row + 0.5) * size_y * zoom + 4:.1f}" '
            f'text-anchor="middle" {look}>{_signed(float(change[row, column]))}</text>'
        )
    label = (
        "Scale over the photo against the centre of the view, "
        f"from {_signed(float(change[shown].min(initial=0.0)))} to "
        f"{_signed(float(change[shown].max(initial=0.0)))} percent"
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-2 -2 {_WIDE + 4} {high + 4:.0f}" role="img" '
        f'aria-label="{label}" font-family="sans-serif" font-size="12.5">{"".join(parts)}{_rim(reading, zoom)}'
        f'<rect width="{_WIDE}" height="{high:.1f}" fill="none" stroke="{_SOFT}"/></svg>'
    )


def _signed(percent: float) -> str:
    text = f"{percent:+.1f}"
    return "0.0" if text in ("+0.0", "-0.0") else text.replace("-", "\N{MINUS SIGN}")


def _in_view(reading: RulingReading, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    if reading.view_radius_px is None:
        return np.ones(x.shape, bool)
    return np.hypot(x - reading.center_x_px, y - reading.center_y_px) < 0.92 * reading.view_radius_px


def _rim(reading: RulingReading, zoom: float) -> str:
    if reading.view_radius_px is None:
        return ""
    return (
        f'<circle cx="{reading.center_x_px * zoom:.1f}" cy="{reading.center_y_px * zoom:.1f}" '
        f'r="{reading.view_radius_px * zoom:.1f}" fill="none" stroke="{_INK}" stroke-width="1.5"/>'
    )


def _nearest_line(reading: RulingReading, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Distance of places from the nearest piece of line, px."""
    start = np.column_stack((reading.line_from_x_px, reading.line_from_y_px))
    along = np.column_stack((reading.line_to_x_px, reading.line_to_y_px)) - start
    place = np.column_stack((x.ravel(), y.ravel()))[:, None] - start[None]
    share = (place * along).sum(axis=2) / np.maximum((along**2).sum(axis=1), 1e-9)
    miss = place - np.clip(share, 0, 1)[..., None] * along[None]
    nearest: np.ndarray = np.hypot(miss[..., 0], miss[..., 1]).min(axis=1).reshape(x.shape)
    return nearest

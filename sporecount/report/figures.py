"""Small drawn figures of a print: its load on a ruler of the load classes, the class probabilities, its map."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np

from sporecount.records import PrintTally
from sporecount.report.drawing import nice_length
from sporecount.report.words import LOAD_CLASSES, about, in_100

_STARTS = (0, 1, 2, 21, 101, 1001)
"""First number of spores of each load class."""
_TOP = 100_000.0


def _at(spores: float) -> float:
    """Place of a number of spores on the ruler: logarithmic, with room for 0."""
    return 14 + 330 * math.log10(1 + min(max(spores, 0.0), _TOP)) / math.log10(1 + _TOP)


def load_ruler_svg(tally: PrintTally, print_area_mm2: float) -> str:
    """Draw the load of a whole print with its interval on a ruler of the load classes.

    A dot and a solid line for the estimate and its 95 % interval, a dotted line with a bracket for what could
    be there all the same. Classes 4 and 5 are hatched. Needs the patterns of the page around it.

    Returns
    -------
    str
        SVG element; empty when nothing is known of the load.
    """
    best = tally.density_per_mm2 * print_area_mm2
    hide = tally.could_hide_per_mm2 * print_area_mm2
    low, high = tally.load_low, tally.load_high
    if not (math.isfinite(low) and math.isfinite(high)):
        low, high = tally.density_low * print_area_mm2, tally.density_high * print_area_mm2
    if not math.isfinite(best) or not (math.isfinite(high) or math.isfinite(hide)):
        return ""
    words = [f"about {about(best)} spores on the whole print"]
    if math.isfinite(low) and math.isfinite(high):
        words.append(f"95 % interval {about(low)} to {about(high, up=True)}")
    if math.isfinite(hide):
        words.append(f"up to {about(hide, up=True)} could be there")
    label = "Load: " + ", ".join(words)
    parts = [f'<svg class="ruler" viewBox="0 0 360 82" role="img" aria-label="{escape(label)}">']
    ends = [*(_at(start) for start in _STARTS[1:]), 346.0]
    for number, (start, end) in enumerate(zip((_at(0) - 8, *ends[:-1]), ends, strict=True)):
        kind = "heavy" if number >= 4 else "even" if number % 2 == 0 else "odd"
        parts.append(f'<rect class="band {kind}" x="{start:.1f}" y="38" width="{end - start:.1f}" height="16"/>')
        parts.append(f'<text class="band-name" x="{(start + end) / 2:.1f}" y="50.5">{number}</text>')
    for spores in (1, 10, 100, 1000, 10_000):
        parts.append(f'<path class="tick" d="M{_at(spores):.1f} 54v5"/>')
        parts.append(f'<text x="{_at(spores):.1f}" y="70" text-anchor="middle">{spores:,}</text>')
    if math.isfinite(hide):
        parts.append(f'<path class="hide" d="M{_at(0):.1f} 10H{_at(hide):.1f}"/>')
        parts.append(f'<path class="end" d="M{_at(hide):.1f} 4v12"/>')
    if math.isfinite(low) and math.isfinite(high):
        parts.append(f'<path class="span" d="M{_at(low):.1f} 26H{_at(high):.1f}"/>')
    if tally.spores:
        parts.append(f'<circle class="best" cx="{_at(best):.1f}" cy="26" r="5"/>')
    else:
        parts.append(f'<circle class="best hollow" cx="{_at(0):.1f}" cy="26" r="4.5"/>')
    return "".join(parts) + "</svg>"


def class_bars_svg(tally: PrintTally) -> str:
    """Draw the probabilities of the load classes as bars; classes 4 and 5 hatched.

    Returns
    -------
    str
        SVG element; empty without probabilities.
    """
    probability = tally.load_class_probability
    if len(probability) != len(LOAD_CLASSES) or not np.isfinite(probability).all():
        return ""
    spoken = ", ".join(f"class {number} {in_100(one)}" for number, one in enumerate(probability))
    parts = [f'<svg class="classes" viewBox="0 0 360 132" role="img" aria-label="Load class: {escape(spoken)}">']
    for number, (words, one) in enumerate(zip(LOAD_CLASSES, probability, strict=True)):
        y = 4 + 21 * number
        length = 150 * min(1.0, max(0.0, one))
        kind = "heavy" if number >= 4 else "odd"
        parts.append(f'<text x="6" y="{y + 13}"><tspan class="strong">{number}</tspan>  {escape(words)}</text>')
        parts.append(f'<path class="tick" d="M104 {y}v17"/>')
        if length >= 0.5:
            parts.append(f'<rect class="band {kind}" x="104" y="{y + 1}" width="{length:.1f}" height="15"/>')
        parts.append(f'<text x="{112 + length:.1f}" y="{y + 13}">{in_100(one)}</text>')
    return "".join(parts) + "</svg>"


@dataclass(frozen=True)
class FieldPlace:
    """Where a field lies on the map of its print.

    Parameters
    ----------
    number : int
        Of the field.
    x_um, y_um : float
        Centre of the view, y downwards.
    radius_um : float
    spores_um : ndarray of shape (n, 2)
        x, y of the counted spores.
    left_out_um : sequence of ndarray of shape (k, 2)
        Outlines of what was left out.
    """

    number: int
    x_um: float
    y_um: float
    radius_um: float
    spores_um: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))
    left_out_um: Sequence[np.ndarray] = ()


def print_map_svg(places: Sequence[FieldPlace], name: str = "print") -> str:
    """Draw the map of a print: views as circles, spores as dots, left-out parts hatched, a scale bar.

    Parameters
    ----------
    places : sequence of FieldPlace
    name : str
        Of the print, for the spoken label.

    Returns
    -------
    str
        SVG element that stands alone; empty without fields.
    """
    known = [one for one in places if np.isfinite([one.x_um, one.y_um, one.radius_um]).all() and one.radius_um > 0]
    if not known:
        return ""
    left, right = min(one.x_um - one.radius_um for one in known), max(one.x_um + one.radius_um for one in known)
    top, bottom = min(one.y_um - one.radius_um for one in known), max(one.y_um + one.radius_um for one in known)
    zoom = 600 / max(right - left, bottom - top)
    width, height = (right - left) * zoom + 24, (bottom - top) * zoom + 58

    def place(x_um: float, y_um: float) -> tuple[float, float]:
        return (x_um - left) * zoom + 12, (y_um - top) * zoom + 12

    spores = sum(len(one.spores_um) for one in known)
    label = f"Map of {name}: {len(known)} fields, {spores} spores"
    parts = [
        f'<svg class="map" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" role="img" '
        f'aria-label="{escape(label)}">',
        '<defs><pattern id="map-left-out" width="6" height="6" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><path d="M0 0V6" style="stroke:var(--chart-soft, #5b686f);stroke-width:1.4"/>'
        "</pattern></defs>",
    ]
    for one in known:
        x, y = place(one.x_um, one.y_um)
        parts.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{one.radius_um * zoom:.1f}" '
            'style="fill:none;stroke:var(--chart-ink, #1a2227);stroke-width:1.2"/>'
        )
        for outline in one.left_out_um:
            corners = " ".join("{:.1f},{:.1f}".format(*place(*corner)) for corner in np.asarray(outline, float))
            parts.append(
                f'<polygon points="{corners}" style="fill:url(#map-left-out);stroke:var(--chart-soft, #5b686f);'
                'stroke-width:0.8;stroke-dasharray:3 2"/>'
            )
    for one in known:
        dots = "".join(
            "M{:.1f} {:.1f}h0".format(*place(*spot)) for spot in np.asarray(one.spores_um, float) if np.isfinite(spot).all()
        )
        if dots:
            parts.append(
                f'<path d="{dots}" style="stroke:var(--chart-ink, #1a2227);stroke-width:3.4;stroke-linecap:round"/>'
            )
        x, y = place(one.x_um, one.y_um - one.radius_um)
        parts.append(
            f'<text x="{x:.1f}" y="{y + 17:.1f}" text-anchor="middle" style="fill:var(--chart-ink, #1a2227);'
            f'font:bold 13px sans-serif">{one.number}</text>'
        )
    bar_um = nice_length(0.3 * (right - left))
    words = f"{bar_um / 1000:g} mm" if bar_um >= 1000 else f"{bar_um:g} µm"
    y = height - 26
    parts.append(
        f'<path d="M12 {y:.1f}h{bar_um * zoom:.1f}" style="stroke:var(--chart-ink, #1a2227);stroke-width:4"/>'
        f'<text x="12" y="{y + 18:.1f}" style="fill:var(--chart-ink, #1a2227);font:13px sans-serif">{words}</text>'
    )
    return "".join(parts) + "</svg>"

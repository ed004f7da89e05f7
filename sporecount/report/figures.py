"""Small drawn figures of a print: its load on a ruler of the load classes, and the class probabilities."""

from __future__ import annotations

import math
from html import escape

import numpy as np

from sporecount.records import PrintTally
from sporecount.report.phrases import LOAD_CLASSES, about, in_100
from sporecount.report.words import print_case

_STARTS = (0, 1, 2, 21, 101, 1001)
"""First number of spores of each load class."""
_TOP = 100_000.0


def _at(spores: float) -> float:
    """Place of a number of spores on the ruler: logarithmic, with room for 0."""
    return 14 + 330 * math.log10(1 + min(max(spores, 0.0), _TOP)) / math.log10(1 + _TOP)


def load_ruler_svg(tally: PrintTally) -> str:
    """Draw the load of a whole print with its interval on a ruler of the load classes.

    A dot and a solid line for the estimate and its 95 % interval; where none was found, a dotted line with a
    bracket for what could be there all the same. Classes 4 and 5 are hatched. Needs the patterns of the page
    around it.

    Returns
    -------
    str
        SVG element; empty when nothing is known of the load.
    """
    best = tally.density_per_mm2 * tally.print_area_mm2
    none = print_case(tally) == "none"
    hide = tally.could_hide if none else math.nan
    low, high = (math.nan, math.nan) if none else (tally.load_low, tally.load_high)
    if not math.isfinite(best) or not (math.isfinite(high) or math.isfinite(hide)):
        return ""
    words = ["no sure spore found" if none else f"about {about(best)} spores on the whole print"]
    if math.isfinite(low) and math.isfinite(high):
        words.append(f"95 % interval {about(low)} to {about(high, up=True)}")
    if math.isfinite(hide):
        words.append(f"up to {about(hide, up=True)} could be there")
    label = "Load: " + ", ".join(words)
    parts = [f'<svg class="ruler" viewBox="0 0 360 82" role="img" aria-label="{escape(label)}">']
    ends = [*(_at(start) for start in _STARTS[1:]), 346.0]
    for number, (start, end) in enumerate(zip((_at(0) - 8, *ends[:-1]), ends, strict=True)):
        kind = "heavy" if number >= 4 else "even" if number % 2 == 0 else "odd"
        parts.append(
            f'<rect class="band {kind}" x="{start:.1f}" y="38" width="{end - start:.1f}" height="16"/>'
        )
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
    parts = [
        f'<svg class="classes" viewBox="0 0 360 132" role="img" aria-label="Load class: {escape(spoken)}">'
    ]
    for number, (words, one) in enumerate(zip(LOAD_CLASSES, probability, strict=True)):
        y = 4 + 21 * number
        length = 150 * min(1.0, max(0.0, one))
        kind = "heavy" if number >= 4 else "odd"
        parts.append(
            f'<text x="6" y="{y + 13}"><tspan class="strong">{number}</tspan>  {escape(words)}</text>'
        )
        parts.append(f'<path class="tick" d="M104 {y}v17"/>')
        if length >= 0.5:
            parts.append(f'<rect class="band {kind}" x="104" y="{y + 1}" width="{length:.1f}" height="15"/>')
        parts.append(f'<text x="{112 + length:.1f}" y="{y + 13}">{in_100(one)}</text>')
    return "".join(parts) + "</svg>"

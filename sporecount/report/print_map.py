"""The map of a print: where its fields lie, the spores in them, and what was left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from html import escape

import numpy as np

from sporecount.report.drawing import nice_length

_LOOK = (
    ".map{--c:var(--chart-ink,#1a2227);--s:var(--chart-soft,#505d64)}"
    ".map .view{fill:none;stroke:var(--c);stroke-width:1.2}"
    ".map .hatch{stroke:var(--s);stroke-width:1.4}"
    ".map .left-out{stroke:var(--s);stroke-width:.8;stroke-dasharray:3 2}"
    ".map .spores{stroke:var(--c);stroke-width:3.4;stroke-linecap:round}"
    ".map .whole{fill:none;stroke:var(--c);stroke-width:1.6;stroke-dasharray:7 3}"
    ".map .bar{stroke:var(--c);stroke-width:4}"
    ".map text{fill:var(--c);font:17px sans-serif}"
    ".map .number{font-weight:bold;text-anchor:middle}"  # its size goes into _NUMBER_PX and _MARGIN_PX
)
_NUMBER_PX = 12
"""From a circle to the middle of its number."""
_MARGIN_PX = 26
"""Around the map, wide enough for the numbers outside the circles."""
_AROUND = np.radians([-90, -60, -120, -30, -150, 0, 180, 30, 150, 60, 120, 90])
"""Where a field's number may stand on its circle, from +x towards +y, the favourite first."""


@dataclass(frozen=True)
class FieldPlace:
    """Where a field lies on the map of its print.

    Parameters
    ----------
    number : int or str
        Of the field, or those of all photos of the place.
    x_um, y_um : float
        Centre of the view, y downwards.
    radius_um : float
    spores_um : ndarray of shape (n, 2)
        x, y of the counted spores.
    left_out_um : sequence of ndarray of shape (k, 2)
        Outlines of what was left out.
    """

    number: int | str
    x_um: float
    y_um: float
    radius_um: float
    spores_um: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))
    left_out_um: Sequence[np.ndarray] = ()


@dataclass(frozen=True)
class WholePrint:
    """Outline of a print, as its overview photos show it.

    Parameters
    ----------
    outlines_um : sequence of ndarray of shape (k, 2)
    measured : bool
        Whether the print's area was taken from them; else they may be a part of it.
    """

    outlines_um: Sequence[np.ndarray]
    measured: bool

    @property
    def words(self) -> str:
        """What the outline shows."""
        return "outline of the whole print" if self.measured else "what the overview shows of the print"


def print_map_svg(places: Sequence[FieldPlace], name: str = "print", whole: WholePrint | None = None) -> str:
    """Draw the map of a print: views as circles, spores as dots, left-out parts hatched, a scale bar.

    The outline of the whole print stands to their right, at the same scale: where on it the fields lie is
    not known.

    Parameters
    ----------
    places : sequence of FieldPlace
    name : str
        Of the print, for the spoken label.
    whole : WholePrint, optional

    Returns
    -------
    str
        SVG element that stands alone; empty without fields.
    """
    known = [
        one for one in places if np.isfinite([one.x_um, one.y_um, one.radius_um]).all() and one.radius_um > 0
    ]
    if not known:
        return ""
    left, right = (
        min(one.x_um - one.radius_um for one in known),
        max(one.x_um + one.radius_um for one in known),
    )
    top, bottom = (
        min(one.y_um - one.radius_um for one in known),
        max(one.y_um + one.radius_um for one in known),
    )
    beside_um = right
    if whole is not None:
        corners_um = np.concatenate([np.asarray(one, float) for one in whole.outlines_um])
        low_um, size_um = corners_um.min(axis=0), np.ptp(corners_um, axis=0)
        beside_um = right + 0.06 * max(right - left, float(size_um[0]))
        shift_um = np.array([beside_um, top]) - low_um
        right, bottom = beside_um + float(size_um[0]), max(bottom, top + float(size_um[1]))
    zoom = 600 / max(right - left, bottom - top)
    width, height = (right - left) * zoom + 2 * _MARGIN_PX, (bottom - top) * zoom + 2 * _MARGIN_PX + 46

    def place(x_um: float, y_um: float) -> tuple[float, float]:
        return (x_um - left) * zoom + _MARGIN_PX, (y_um - top) * zoom + _MARGIN_PX

    spores = sum(len(one.spores_um) for one in known)
    label = f"Map of {name}: {len(known)} fields, {spores} spores"
    if whole is not None:
        label += f"; {whole.words}"
    hatch = f"left-out-{sha256(name.encode('utf-8', 'replace')).hexdigest()[:12]}"  # maps of one page differ
    parts = [
        f'<svg class="map" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" '
        f'role="img" aria-label="{escape(label)}">',
        f"<style>{_LOOK}</style>"
        f'<defs><pattern id="{hatch}" width="6" height="6" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><path d="M0 0V6" class="hatch"/>'
        "</pattern></defs>",
    ]
    for one in known:
        x, y = place(one.x_um, one.y_um)
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{one.radius_um * zoom:.1f}" class="view"/>')
        for outline in one.left_out_um:
            corners = " ".join(
                "{:.1f},{:.1f}".format(*place(*corner)) for corner in np.asarray(outline, float)
            )
            parts.append(f'<polygon points="{corners}" class="left-out" fill="url(#{hatch})"/>')
    circles = np.array([(*place(one.x_um, one.y_um), one.radius_um * zoom) for one in known])
    numbers = _number_places(circles, [len(str(one.number)) > 2 for one in known])
    for one, (x, y) in zip(known, numbers.tolist(), strict=True):
        dots = "".join(
            "M{:.1f} {:.1f}h0".format(*place(*spot))
            for spot in np.asarray(one.spores_um, float)
            if np.isfinite(spot).all()
        )
        if dots:
            parts.append(f'<path d="{dots}" class="spores"/>')
        parts.append(
            f'<text x="{x:.1f}" y="{y + 6:.1f}" text-anchor="middle" class="number">'
            f"{escape(str(one.number))}</text>"
        )
    if whole is not None:
        path = "".join(
            "M" + "L".join("{:.1f} {:.1f}".format(*place(*corner)) for corner in one + shift_um) + "z"
            for one in whole.outlines_um
        )
        parts.append(f'<path d="{path}" class="whole"/>')
        parts.append(
            f'<text x="{width - _MARGIN_PX:.1f}" y="{height - 10:.1f}" text-anchor="end" class="words">'
            f"{escape(whole.words)}</text>"
        )
    bar_um = nice_length(0.3 * (right - left))
    words = f"{bar_um / 1000:g} mm" if bar_um >= 1000 else f"{bar_um:g} µm"
    y = height - 34
    parts.append(
        f'<path d="M{_MARGIN_PX} {y:.1f}h{bar_um * zoom:.1f}" class="bar"/>'
        f'<text x="{_MARGIN_PX}" y="{y + 24:.1f}" class="words">{words}</text>'
    )
    return "".join(parts) + "</svg>"


def _number_places(circles: np.ndarray, wide: Sequence[bool]) -> np.ndarray:
    """Give the middles of the circles' numbers: outside all circles, where that can be, so that no dot is there.

    Parameters
    ----------
    circles : ndarray of shape (n, 3)
        x, y and radius on the map.
    wide : sequence of bool
        Whether a circle's number, or the several that share it, is too wide to stand at its side.

    Returns
    -------
    ndarray of shape (n, 2)
    """
    ways = np.column_stack((np.cos(_AROUND), np.sin(_AROUND)))
    taken = np.zeros((0, 2))
    for (x, y, radius), too_wide in zip(circles.tolist(), wide, strict=True):
        spots = (x, y) + (radius + _NUMBER_PX) * ways
        off = np.hypot(*(spots[:, None] - circles[:, :2]).transpose(2, 0, 1)) - circles[:, 2]
        room = np.minimum(off.min(axis=1), _NUMBER_PX - 1e-9)
        if len(taken):
            # a number of two digits is some 20 wide
            apart = np.hypot(*(spots[:, None] - taken).transpose(2, 0, 1)).min(axis=1)
            room = np.minimum(room, apart - 20)
        if too_wide:  # above or below, then
            room[np.abs(ways[:, 0]) > 0.6] = -np.inf
        taken = np.vstack((taken, spots[int(np.argmax(np.round(room, 3)))]))
    return taken

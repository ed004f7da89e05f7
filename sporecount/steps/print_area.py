"""Area of a whole print: entered, measured on overview photos, or the stated default with its range."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Literal

from sporecount.records import PrintTally
from sporecount.settings import CountSettings
from sporecount.stats.captured import PrintArea
from sporecount.steps.extent import PrintExtent

AreaSource = Literal["entered", "measured", "default"]

_DEFAULT_MM2 = next(knob.default for knob in fields(CountSettings) if knob.name == "print_area_mm2")
_DEFAULT_RANGE = (2 / 3, 3 / 2)
"""Prints of an abdomen differ in area by about that factor to each side (from memory)."""
_ENTERED_RANGE = (0.9, 1.1)
"""An area that somebody entered was measured with a ruler, to about a tenth (common practice)."""

OF_AREA = ("overview-scale", "overview-unclear", "overview-too-narrow", "area-contradicted")
"""Reasons that the area of a print adds."""


@dataclass(frozen=True)
class KnownArea:
    """Area of a print and where it comes from.

    Parameters
    ----------
    area : PrintArea
    source : {"entered", "measured", "default"}
    reasons : tuple of str
        Codes of what overview photos could not tell.
    outlines_um : tuple
        As in `PrintTally.print_outlines_um`.
    """

    area: PrintArea
    source: AreaSource
    reasons: tuple[str, ...] = ()
    outlines_um: tuple[tuple[tuple[float, float], ...], ...] = ()


def print_area(
    settings: CountSettings, extent: PrintExtent | None = None, entered_mm2: float | None = None
) -> KnownArea:
    """Choose the area of a print.

    What was entered for this very print goes first, then what its overview photos show, then the area set
    for all prints, then the default. Where a print reaches beyond its overview photos, the default is raised
    to the part that they show.

    Parameters
    ----------
    settings : CountSettings
    extent : PrintExtent, optional
        Of the print's overview photos.
    entered_mm2 : float, optional
        Of this print, as somebody measured it.
    """
    outlines, reasons = _outlines(extent), (extent.reason,) if extent is not None and extent.reason else ()
    if entered_mm2 is not None:
        return KnownArea(_around(entered_mm2, _ENTERED_RANGE), "entered", (), outlines)
    if extent is not None and not extent.reason:
        area = PrintArea(extent.area_mm2, extent.low_mm2, extent.high_mm2)
        return KnownArea(area, "measured", (), outlines)
    if settings.print_area_mm2 != _DEFAULT_MM2:
        return KnownArea(_around(settings.print_area_mm2, _ENTERED_RANGE), "entered", reasons, outlines)
    area = _around(_DEFAULT_MM2, _DEFAULT_RANGE)
    if extent is not None and extent.at_least_mm2 > area.low:
        shown = extent.at_least_mm2
        area = PrintArea(max(area.mm2, shown), shown, max(area.high, shown * _DEFAULT_RANGE[1]))
    return KnownArea(area, "default", reasons, outlines)


def _outlines(extent: PrintExtent | None) -> tuple[tuple[tuple[float, float], ...], ...]:
    """Outlines to a tenth of a um, as plain numbers."""
    if extent is None:
        return ()
    return tuple(
        tuple((round(float(x), 1), round(float(y), 1)) for x, y in one) for one in extent.outlines_um
    )


def area_of(tally: PrintTally) -> KnownArea:
    """Give the area that a tally rests on, for tallying its print again."""
    area = PrintArea(tally.print_area_mm2, tally.print_area_low_mm2, tally.print_area_high_mm2)
    reasons = tuple(code for code in tally.reasons if code in OF_AREA)
    return KnownArea(area, tally.print_area_source, reasons, tally.print_outlines_um)


def at_least_examined(known: KnownArea, examined_mm2: float) -> KnownArea:
    """Raise an area below which more was examined than there is, and say that one of the two is wrong.

    Fields at the border of a print hold some bare card, so the upper end of the area is the measure.
    """
    if examined_mm2 <= known.area.high:
        return known
    raised = PrintArea(examined_mm2, examined_mm2, examined_mm2 * _DEFAULT_RANGE[1])
    return replace(known, area=raised, source="default", reasons=(*known.reasons, "area-contradicted"))


def _around(mm2: float, shares: tuple[float, float]) -> PrintArea:
    return PrintArea(mm2, mm2 * shares[0], mm2 * shares[1])

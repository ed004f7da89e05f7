"""What a keeper reads of a whole session: which print needs a person first, and which to photograph next."""

from __future__ import annotations

import math
from collections.abc import Sequence

from sporecount.records import PrintTally
from sporecount.report.phrases import plural
from sporecount.report.words import PrintCase, doubts_decide, print_case

_ATTENTION: dict[PrintCase, int] = {
    "heavy": 0, "unusable": 1, "doubtful": 2, "many": 3, "few": 4, "none": 5,
}  # fmt: skip


def attention_order(prints: Sequence[PrintTally]) -> list[PrintTally]:
    """Sort prints by what needs a person first.

    Likely heavy loads, then prints that must be photographed or taken again, then those that rest on
    doubtful objects, then spores found, then none found; among equals those to be looked at again first, then
    by density and name.
    """

    def key(tally: PrintTally) -> tuple[int, int, float, str]:
        density = tally.density_per_mm2 if math.isfinite(tally.density_per_mm2) else 0.0
        return _ATTENTION[print_case(tally)], 0 if tally.flag != "clear" else 1, -density, tally.sample

    return sorted(prints, key=key)


def next_print_words(prints: Sequence[PrintTally], *, by_people: bool = False) -> str:
    """Say which print to photograph next when time is short, and whose doubtful objects go before photos.

    Parameters
    ----------
    prints : sequence of PrintTally
    by_people : bool
        Whether readers' decisions are in them.
    """
    said_by = "With readers' decisions" if by_people else "As counted"
    waiting = [tally for tally in prints if print_case(tally) == "unusable"]
    still_open = [tally for tally in prints if tally.heavy_verdict == "open" and tally not in waiting]
    if not waiting and not still_open:
        return f"{said_by}, it is decided for every print whether its load is heavy." if prints else ""
    doubtful = [tally for tally in still_open if doubts_decide(tally)]
    settle = f"Settle the doubtful objects of {', '.join(map(_name, doubtful))} before taking more photos of "
    settle += "it." if len(doubtful) == 1 else "them."
    order = sorted(
        (tally for tally in still_open if tally not in doubtful),
        key=lambda tally: (-tally.next_field_bits, tally.sample),
    )
    named = [_name(tally) for tally in (*waiting, *order)]
    if not named:
        return settle
    words = f"{said_by}, when time is short, photograph next: {', then '.join(named[:3])}"
    if len(named) > 3:
        words += f" ({len(named) - 3} more are open)"
    if order:
        words += ". One more field there tells most about whether a load is heavy."
    else:
        words += ". The others are decided." if len(waiting) < len(prints) and not doubtful else "."
    return f"{words} {settle}" if doubtful else words


def _name(tally: PrintTally) -> str:
    return tally.sample or "the print without a name"


def simulated_words(simulated: int, photos: int) -> str:
    """Say that photos are simulated; empty where none is.

    Parameters
    ----------
    simulated, photos : int
        Simulated ones, of all.
    """
    if not simulated:
        return ""
    which = "Simulated photos" if simulated == photos else f"Simulated photos ({simulated} of {photos})"
    return f"{which}: a program drew them, so they tell nothing of any animal."


def session_sentences(prints: Sequence[PrintTally], photos: int, failed: int) -> list[str]:
    """Sum a session up: what was counted, what needs attention, what could not be used.

    Parameters
    ----------
    prints : sequence of PrintTally
    photos : int
        Counted photos.
    failed : int
        Photos that could not be used.
    """
    cases = [print_case(tally) for tally in prints]
    lines = [f"{plural(len(prints), 'print')} from {plural(photos, 'photo')}."]
    for case, one, more in (
        ("heavy", "shows a likely heavy load", "show likely heavy loads"),
        ("doubtful", "rests on doubtful objects", "rest on doubtful objects"),
        ("many", "shows more than a few spores", "show more than a few spores"),
        ("few", "shows few spores", "show few spores"),
        ("none", "shows no spore", "show no spore"),
        ("unusable", "gives no verdict", "give no verdict"),
    ):
        number = cases.count(case)  # type: ignore[arg-type]
        if number:
            lines.append(f"{number} {one if number == 1 else more}.")
    again = sum(tally.flag == "recheck" for tally in prints)
    if again:
        lines.append(f"{again} {'needs' if again == 1 else 'need'} a second look.")
    if failed:
        lines.append(f"{plural(failed, 'photo')} could not be used.")
    return lines

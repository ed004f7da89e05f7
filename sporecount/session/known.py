"""Prints of known load among the others: controls that show whether spores are found."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence

from sporecount.files.session_table import TableRow
from sporecount.records import PrintTally

_KNOWN = re.compile(r"known\s+(?:(positive)|(\d+)(?:\s*(?:-|\u2013|to)\s*(\d+))?)", re.IGNORECASE)


def known_range(photos: Iterable[str], rows: Mapping[str, TableRow]) -> tuple[float, float] | None:
    """Read the known number of spores on a print from a note on one of its photos.

    "known 150-300" is a range, "known 200" that number to a quarter, "known positive" at least one spore.

    Returns
    -------
    (low, high) or None
        None for a print of which nothing is known.
    """
    for photo in photos:
        found = _KNOWN.match(rows[photo].note.strip()) if photo in rows else None
        if found is None:
            continue
        if found[1]:
            return 1.0, math.inf
        low = float(found[2])
        return (low, max(low, float(found[3]))) if found[3] else (0.75 * low, 1.25 * low)
    return None


def weigh_known(
    prints: Sequence[PrintTally], known: Mapping[str, tuple[float, float]]
) -> tuple[tuple[PrintTally, ...], list[str]]:
    """Put every print in doubt when one of known load does not read so.

    Parameters
    ----------
    prints : sequence of PrintTally
    known : mapping
        Print to the range of its known load.

    Returns
    -------
    prints : tuple of PrintTally
    notes : list of str
        One sentence for each known print.
    """
    from sporecount.report.phrases import about
    from sporecount.stats.control import known_print_agrees
    from sporecount.steps.print_tally import mark_session

    marked, notes = tuple(prints), []
    for one in prints:
        if one.sample not in known:
            continue
        low, high = known[one.sample]
        span = f"{low:.0f} to {high:.0f} spores" if math.isfinite(high) else "at least 1 spore"
        if not one.fields or math.isnan(one.load_low):
            notes.append(f"Known print {one.sample}: no usable photo, so it tells nothing.")
            continue
        reads = f"reads {about(one.load_low)} to {about(one.load_high, up=True)} spores, known to hold {span}"
        missed = math.isinf(high) and not one.spores
        if known_print_agrees(one.load_low, one.load_high, low, high) and not missed:
            notes.append(f"Known print {one.sample}: {reads}, as it should.")
        else:
            notes.append(f"Known print {one.sample}: {reads}, so every print here is in doubt.")
            marked = mark_session(marked, "control-missed")
    return marked, notes

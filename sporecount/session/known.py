"""Prints of known load among the others: controls of what is found, and of what is taken for a spore."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterable, Mapping, Sequence

from sporecount.files.kept import FieldPlace
from sporecount.files.session_table import TableRow
from sporecount.records import FalseRate, PrintTally

_KNOWN = re.compile(
    r"known\s+(?:(positive)|(clean)(?![a-z])|(\d+)(?:\s*(?:-|\u2013|to)\s*(\d+))?)", re.IGNORECASE
)


def known_range(photos: Iterable[str], rows: Mapping[str, TableRow]) -> tuple[float, float] | None:
    """Read the known number of spores on a print from a note on one of its photos.

    "known 150-300" is a range, "known 200" that number to a quarter, "known positive" at least one spore, "known
    clean" none.

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
        if found[2]:
            return 0.0, 0.0
        low = float(found[3])
        return (low, max(low, float(found[4]))) if found[4] else (0.75 * low, 1.25 * low)
    return None


def known_prints(
    rows: Mapping[str, TableRow], places: Iterable[FieldPlace]
) -> dict[str, tuple[float, float]]:
    """Find the prints of known load, each with its range."""
    photos: dict[str, list[str]] = {}
    for place in places:
        photos.setdefault(place.sample, []).append(place.photo)
    ranges = {sample: known_range(of_print, rows) for sample, of_print in photos.items()}
    return {sample: known for sample, known in ranges.items() if known is not None}


def clean_prints(known: Mapping[str, tuple[float, float]]) -> tuple[str, ...]:
    """Name the prints that are known to hold no spore."""
    return tuple(sample for sample, (_, high) in known.items() if high == 0)


def false_rate_of(clean: Collection[PrintTally]) -> FalseRate | None:
    """Tell how many things on clean prints are taken for sure spores; None without a usable print.

    Doubtful objects are left out: their probabilities discount them already.

    Parameters
    ----------
    clean : collection of PrintTally
        Of prints that are known to hold no spore.
    """
    from sporecount.stats.control import false_rate

    used = [one for one in clean if one.fields and one.examined_mm2 > 0]
    if not used:
        return None
    found = sum(max(one.expected - one.doubtful_expected, 0.0) for one in used)
    return false_rate([one.sample for one in used], found, sum(one.examined_mm2 for one in used))


def weigh_known(
    prints: Sequence[PrintTally],
    known: Mapping[str, tuple[float, float]],
    false_rate: FalseRate | None = None,
) -> tuple[tuple[PrintTally, ...], list[str]]:
    """Put every print in doubt when one of known load does not read so.

    Parameters
    ----------
    prints : sequence of PrintTally
    known : mapping
        Print to the range of its known load.
    false_rate : FalseRate, optional
        What the clean ones among them show.

    Returns
    -------
    prints : tuple of PrintTally
    notes : list of str
        One sentence for each known print, and what follows from the clean ones.
    """
    from sporecount.report.phrases import about
    from sporecount.stats.control import known_print_agrees
    from sporecount.steps.print_tally import mark_session

    marked, notes = tuple(prints), []
    for one in prints:
        if one.sample not in known:
            continue
        low, high = known[one.sample]
        if high == 0:
            span = "no spore"
        else:
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
    if false_rate is not None:
        notes.append(_false_words(false_rate))
    return marked, notes


def _false_words(rate: FalseRate) -> str:
    from sporecount.report.phrases import about, area

    where = f"{area(rate.examined_mm2)} of prints known to be clean ({', '.join(rate.prints)})"
    most = about(rate.high, up=True)
    if rate.found == 0:
        return (
            f"False spores: none on {where}; up to {most} per mm\u00b2 fit with that (95 % interval). Nothing is "
            "taken off."
        )
    return (
        f"False spores: {about(rate.per_mm2)} per mm\u00b2 on {where}, 95 % interval {about(rate.low)} to {most}. "
        "They are taken off density and load of the other prints; counts stay as they are."
    )

"""Blank prints among the others: controls that show whether spores get about."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from sporecount.files.kept import FieldPlace, FieldsOnDisk, KeptFields
from sporecount.files.session_table import TableRow
from sporecount.records import FalseRate, FieldResult, PrintTally
from sporecount.settings import CountSettings

_BLANK = re.compile(r"blank(?![a-z])", re.IGNORECASE)


def is_blank(sample: str, photos: Iterable[str], rows: Mapping[str, TableRow]) -> bool:
    """Tell whether a print is a blank: by the first word of its name or of a note on one of its photos."""
    notes = [rows[photo].note for photo in photos if photo in rows]
    return any(_BLANK.match(text.strip()) for text in (sample.rpartition("/")[2], *notes))


def blank_fields(
    rows: Mapping[str, TableRow], kept: KeptFields, places: Iterable[FieldPlace]
) -> dict[str, FieldsOnDisk]:
    """Give the fields of the blank prints."""
    members: dict[str, list[FieldPlace]] = {}
    for place in places:
        members.setdefault(place.sample, []).append(place)
    return {
        sample: FieldsOnDisk(kept, of_print)
        for sample, of_print in members.items()
        if is_blank(sample, (place.photo for place in of_print), rows)
    }


def weigh_blanks(
    prints: Sequence[PrintTally],
    blanks: Mapping[str, Sequence[FieldResult]],
    settings: CountSettings,
    false_rate: FalseRate | None = None,
) -> tuple[tuple[PrintTally, ...], list[str]]:
    """Put every print in doubt when a blank one holds a spore.

    Parameters
    ----------
    prints : sequence of PrintTally
    blanks : mapping
        Blank print to its fields.
    settings : CountSettings
    false_rate : FalseRate, optional
        Of false spores, where clean prints of the session tell it: they alone are no contamination.

    Returns
    -------
    prints : tuple of PrintTally
    notes : list of str
        One sentence for each blank print.
    """
    from sporecount.steps.print_tally import judge_blank, mark_session

    marked, notes = tuple(prints), []
    for sample, fields in blanks.items():
        blank = judge_blank(fields, settings, false_rate.per_mm2 if false_rate is not None else 0.0)
        if blank is None:
            notes.append(
                f"Blank print {sample}: no usable photo, so it tells nothing. Focus on a speck or the edge of the "
                "tape, and photograph it again."
            )
        elif blank.verdict == "contaminated":
            one = blank.counted == 1
            things = "1 object is likely a spore" if one else f"{blank.counted} objects are likely spores"
            notes.append(f"Blank print {sample}: {things}, so every print here is in doubt.")
            marked = mark_session(marked, "blank-contaminated")
        elif blank.verdict == "look again":
            notes.append(f"Blank print {sample}: it may hold a spore; look at its doubtful objects.")
        else:
            notes.append(f"Blank print {sample}: no spore found, as it should be.")
    return marked, notes

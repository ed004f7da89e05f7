"""The spores' size, learnt from all fields of a session once they are counted."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np

from sporecount.files.tables import write_csv
from sporecount.files.whole import written_whole
from sporecount.records import FieldResult, PrintTally, SporeSize
from sporecount.settings import CountSettings

SIZE_COLUMNS: dict[str, str] = {
    "of": "", "name": "", "spores": "d", "length_um": ".2f", "spread_um": ".2f",
    "length_low_um": ".2f", "length_high_um": ".2f", "reasons": "",
}  # fmt: skip
"""Columns of `sizes.csv`: one row for the session, one for each print, one for each photo with a sure spore."""

OF_THE_SESSION = ("size-mismatch", "uneven-sizes")
"""Reasons that come from the size of the session's spores."""


class Sizes:
    """Sizes of the session, its prints and its photos.

    Parameters
    ----------
    fields : iterable of FieldResult
        Read once; only the lengths of their sure spores are kept.
    settings : CountSettings
    """

    def __init__(self, fields: Iterable[FieldResult], settings: CountSettings) -> None:
        from sporecount.steps.spore_size import size_reasons, spore_size, sure_lengths

        lengths: dict[str, list[np.ndarray]] = {}
        self._photos: list[tuple[str, SporeSize]] = []
        known: set[str] = set()
        for field in fields:
            if field.tally.flag == "unusable" or field.sha256 in known:
                continue
            known |= {field.sha256} - {""}
            found = sure_lengths(field, settings)
            lengths.setdefault(field.sample, []).append(found)
            if len(found):
                self._photos.append((field.photo, spore_size(found)))
        every = [found for of_print in lengths.values() for found in of_print]
        self.session = spore_size(np.concatenate(every) if every else np.zeros(0))
        self.prints: Mapping[str, SporeSize] = {
            sample: spore_size(np.concatenate(of_print)) for sample, of_print in lengths.items()
        }
        self.reasons = size_reasons(self.session, self.prints, settings)

    def mark(self, prints: Iterable[PrintTally]) -> tuple[PrintTally, ...]:
        """Put the doubts about size on the prints that they concern."""
        return tuple(tally.with_reasons(*self.reasons.get(tally.sample, ())) for tally in prints)

    def notes(self) -> list[str]:
        """Say how long the spores are, in a sentence; nothing without a sure spore."""
        size = self.session
        if not size.spores:
            return []
        spores = "1 sure spore" if size.spores == 1 else f"{size.spores} sure single spores"
        words = f"Spores of this session: median length {size.length_um:.1f} µm"
        if isfinite(size.length_low_um):
            words += (
                f" (95 % {size.length_low_um:.1f} to {size.length_high_um:.1f}), most single ones within about "
                f"±{2 * size.spread_um:.1f} µm of it"
            )
            notes = [f"{words}, by {spores}."]
        else:
            notes = [f"{words}, by {spores}: too few to say how sure that is."]
        if size.groups_um:
            low, high = size.groups_um
            notes.append(
                f"They come in two sizes, {low:.1f} and {high:.1f} µm, which one scale should not give: "
                "see sizes.csv for the photos, and check their objectives."
            )
        return notes

    def write(self, out: Path) -> None:
        """Write `sizes.csv`."""
        rows = [_row("session", "", self.session, ())]
        rows += [
            _row("print", sample, size, self.reasons.get(sample, ())) for sample, size in self.prints.items()
        ]
        rows += [_row("photo", photo, size, ()) for photo, size in self._photos]
        with written_whole(out / "sizes.csv") as file:
            write_csv(file, SIZE_COLUMNS, rows)


def _row(of: str, name: str, size: SporeSize, reasons: Iterable[str]) -> dict[str, Any]:
    return {
        "of": of,
        "name": name,
        "spores": size.spores,
        "length_um": size.length_um,
        "spread_um": size.spread_um,
        "length_low_um": size.length_low_um,
        "length_high_um": size.length_high_um,
        "reasons": ";".join(reasons),
    }

"""The results of a session as the page needs them: rows for lists, fields when they are asked for."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from sporecount.records import FieldPreview, FieldResult, FieldTally, PrintTally, SessionResult
from sporecount.session import open_session
from sporecount.settings import CountSettings

_AT_HAND = 48

KNOBS = CountSettings.__dataclass_fields__


def photo_id(photo: str) -> str:
    """Give the id under which a photo is known to the page: no path, and no character to quote."""
    return hashlib.sha256(photo.encode("utf-8", "surrogateescape")).hexdigest()[:16]


@dataclass(frozen=True)
class FieldRow:
    """What the lists need of a field."""

    id: str
    photo: str
    sample: str
    number: int
    tally: FieldTally


@dataclass
class Opened:
    """The results of the session as they were last written."""

    result: SessionResult
    preview: Callable[[str], FieldPreview]
    settings: CountSettings
    rows: list[FieldRow] = field(default_factory=list)
    places: dict[str, int] = field(default_factory=dict)
    _at_hand: dict[str, FieldResult] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def field(self, at: str) -> FieldResult | None:
        """Load a field by the id of its photo; the last few stay at hand."""
        if at not in self.places:
            return None
        with self._lock:
            if at not in self._at_hand:
                while len(self._at_hand) >= _AT_HAND:
                    del self._at_hand[next(iter(self._at_hand))]
                self._at_hand[at] = self.result.fields[self.places[at]]
            return self._at_hand[at]

    def of_print(self, sample: str) -> list[FieldRow]:
        """List the fields of a print."""
        return [row for row in self.rows if row.sample == sample]

    def tally(self, sample: str) -> PrintTally | None:
        """Give the machine's tally of a print."""
        return next((one for one in self.result.prints if one.sample == sample), None)


def open_results(out: Path) -> Opened:
    """Open the results in a folder.

    Raises
    ------
    SessionError
        There are none.
    """
    result, preview = open_session(out)
    known = {name: value for name, value in result.provenance.settings.items() if name in KNOBS}
    opened = Opened(result, preview, CountSettings(**known))
    for place, one in enumerate(result.fields):
        at = photo_id(one.photo)
        opened.rows.append(FieldRow(at, one.photo, one.sample, one.field, one.tally))
        opened.places[at] = place
    return opened

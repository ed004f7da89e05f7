"""What people decided on a session, from its book: tallies with their decisions, beside the machine's."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path

from sporecount.errors import SessionError
from sporecount.files.kept import key_of
from sporecount.files.reader_tables import READING_COLUMNS, reading_row
from sporecount.files.session_table import TableRow, from_json
from sporecount.files.tables import write_csv
from sporecount.files.whole import written_whole
from sporecount.readings import (
    Learnt,
    Reading,
    by_photo,
    current,
    differing,
    learn,
    learnt_words,
    settle,
    spot_of,
    undecided_share,
)
from sporecount.records import FieldPreview, FieldResult, FieldTally, PrintTally, Readers, SessionResult
from sporecount.season import Book
from sporecount.season.book import BOOK_NAME
from sporecount.session.notes import next_print
from sporecount.session.retally import Retally
from sporecount.settings import CountSettings


class ReadSession:
    """The book of a session, read once.

    Parameters
    ----------
    out : Path
        Folder of the results.
    """

    def __init__(self, out: Path) -> None:
        self.readings: list[Reading] = []
        self.keeper: dict[str, tuple[str, str]] = {}
        self._of_photo: Mapping[str, list[Reading]] = {}
        self._learning, self._since = True, ""
        path = out / BOOK_NAME
        if not path.is_file():
            return
        book = Book(path)
        try:
            self.readings = current(book.readings())
            self._of_photo = by_photo(self.readings)
            self.keeper = {
                one.sample: (one.says, one.note) for one in book.verdicts().values() if one.says != "open"
            }
            self._learning = bool(book.setting("learning", True))
            self._since = str(book.setting("learning_since", ""))
        finally:
            book.close()

    @property
    def key(self) -> str:
        """Key of all that is in the book."""
        said = [asdict(one) for one in self.readings]
        return key_of("book", said, self.keeper, self._learning, self._since)

    def learnt(self, fields: Iterable[FieldResult], settings: CountSettings) -> Learnt | None:
        """Learn from the decisions since all was last forgotten; None when that is not wanted.

        Parameters
        ----------
        fields : iterable of FieldResult
            The machine's, of all prints that somebody read.
        settings : CountSettings
        """
        if not self._learning:
            return None
        return learn(fields, [one for one in self.readings if one.made_at > self._since], settings)

    def settle_print(
        self, fields: Sequence[FieldResult], settings: CountSettings, learnt: Learnt | None
    ) -> tuple[list[FieldResult], int]:
        """Put the decisions on the fields of a print; a print that nobody read stays as the machine left it.

        Returns
        -------
        fields : list of FieldResult
        decided : int
            Places that somebody decided on.
        """
        said = [one for field in fields for one in self._of_photo.get(field.photo, ())]
        if not said:
            return list(fields), 0
        return [settle(one, said, settings, learnt) for one in fields], _places(said)

    def tallied(
        self,
        result: SessionResult,
        preview_of: Callable[[str], FieldPreview],
        rows: Mapping[str, TableRow] | None = None,
    ) -> SessionResult:
        """Give the results with the readers' answers beside the machine's; the same without any.

        Parameters
        ----------
        result : SessionResult
            The machine's.
        preview_of : callable
            Photo to its preview.
        rows : mapping, optional
            Photo to its row of the session's table.
        """
        if not self.readings and not self.keeper:
            return result
        settings = CountSettings(**result.provenance.settings)
        of_photo = self._of_photo
        at_of: dict[str, list[int]] = {}
        of_sample: dict[str, list[str]] = {}
        for at, field in enumerate(result.fields):
            at_of.setdefault(field.sample, []).append(at)
            if field.photo in of_photo:
                of_sample.setdefault(field.sample, []).append(field.photo)
        learnt = self.learnt((result.fields[at] for sample in of_sample for at in at_of[sample]), settings)
        retally = Retally(preview_of, settings, result.own_recall, result.false_rate)
        fields: dict[str, FieldTally] = {}
        prints: dict[str, PrintTally] = {}
        differ: dict[str, int] = {}
        for machine in result.prints:
            if machine.sample in of_sample:
                members = [result.fields[at] for at in at_of[machine.sample]]
                settled, _ = self.settle_print(members, settings, learnt)
                fields |= {one.photo: one.tally for one in settled}
                differ[machine.sample] = sum(
                    differing(one, of_photo.get(one.photo, ()), settings) for one in members
                )
                left = undecided_share(members, self.readings, settings)
                prints[machine.sample] = retally.tally(_once(settled), machine, left)
        said = {sample: [one for photo in of_sample[sample] for one in of_photo[photo]] for sample in prints}
        decided = {photo: _places(of_photo.get(photo, ())) for photo in fields}
        read = replace(
            result,
            readers=Readers(
                fields=fields,
                decided=decided,
                prints=prints,
                names_of={
                    sample: tuple(sorted({one.reader or "?" for one in words}))
                    for sample, words in said.items()
                },
                decided_of={sample: _places(words) for sample, words in said.items()},
                differ_of=differ,
                keeper=self.keeper,
                learnt=tuple(learnt_words(learnt)) if learnt is not None else (),
            ),
        )
        comes_next = next_print(rows or {}, read.prints_read, by_people=bool(prints))
        notes = (comes_next if note == result.next_print else note for note in result.notes)
        return replace(read, next_print=comes_next, notes=tuple(filter(None, notes)))

    def write(self, out: Path, result: SessionResult) -> None:
        """Write `readings.csv`: every decision, with what the machine said of the object."""
        settings = CountSettings(**result.provenance.settings)
        of_photo = dict(self._of_photo)
        rows = []
        for field in result.fields:
            for one in of_photo.pop(field.photo, ()):
                rows.append(reading_row(one, field, spot_of(field, one, settings)))
        rows += [reading_row(one, None, None) for said in of_photo.values() for one in said]
        rows.sort(
            key=lambda row: (row.get("sample", ""), row["photo"], row["made_at"], row["y_px"], row["x_px"])
        )
        with written_whole(out / "readings.csv") as file:
            write_csv(file, READING_COLUMNS, rows)


def _places(readings: Iterable[Reading]) -> int:
    """Count the places that readings speak of."""
    return len({(one.photo, round(one.x_px, 1), round(one.y_px, 1)) for one in readings})


def _once(fields: Iterable[FieldResult]) -> list[FieldResult]:
    """Leave out copies of one file: they count once, as in the machine's tally."""
    once: dict[str, FieldResult] = {}
    for field in fields:
        once.setdefault(field.sha256 or field.photo, field)
    return list(once.values())


def renew(out: Path) -> bool:
    """Write tables and report again with what was decided since, without counting.

    Parameters
    ----------
    out : Path
        Folder of the results.

    Returns
    -------
    bool
        False where there are no results, or nothing was decided.
    """
    from sporecount.session.opened import open_session
    from sporecount.session.outputs import SESSION_FILE, write_again

    book = ReadSession(out)
    if not book.readings and not book.keeper:
        return False
    try:
        result, preview_of = open_session(out)
    except SessionError:
        return False
    table = from_json(json.loads((out / SESSION_FILE).read_bytes())["table"])
    result = book.tallied(result, preview_of, table)
    settings = CountSettings(**result.provenance.settings)
    retally = Retally(preview_of, settings, result.own_recall, result.false_rate)
    machine = {one.sample: one for one in result.prints}

    def map_of(sample: str) -> str:
        fields = _once(field for field in result.fields if field.sample == sample)
        return retally.map_svg(fields, machine[sample]) if fields else ""

    write_again(out, result, map_of, book.key)
    book.write(out, result)
    return True

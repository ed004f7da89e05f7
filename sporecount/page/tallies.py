"""Tallies that move with the readers' decisions: fields at once, prints a moment later in the background."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable

from sporecount.page.opened import Opened, photo_id
from sporecount.readings import Doubt, Learnt, by_photo, learn, queue, settle, undecided_share
from sporecount.records import FieldResult, PrintTally
from sporecount.season import Book
from sporecount.session.retally import Retally


class Tallies:
    """Tallies with readings.

    Parameters
    ----------
    book : Book
    session : callable
        Gives the results, or None before there are any.
    on_tally : callable
        Told, from a thread of its own, the new tally of a print.
    """

    def __init__(
        self,
        book: Book,
        session: Callable[[], Opened | None],
        on_tally: Callable[[str, PrintTally], None],
    ) -> None:
        self._book, self._session, self._on_tally = book, session, on_tally
        self._wake = threading.Condition()
        self._stale: dict[str, None] = {}
        self._done: dict[str, PrintTally] = {}
        self._results: Opened | None = None
        self._known_learnt: Learnt | None = None
        self._retally: tuple[Opened, Retally] | None = None
        self._closing = False
        self._thread = threading.Thread(target=self._work, daemon=True, name="tallies")
        self.fault = ""

    def start(self) -> None:
        """Begin to tally in the background."""
        self._thread.start()

    def close(self) -> None:
        """End."""
        with self._wake:
            self._closing = True
            self._wake.notify()
        if self._thread.is_alive():
            self._thread.join(timeout=10)

    def learnt(self, opened: Opened) -> Learnt | None:
        """Learn from the decisions since all was last forgotten; None when that is not wanted."""
        if not self._book.setting("learning", True):
            return None
        since = str(self._book.setting("learning_since", ""))
        readings = [one for one in self._book.readings() if one.made_at > since]
        return learn(_fields(opened, {one.photo for one in readings}), readings, opened.settings)

    def field(self, opened: Opened, at: str) -> FieldResult | None:
        """Give a field with its readings."""
        found = opened.field(at)
        if found is None:
            return None
        if self._results is not opened:  # what is learnt may be a decision old, but never of other results
            self._known_learnt = self.learnt(opened)
        return settle(found, self._book.readings(found.photo), opened.settings, self._known_learnt)

    def open_doubts(
        self, opened: Opened, turn: int = 1, only: str = "", reader: str | None = None
    ) -> list[Doubt]:
        """List what a round of reading has not decided on, or readers differ on, the most valuable first."""
        results = (
            field
            for row in opened.rows
            if (not only or row.sample == only) and (field := opened.field(row.id)) is not None
        )
        prints, readings = opened.result.prints, self._book.readings()
        return queue(results, prints, readings, opened.settings, turn=turn, reader=reader)

    def changed(self, *samples: str) -> None:
        """Tally these prints again, soon."""
        with self._wake:
            self._stale.update(dict.fromkeys(samples))
            self._wake.notify()

    def of_print(self, opened: Opened, tally: PrintTally) -> PrintTally | None:
        """Give the tally of a print with its readings, None where nobody read anything of it."""
        photos = {row.photo for row in opened.of_print(tally.sample)}
        if not any(one.photo in photos for one in self._book.readings()):
            return None
        with self._wake:
            known = self._done.get(tally.sample) if self._results is opened else None
            if known is None and tally.sample not in self._stale:
                self._stale[tally.sample] = None
                self._wake.notify()
        return known

    def map_svg(self, opened: Opened, sample: str) -> str:
        """Draw the map of a print with what counts now; empty where it would tell nothing."""
        machine = opened.tally(sample)
        if machine is None:
            return ""
        return self._retally_of(opened).map_svg(self._settled(opened, sample), machine)

    def _retally_of(self, opened: Opened) -> Retally:
        with self._wake:
            if self._retally is None or self._retally[0] is not opened:
                of_session = opened.result
                retally = Retally(
                    opened.preview, opened.settings, of_session.own_recall, of_session.false_rate
                )
                self._retally = (opened, retally)
            return self._retally[1]

    def _settled(self, opened: Opened, sample: str) -> list[FieldResult]:
        readings = by_photo(self._book.readings())
        return [
            settle(field, readings.get(field.photo, ()), opened.settings, self._known_learnt)
            for row in opened.of_print(sample)
            if (field := opened.field(row.id)) is not None
        ]

    def _work(self) -> None:
        while True:
            with self._wake:
                self._wake.wait_for(lambda: self._stale or self._closing)
                if self._closing:
                    return
                sample = next(iter(self._stale))
                del self._stale[sample]
            opened = self._session()
            if opened is None:
                continue
            if self._results is not opened:
                self._results, self._done = opened, {}
            machine = opened.tally(sample)
            if machine is None:
                continue
            try:
                tally = self._tally(opened, machine)
            except Exception as fault:
                self.fault = f"{type(fault).__name__}: {fault}"
                continue
            with self._wake:
                self._done[sample] = tally
            self._on_tally(sample, tally)

    def _tally(self, opened: Opened, machine: PrintTally) -> PrintTally:
        self._known_learnt = self.learnt(opened)
        machines = [opened.field(row.id) for row in opened.of_print(machine.sample)]
        left = undecided_share(filter(None, machines), self._book.readings(), opened.settings)
        return self._retally_of(opened).tally(self._settled(opened, machine.sample), machine, left)


def _fields(opened: Opened, photos: Iterable[str]) -> list[FieldResult]:
    found = (opened.field(photo_id(photo)) for photo in sorted(photos))
    return [field for field in found if field is not None]

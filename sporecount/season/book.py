"""The book of a session: readings, the keeper's verdicts and what is set, one small file beside the results.

Nothing is ever changed or removed: who takes a decision back adds a line that says so. Each line carries an
id given by whoever wrote it, so that a line sent twice stands once.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sporecount.errors import SessionError
from sporecount.readings import Reading
from sporecount.season.schema import migrate

BOOK_NAME = "readings.sqlite"
"""Of the file beside a session's results."""

_WAIT_S = 10.0


@dataclass(frozen=True)
class KeptVerdict:
    """What the keeper decided on a print.

    Parameters
    ----------
    sample : str
    says : str
        "hold", "release", "re-test", or "open" for a verdict taken back.
    note, reader, made_at : str
    """

    sample: str
    says: str
    note: str = ""
    reader: str = ""
    made_at: str = ""


class Book:
    """The book of a session. One connection, one writer at a time; another process may write between.

    Parameters
    ----------
    path : Path
        Of the file; its folder is made when it is absent.

    Raises
    ------
    SessionError
        The file cannot be opened, or a later program made it.
    """

    def __init__(self, path: Path) -> None:
        self._lock = threading.Lock()
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._connection = sqlite3.connect(
                path, timeout=_WAIT_S, isolation_level=None, check_same_thread=False
            )
            self._connection.execute("PRAGMA synchronous = FULL")
            migrate(self._connection)
        except (sqlite3.Error, OSError, ValueError) as fault:
            raise SessionError(
                f"the readings of this session cannot be opened ({fault})",
                where=str(path),
                remedy="Use the newest version of this program, or move the file away to begin anew",
            ) from None

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._connection.close()

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with self._lock:
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
                self._connection.execute("COMMIT")
            except BaseException:
                self._connection.execute("ROLLBACK")
                raise

    def _all(self, query: str, *values: Any) -> list[tuple[Any, ...]]:
        with self._lock:
            return self._connection.execute(query, values).fetchall()

    def write(
        self, line_id: str, reading: Reading, *, sha256: str = "", machine: float | None = None
    ) -> bool:
        """Write a reading; False when the line of this id stands already.

        Parameters
        ----------
        line_id : str
        reading : Reading
        sha256 : str
            Of the photo's bytes.
        machine : float, optional
            Probability that the program gave the object at that time.
        """
        with self._writing() as book:
            done = book.execute(
                "INSERT OR IGNORE INTO reading"
                " (id, made_at, reader, round, photo, sha256, x_px, y_px, says, machine)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    line_id, reading.made_at, reading.reader, reading.round, reading.photo, sha256,
                    reading.x_px, reading.y_px, reading.says, machine,
                ),
            )  # fmt: skip
            return done.rowcount == 1

    def readings(self, photo: str | None = None) -> list[Reading]:
        """Give the readings in the order in which they were written, of one photo or of all."""
        where, values = ("WHERE photo = ?", (photo,)) if photo is not None else ("", ())
        rows = self._all(
            f"SELECT photo, x_px, y_px, says, reader, made_at, round FROM reading {where} ORDER BY number",
            *values,
        )
        return [Reading(*row) for row in rows]

    def decide(self, line_id: str, verdict: KeptVerdict) -> bool:
        """Write the keeper's verdict on a print; False when the line of this id stands already."""
        with self._writing() as book:
            done = book.execute(
                "INSERT OR IGNORE INTO verdict (id, made_at, reader, sample, says, note)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (line_id, verdict.made_at, verdict.reader, verdict.sample, verdict.says, verdict.note),
            )
            return done.rowcount == 1

    def verdicts(self) -> dict[str, KeptVerdict]:
        """Give the latest verdict on each print."""
        rows = self._all("SELECT sample, says, note, reader, made_at FROM verdict ORDER BY number")
        return {row[0]: KeptVerdict(*row) for row in rows}

    def setting(self, name: str, default: Any = None) -> Any:
        """Read a setting."""
        rows = self._all("SELECT value FROM setting WHERE name = ?", name)
        return json.loads(rows[0][0]) if rows else default

    def set(self, name: str, value: Any) -> None:
        """Keep a setting, anything that JSON can say."""
        with self._writing() as book:
            book.execute(
                "INSERT INTO setting VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
                (name, json.dumps(value)),
            )

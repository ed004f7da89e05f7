"""How far readers agree: with the machine, with one another, and with themselves when they read again."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np

from sporecount.errors import SessionError
from sporecount.files.session_table import plain_name
from sporecount.files.tables import read_csv
from sporecount.readings import Agreement, Reading, compare_readings, compare_with_machine, current
from sporecount.records import SessionResult
from sporecount.season.book import BOOK_NAME, Book
from sporecount.session.folder import printable
from sporecount.session.opened import open_session
from sporecount.settings import CountSettings
from sporecount.stats.agreement import Kappa, Limits, cross_table, kappa, limits_of_agreement

MACHINE = "the machine"
KINDS_OF_WORD = ("spore", "not", "cannot tell")
CLASSES = tuple(str(one) for one in range(6))
_FEWEST_PAIRS = 3
_WIDE = 10.0
"""Largest over smallest count from which differences are told as ratios: then they grow with the count."""


@dataclass(frozen=True)
class Compared:
    """Two readings of the same things.

    Parameters
    ----------
    what : str
        The things, in the plural: objects, fields, prints.
    first, second : str
        Who read them.
    n : int
        Things that both read.
    table : ndarray of shape (c, c), or None
        First reading against second, for words and classes.
    names : tuple of str
        Of the rows and columns of the table.
    kappa : Kappa or None
        Weighted for load classes; None where it cannot be told.
    limits : Limits or None
        Of counts.
    """

    what: str
    first: str
    second: str
    n: int
    table: np.ndarray | None = None
    names: tuple[str, ...] = ()
    kappa: Kappa | None = None
    limits: Limits | None = None


def agreements_of_session(out: Path) -> list[Compared]:
    """Compare the readings in the book of a counted folder.

    Parameters
    ----------
    out : Path
        Folder of the results.

    Raises
    ------
    SessionError
        No results there, or nobody has read anything.
    """
    result, _ = open_session(out)
    path = out / BOOK_NAME
    readings = []
    if path.is_file():
        book = Book(path)
        readings = current(book.readings())
        book.close()
    if not readings:
        raise SessionError(
            "nobody has read anything of this session yet",
            where=printable(str(out)),
            remedy="Decide on doubtful objects with `sporecount recheck`, or name a table with --table",
        )
    settings = CountSettings(**result.provenance.settings)
    of_reader: dict[str, list[Reading]] = {}
    for one in readings:
        of_reader.setdefault(_who(one.reader, one.round), []).append(one)
    found = [
        _of_objects(MACHINE, name, compare_with_machine(result.fields, said, settings))
        for name, said in sorted(of_reader.items())
    ]
    found += [
        _of_objects(one, other, compare_readings(of_reader[one], of_reader[other]))
        for one, other in combinations(sorted(of_reader), 2)
    ]
    return [one for one in found if one.n]


def _who(reader: str, turn: int) -> str:
    name = reader or "a reader without initials"
    return name if turn == 1 else f"{name}, reading again"


def _of_objects(first: str, second: str, agreement: Agreement) -> Compared:
    n = int(agreement.table.sum())
    return Compared("objects", first, second, n, agreement.table, KINDS_OF_WORD, agreement.kappa)


def agreements_of_table(data: bytes, where: str, out: Path | None = None) -> list[Compared]:
    """Compare the readings in a table, and with the machine's where the session is named.

    The table has a row for each reading: `photo` (or `sample`), `reader`, and `spores`, `load_class` or
    both; `round` is 2 for a second reading.

    Parameters
    ----------
    data : bytes
        CSV.
    where : str
        Name of the table, for errors.
    out : Path, optional
        Folder of the machine's results.

    Raises
    ------
    SessionError
        A table of another form, or no two readings of one thing.
    """
    columns, rows = read_csv(data)
    thing = "photo" if "photo" in columns else "sample"
    told = [name for name in ("spores", "load_class") if name in columns]
    if thing not in columns or "reader" not in columns or not told:
        raise SessionError(
            "the table must have the columns photo (or sample), reader, and spores or load_class",
            where=where,
            remedy="Begin it with a line such as photo,reader,spores",
        )
    machine = _machine(open_session(out)[0], thing) if out is not None else {}
    found = []
    for column in told:
        read: dict[str, dict[str, float]] = {}
        if machine:
            read[MACHINE] = machine[column]
        for line, row in enumerate(rows, 2):
            if row[column]:
                value = _whole(row[column], column, line, where)
                who = _who(row["reader"], 2 if row.get("round", "") == "2" else 1)
                read.setdefault(who, {})[plain_name(row[thing])] = value
        for one, other in combinations(read, 2):
            both = [key for key in read[one] if key in read[other]]
            pair = [read[one][key] for key in both], [read[other][key] for key in both]
            if both:
                what = "fields" if thing == "photo" else "prints"
                found.append(_of_numbers(column, what, one, other, *pair))
    if not found:
        raise SessionError(
            "no two readings of the same thing were found",
            where=where,
            remedy="Give each thing a row for each reader, under the same name",
        )
    return found


def _machine(result: SessionResult, thing: str) -> Mapping[str, dict[str, float]]:
    """Collect counts and classes of the machine, where it has them."""
    if thing == "photo":
        spores = {plain_name(one.photo): float(one.tally.spores) for one in result.fields}
        return {"spores": spores, "load_class": {}}
    known = [one for one in result.prints if one.fields]
    return {
        "spores": {plain_name(one.sample): float(one.spores) for one in known},
        "load_class": {plain_name(one.sample): float(one.load_class) for one in known},
    }


def _whole(text: str, column: str, line: int, where: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (value >= 0 and value == int(value) and (column == "spores" or value <= 5)):
        allowed = "a whole number" if column == "spores" else "a class from 0 to 5"
        raise SessionError(
            f"line {line}: {column} is {text!r}, not {allowed}", where=where, remedy="Correct it"
        )
    return value


def _of_numbers(
    column: str, what: str, one: str, other: str, first: Sequence[float], second: Sequence[float]
) -> Compared:
    if column == "spores":
        enough = len(first) >= _FEWEST_PAIRS
        limits = limits_of_agreement(first, second, as_ratio=_ranges_widely(first)) if enough else None
        return Compared(what, one, other, len(first), limits=limits)
    table = cross_table([int(value) for value in first], [int(value) for value in second], len(CLASSES))
    some = len(first) >= _FEWEST_PAIRS and np.count_nonzero(table.sum(axis=0) + table.sum(axis=1)) > 1
    weighted = kappa(table, "linear") if some else None
    return Compared(what, one, other, len(first), table, CLASSES, weighted)


def _ranges_widely(counts: Iterable[float]) -> bool:
    known = [count for count in counts if count > 0]
    return bool(known) and max(known) > _WIDE * min(known)

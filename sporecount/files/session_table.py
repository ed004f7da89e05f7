"""`session.csv`: what the keeper knows about the photos of a folder."""

from __future__ import annotations

import csv
import math
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sporecount.errors import SessionError
from sporecount.files.tables import read_csv

TABLE_NAME = "session.csv"
TABLE_COLUMNS = ("photo", "sample", "objective", "adapter", "um_per_px", "print_area_mm2", "note")


@dataclass(frozen=True)
class TableRow:
    """What the table says of one photo; empty or None where it says nothing.

    Parameters
    ----------
    photo : str
        As written in the table.
    sample, adapter, note : str
    objective, um_per_px, print_area_mm2 : float or None
        The area is that of the whole print that the photo shows.
    other : dict
        Columns that are not known here, kept as they are.
    line : int
        Line of the table, for messages; the header is line 1.
    """

    photo: str
    sample: str = ""
    objective: float | None = None
    adapter: str = ""
    um_per_px: float | None = None
    print_area_mm2: float | None = None
    note: str = ""
    other: dict[str, str] = field(default_factory=dict)
    line: int = 0


def read_session_table(data: bytes, where: str = TABLE_NAME) -> list[TableRow]:
    """Read the table.

    Parameters
    ----------
    data : bytes
    where : str
        Name for errors.

    Raises
    ------
    SessionError
        No column `photo`, a number that is none, or a photo named twice.
    """
    try:
        columns, rows = read_csv(data)
    except csv.Error as fault:
        raise SessionError(
            f"the table cannot be read ({fault})", where=where, remedy="Save it as CSV"
        ) from None
    if "photo" not in columns:
        raise SessionError(
            'the table has no column "photo"',
            where=where,
            remedy=f"Begin it with the line {','.join(TABLE_COLUMNS)}",
        )
    table = [_row(cells, line, where) for line, cells in enumerate(rows, 2) if cells["photo"]]
    first: dict[str, TableRow] = {}
    for row in table:
        other = first.setdefault(plain_name(row.photo), row)
        if other is not row:
            raise SessionError(
                f"{row.photo} stands in lines {other.line} and {row.line}",
                where=where,
                remedy="Remove one of them",
            )
    return table


def _row(cells: dict[str, str], line: int, where: str) -> TableRow:
    return TableRow(
        photo=cells["photo"],
        sample=cells.get("sample", ""),
        objective=_number(cells, "objective", line, where, 0.5, 200),
        adapter=cells.get("adapter", ""),
        um_per_px=_number(cells, "um_per_px", line, where, 0.005, 100),
        print_area_mm2=_number(cells, "print_area_mm2", line, where, 0.5, 1000),
        note=cells.get("note", ""),
        other={name: value for name, value in cells.items() if name and name not in TABLE_COLUMNS},
        line=line,
    )


def _number(
    cells: dict[str, str], column: str, line: int, where: str, low: float, high: float
) -> float | None:
    text = cells.get(column, "")
    if not text:
        return None
    try:
        number = float(text.rstrip("xX×").replace(",", "."))
    except ValueError:
        number = math.nan
    if not low <= number <= high:
        raise SessionError(
            f"line {line}: {column} is {text!r}, not a number from {low:g} to {high:g}",
            where=where,
            remedy="Correct it, or leave the cell empty",
        )
    return number


def plain_name(name: str) -> str:
    """Give a photo's name in the form in which two names are compared."""
    return unicodedata.normalize("NFC", name).replace("\\", "/").removeprefix("./").casefold()


def match_rows(table: Iterable[TableRow], names: Iterable[str]) -> tuple[dict[str, TableRow], list[TableRow]]:
    """Find the photos that the table speaks of.

    A name may lack its folder where only one photo bears it.

    Parameters
    ----------
    table : iterable of TableRow
    names : iterable of str
        Photos of the folder, with `/` between folders.

    Returns
    -------
    found : dict
        Photo to its row.
    missing : list of TableRow
        Rows whose photo is not there.
    """
    full: dict[str, str] = {}
    bare: dict[str, list[str]] = {}
    for name in names:
        full[plain_name(name)] = name
        bare.setdefault(plain_name(name).rsplit("/", 1)[-1], []).append(name)
    found: dict[str, TableRow] = {}
    missing: list[TableRow] = []
    for row in table:
        wanted = plain_name(row.photo)
        alike = bare.get(wanted, [])
        if wanted in full:
            found[full[wanted]] = row
        elif len(alike) == 1:
            found[alike[0]] = row
        else:
            missing.append(row)
    return found, missing


def from_json(said: Mapping[str, Mapping[str, Any]]) -> dict[str, TableRow]:
    """Give the rows that stand in `session.json` again, photo to row; the other way of `as_json`."""
    rows = {}
    for photo, row in said.items():
        known = {name: row[name] for name in TABLE_COLUMNS[1:] if name in row}
        other = {name: value for name, value in row.items() if name not in known}
        rows[photo] = TableRow(photo, **known, other=other)
    return rows


def as_json(row: TableRow) -> dict[str, Any]:
    """Give a row for `session.json`, unknown columns among the others."""
    said = {name: getattr(row, name) for name in TABLE_COLUMNS[1:]}
    return {name: value for name, value in said.items() if value not in ("", None)} | row.other

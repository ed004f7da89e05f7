"""The files that a session leaves, each whole or not at all, the same bytes for the same session."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sporecount.files.kept import FieldPlace, key_of
from sporecount.files.pictures import FieldPictures
from sporecount.files.reader_tables import (
    FIELD_READ_COLUMNS,
    LOAD_COLUMNS,
    SAMPLE_READ_COLUMNS,
    field_read_row,
    load_row,
    sample_read_row,
)
from sporecount.files.tables import (
    FIELD_COLUMNS,
    SAMPLE_COLUMNS,
    failed_row,
    field_row,
    sample_row,
    write_csv,
    write_objects,
)
from sporecount.files.whole import only_run, write_whole, written_whole
from sporecount.records import SessionResult
from sporecount.session.folder import KEPT

SESSION_FILE = "session.json"
SESSION_FORM = 4


def field_rows(result: SessionResult) -> Iterator[dict[str, Any]]:
    """Give one row a photo: those counted, in order, then those that could not be used."""
    for field in result.fields:
        yield field_row(field)
    for failed in result.failed:
        yield failed_row(failed)


def write_tables(out: Path, result: SessionResult) -> None:
    """Write `fields.csv`, `objects.csv`, `samples.csv` and `loads.csv`, a field at a time.

    Where somebody has read or decided, also `fields_read.csv` and `samples_read.csv`.
    """
    with written_whole(out / "fields.csv") as file:
        write_csv(file, FIELD_COLUMNS, field_rows(result))
    with written_whole(out / "objects.csv") as file:
        write_objects(file, result.fields)
    with written_whole(out / "samples.csv") as file:
        write_csv(file, SAMPLE_COLUMNS, (sample_row(tally) for tally in result.prints))
    with written_whole(out / "loads.csv") as file:
        write_csv(file, LOAD_COLUMNS, (load_row(tally) for tally in result.prints))
    readers = result.readers
    if readers is None:
        return
    with written_whole(out / "fields_read.csv") as file:
        read = (field for field in result.fields if field.photo in readers.fields)
        write_csv(file, FIELD_READ_COLUMNS, (field_read_row(field, readers) for field in read))
    with written_whole(out / "samples_read.csv") as file:
        write_csv(file, SAMPLE_READ_COLUMNS, (sample_read_row(tally, readers) for tally in result.prints))


def write_session(
    out: Path,
    result: SessionResult,
    places: Sequence[FieldPlace],
    overlays: Mapping[str, str],
    table: Mapping[str, Mapping[str, Any]],
) -> str:
    """Write `session.json`: what the results were made with, and what is needed to open them again.

    Parameters
    ----------
    out : Path
    result : SessionResult
        The machine's.
    places : sequence of FieldPlace
    overlays : mapping
        Photo to file name of its overlay.
    table : mapping
        Photo to what `session.csv` says of it.

    Returns
    -------
    str
        A key of all that was written.
    """
    said = {
        "form": SESSION_FORM,
        "folder": result.folder,
        "provenance": asdict(result.provenance),
        "fields": [{**asdict(place), "overlay": overlays[place.photo]} for place in places],
        "prints": [asdict(tally) for tally in result.prints],
        "failed": [asdict(failed) for failed in result.failed],
        "notes": list(result.notes),
        "next_print": result.next_print,
        "simulated": result.simulated,
        "table": table,
        "spore_size": None if result.spore_size is None else asdict(result.spore_size),
        "own_recall": None if result.own_recall is None else asdict(result.own_recall),
        "false_rate": None if result.false_rate is None else asdict(result.false_rate),
    }
    text = json.dumps(_without_nan(said), indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
    write_whole(out / SESSION_FILE, text.encode() + b"\n")
    return key_of("session", said)


def _without_nan(value: Any) -> Any:
    """Put None where a number is not known: JSON has no word for nan."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, Mapping):
        return {name: _without_nan(one) for name, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_without_nan(one) for one in value]
    return value


def write_report(
    out: Path,
    result: SessionResult,
    pictures: FieldPictures,
    names: Mapping[str, str],
    maps: Callable[[str], str | None],
    made_from: str,
) -> None:
    """Write `report.html`, unless it is there as it would be.

    Parameters
    ----------
    out : Path
    result : SessionResult
    pictures : FieldPictures
    names : mapping
        Photo to file name of its pictures.
    maps : callable
        Print to its map, SVG, or None.
    made_from : str
        Key of the session and the program.
    """
    path, note = out / "report.html", out / KEPT / "report.json"
    if _stands(path, note, made_from):
        return
    from sporecount.report import session_html

    digest = hashlib.sha256()
    with written_whole(path) as file:
        for piece in session_html(
            result,
            pictures=lambda photo: pictures.small(names[photo]),
            sheets=lambda photo: pictures.sheet(names[photo]),
            maps=maps,
            links=lambda photo: f"overlays/{quote(names[photo])}",
        ):
            digest.update(piece)
            file.write(piece)
    write_whole(note, json.dumps({"made_from": made_from, "sha256": digest.hexdigest()}).encode())


def write_again(out: Path, result: SessionResult, maps: Callable[[str], str | None], made_from: str) -> None:
    """Write tables and report of results that stand on the disk, as when people have read them since.

    Parameters
    ----------
    out : Path
    result : SessionResult
    maps : callable
        Print to its map, SVG, or None.
    made_from : str
        Key of what has come since.
    """
    kept = out / KEPT
    with only_run(kept):
        session = (out / SESSION_FILE).read_bytes()
        names = {one["photo"]: one["overlay"] for one in json.loads(session)["fields"]}
        write_tables(out, result)
        key = key_of(hashlib.sha256(session).hexdigest(), made_from)
        write_report(out, result, FieldPictures(out, kept), names, maps, key)


def _stands(path: Path, note: Path, made_from: str) -> bool:
    try:
        said = json.loads(note.read_bytes())
        if said["made_from"] != made_from:
            return False
        digest = hashlib.sha256()
        with path.open("rb") as file:
            for piece in iter(lambda: file.read(1 << 20), b""):
                digest.update(piece)
        return bool(digest.hexdigest() == said["sha256"])
    except (OSError, ValueError, KeyError, TypeError):
        return False

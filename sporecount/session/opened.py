"""The results of a session, opened again without counting."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sporecount.errors import SessionError
from sporecount.files.kept import FieldPlace, FieldsOnDisk, KeptFields
from sporecount.records import (
    FailedPhoto,
    FalseRate,
    FieldPreview,
    OwnRecall,
    PrintTally,
    Provenance,
    SessionResult,
    SporeSize,
)
from sporecount.session.folder import KEPT, printable
from sporecount.session.outputs import SESSION_FILE, SESSION_FORM


def open_session(out: str | Path) -> tuple[SessionResult, Callable[[str], FieldPreview]]:
    """Open the results that `count_folder` wrote.

    Parameters
    ----------
    out : str or Path
        Folder of the results.

    Returns
    -------
    result : SessionResult
    preview : callable
        Photo to its preview.

    Raises
    ------
    SessionError
        No results there, or of another form.
    """
    out = Path(out)
    try:
        said = json.loads((out / SESSION_FILE).read_bytes())
        if said["form"] != SESSION_FORM:
            raise ValueError
        places = [FieldPlace(one["key"], one["photo"], one["sample"], one["field"]) for one in said["fields"]]
        on_disk = FieldsOnDisk(KeptFields(out / KEPT / "fields"), places)
        result = SessionResult(
            folder=said["folder"],
            fields=on_disk,
            prints=tuple(_tally(one) for one in said["prints"]),
            failed=tuple(FailedPhoto(**one) for one in said["failed"]),
            provenance=Provenance(**said["provenance"]),
            notes=tuple(said["notes"]),
            spore_size=_size(said["spore_size"]),
            own_recall=None if said["own_recall"] is None else OwnRecall(**said["own_recall"]),
            false_rate=_false_rate(said["false_rate"]),
            next_print=said.get("next_print", ""),
            simulated=said.get("simulated", 0),
        )
    except (OSError, ValueError, KeyError, TypeError):
        counted = (out / SESSION_FILE).is_file()
        raise SessionError(
            "the results here are damaged, or another version's" if counted else "nothing is counted here",
            where=printable(str(out)),
            remedy="Count the folder again" if counted else "Check the name, and count the folder first",
        ) from None
    return result, on_disk.preview


def _tally(said: dict[str, Any]) -> PrintTally:
    """Make a tally of its JSON, in which None stands for an unknown number."""
    return PrintTally(**{name: _known(value) for name, value in said.items()})


def _size(said: dict[str, Any] | None) -> SporeSize | None:
    return None if said is None else SporeSize(**{name: _known(value) for name, value in said.items()})


def _false_rate(said: dict[str, Any] | None) -> FalseRate | None:
    return None if said is None else FalseRate(**{name: _known(value) for name, value in said.items()})


def _known(value: Any) -> Any:
    if isinstance(value, list):
        return tuple(_known(one) for one in value)
    return float("nan") if value is None else value

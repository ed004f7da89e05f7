"""Groups of animals and how many of them are positive: from counted sessions, or from numbers."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from sporecount.errors import SessionError
from sporecount.records import PrintTally
from sporecount.session.blanks import is_blank
from sporecount.session.folder import printable
from sporecount.session.opened import open_session
from sporecount.session.outputs import SESSION_FILE

Question = Literal["spores", "heavy"]
_NUMBERS = re.compile(r"(\d{1,7})\s*/\s*(\d{1,7})")
_RESULTS = "sporecount"


_SEVERAL_ANIMALS = "camera-names"
"""The reason of a print that only a camera's own file names put together."""


@dataclass(frozen=True)
class Group:
    """A group of animals, one print each.

    Parameters
    ----------
    name : str
    positives, n : int
        `n` is 0 where no print gives a verdict.
    left_out : tuple of str
        Prints that give no verdict, or that perhaps show several animals.
    """

    name: str
    positives: int
    n: int
    left_out: tuple[str, ...] = ()


def groups_of(said: str, question: Question, by: str = "") -> list[Group]:
    """Make groups of what the command line names.

    Parameters
    ----------
    said : str
        A counted folder, or numbers such as "3/20".
    question : {"spores", "heavy"}
        Positive is a print with a spore found, or one whose load is likely heavy (class 4 or 5).
    by : str
        Column of `session.csv` that splits the folder's prints; empty for one group.

    Raises
    ------
    SessionError
        Neither, no results there, or no such column.
    """
    numbers = _NUMBERS.fullmatch(said.strip())
    if numbers and not Path(said).exists():
        positives, n = int(numbers[1]), int(numbers[2])
        if not 0 <= positives <= n or n < 1:
            raise SessionError(
                f"{said} cannot be", remedy="Write positives of all, such as 3/20: at most all of them"
            )
        return [Group(f"{positives}/{n}", positives, n)]
    folder = Path(said)
    out = folder if (folder / SESSION_FILE).is_file() else folder / _RESULTS
    if not (out / SESSION_FILE).is_file():
        raise SessionError(
            "this is neither a counted folder nor numbers",
            where=printable(said),
            remedy="Count the folder first, or write positives of all, such as 3/20",
        )
    result, _ = open_session(out)
    name = result.folder
    asked = [one for one in result.prints if not is_blank(one.sample, (), {})]
    if not by:
        return [_group(name, asked, question)]
    split: dict[str, list[PrintTally]] = {}
    value_of = _values(out, by)
    for one in asked:
        split.setdefault(value_of.get(one.sample, ""), []).append(one)
    if set(split) == {""}:
        raise SessionError(
            f"session.csv says nothing in a column {by!r}",
            where=name,
            remedy="Add the column, fill it for the photos of each print, and count again",
        )
    return [_group(f"{name}, {by} {value or 'not said'}", split[value], question) for value in sorted(split)]


def _values(out: Path, column: str) -> dict[str, str]:
    """Look up what the session's table says of each print in a column: its first photo that says anything."""
    said = json.loads((out / SESSION_FILE).read_bytes())
    values: dict[str, str] = {}
    for place in [*said["fields"], *said["failed"]]:
        value = str(said["table"].get(place["photo"], {}).get(column, "")).strip()
        if value:
            values.setdefault(place["sample"], value)
    return values


def _group(name: str, prints: list[PrintTally], question: Question) -> Group:
    from sporecount.report.words import print_case

    cases = {one.sample: print_case(one) for one in prints}
    counted = [
        one.sample
        for one in prints
        if cases[one.sample] != "unusable" and _SEVERAL_ANIMALS not in one.reasons
    ]
    positive = {
        one.sample: cases[one.sample] == "heavy" if question == "heavy" else one.spores > 0 for one in prints
    }
    return Group(
        name=name,
        positives=sum(positive[sample] for sample in counted),
        n=len(counted),
        left_out=tuple(sample for sample in cases if sample not in counted),
    )

"""What a keeper may wonder about in a session, one sentence each, and what is to do next."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from difflib import get_close_matches

from sporecount.files.kept import FieldPlace
from sporecount.files.session_table import TABLE_COLUMNS, TABLE_NAME, TableRow
from sporecount.records import PrintTally
from sporecount.session.blanks import is_blank
from sporecount.session.folder import natural
from sporecount.session.groups import named_by_camera, told_by_name_alone
from sporecount.session.plan import Plan
from sporecount.session.worker import PhotoDone

_ALIKE = 0.75
"""Share of letters in common (`difflib`) from which a column's name is taken for a slip of the pen: `objectif` and
`print_area` are, `date` and `cage` are not."""


def next_print(rows: Mapping[str, TableRow], prints: Iterable[PrintTally], *, by_people: bool = False) -> str:
    """Say which print to photograph next, blank ones left out: nobody asks for their load.

    Parameters
    ----------
    rows : mapping
        Photo to its row of the table.
    prints : iterable of PrintTally
    by_people : bool
        Whether readers' decisions are in them.
    """
    from sporecount.report.session_words import next_print_words

    blank = {row.sample for photo, row in rows.items() if is_blank(row.sample, (photo,), rows)}
    asked = [one for one in prints if one.sample not in blank and not is_blank(one.sample, (), {})]
    return next_print_words(asked, by_people=by_people)


def mark_filed_twice(
    prints: Iterable[PrintTally], done: Mapping[str, PhotoDone], places: Iterable[FieldPlace]
) -> tuple[PrintTally, ...]:
    """Mark prints that share a file with another print."""
    of_file = _first_photos(done, places).values()
    shared = {sample for of_print in of_file if len(of_print) > 1 for sample in of_print}
    return tuple(one.with_reasons("same-photo-elsewhere") if one.sample in shared else one for one in prints)


def mark_camera_named(
    plan: Plan, prints: Iterable[PrintTally], done: Mapping[str, PhotoDone], places: Iterable[FieldPlace]
) -> tuple[tuple[PrintTally, ...], list[str]]:
    """Mark prints that were put together by names which a camera gave, and name those that a photo makes alone.

    Returns
    -------
    prints : tuple of PrintTally
    notes : list of str
    """
    files = plan.files
    members: dict[str, list[str]] = {}
    by_camera: set[str] = set()
    for place in places:
        members.setdefault(place.sample, []).append(place.photo)
        file = files[place.photo]
        by_name = told_by_name_alone(file, plan.rows.get(place.photo), place.sample)
        if by_name and named_by_camera(file):
            by_camera.add(place.sample)
    joined = {sample for sample in by_camera if len({done[photo].sha256 for photo in members[sample]}) > 1}
    marked = tuple(one.with_reasons("camera-names") if one.sample in joined else one for one in prints)
    alone = [photo for sample in by_camera - joined for photo in members[sample]]
    if len(alone) < 2:
        return marked, []
    some = _some(sorted(alone, key=natural))
    return marked, [
        f"Named by the camera, so each is held to be a print of its own: {some}. Where several show one animal, "
        f"name them SAMPLE_1.jpg, SAMPLE_2.jpg, or list them in {TABLE_NAME}."
    ]


def photo_notes(plan: Plan, done: Mapping[str, PhotoDone], places: Collection[FieldPlace]) -> list[str]:
    """Say what a keeper may wonder about, one sentence each."""
    notes = []
    rulings = [name for name, what in plan.purposes.items() if what == "ruling"]
    if rulings:
        notes.append(f"Not counted, by name or note a ruling: {', '.join(rulings)}.")
    for name, one in sorted(done.items(), key=lambda item: natural(item[0])):
        if one.state == "label":
            said = (
                f"is the label of {one.label}" if one.label else "should be a label, but none could be read"
            )
            notes.append(f"{name} {said}.")
    first = _first_photos(done, places)
    for place in places:
        other = first[done[place.photo].sha256][place.sample]
        if other != place.photo:
            notes.append(f"{place.photo} is the same file as {other} and counts once.")
    for of_print in first.values():
        if len(of_print) > 1:
            where = ", ".join(f"{photo} (print {sample})" for sample, photo in of_print.items())
            notes.append(f"The same file stands for several prints: {where}. All but one are filed wrongly.")
    notes += [
        f"{TABLE_NAME}: the column {column} is not known and changes nothing. If {near} is meant, name it so."
        for column, near in _misnamed([*plan.rows.values(), *plan.missing])
    ]
    others = [name for name in plan.contents.ignored if name != TABLE_NAME]
    if others:
        notes.append(f"Left alone, no photos: {_some(others)}.")
    return notes


def _some(names: Sequence[str]) -> str:
    return ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")


def _misnamed(rows: Collection[TableRow]) -> list[tuple[str, str]]:
    """Columns that are not known, each with the known one, in which nothing stands, that it is nearly named as."""
    unused = [name for name in TABLE_COLUMNS if not any(getattr(row, name) for row in rows)]
    columns = dict.fromkeys(column for row in rows for column in row.other)
    near = {column: get_close_matches(column.casefold(), unused, 1, _ALIKE) for column in columns}
    return [(column, found[0]) for column, found in near.items() if found]


def _first_photos(done: Mapping[str, PhotoDone], places: Iterable[FieldPlace]) -> dict[str, dict[str, str]]:
    """For each file, by its SHA-256, the prints that it stands for and the first photo in each."""
    first: dict[str, dict[str, str]] = {}
    for place in places:
        first.setdefault(done[place.photo].sha256, {}).setdefault(place.sample, place.photo)
    return first

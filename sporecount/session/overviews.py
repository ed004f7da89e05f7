"""Photos of whole prints at low power, and areas of prints that somebody entered: and whose they are."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping

from sporecount.errors import SessionError
from sporecount.files.session_table import TABLE_NAME
from sporecount.session.groups import Seen, assign_samples, sample_of_overview
from sporecount.session.plan import Plan
from sporecount.session.worker import PhotoDone


def assign_overviews(plan: Plan, done: Mapping[str, PhotoDone], samples: Iterable[str]) -> dict[str, str]:
    """Name the print of every overview photo.

    In this order: the table, what its name or sub-folder says beside "overview", the label photographed
    before it.

    Parameters
    ----------
    plan : Plan
    done : mapping
        Photo to what became of it.
    samples : iterable of str
        Prints of which there are fields.

    Returns
    -------
    dict
        Photo to print; empty where no such print is there.
    """
    known = tuple(dict.fromkeys(samples))
    looked_at = [photo for photo in plan.contents.photos if plan.purposes[photo.name] == "overview"]
    labels = [
        Seen(photo, done[photo.name].taken_at, done[photo.name].label)
        for photo in plan.contents.photos
        if photo.name in done and done[photo.name].label
    ]
    by_label = assign_samples(
        [*labels, *(Seen(photo, done[photo.name].taken_at) for photo in looked_at if photo.name in done)],
        plan.rows,
    )
    assigned = {}
    for photo in looked_at:
        row = plan.rows.get(photo.name)
        said = (row.sample if row is not None else "") or sample_of_overview(photo, known)
        name = said or by_label.get(photo.name, "")
        assigned[photo.name] = name if name in known else ""
    return assigned


def entered_areas(plan: Plan, sample_of: Mapping[str, str]) -> dict[str, float]:
    """Area in mm2 of each print for which the table has one.

    Parameters
    ----------
    plan : Plan
    sample_of : mapping
        Photo to print, overviews among them.

    Raises
    ------
    SessionError
        Two areas of one print.
    """
    areas: dict[str, tuple[float, int]] = {}
    for photo, row in plan.rows.items():
        sample = sample_of.get(photo) or row.sample
        if row.print_area_mm2 is None or not sample:
            continue
        other, line = areas.setdefault(sample, (row.print_area_mm2, row.line))
        if other != row.print_area_mm2:
            raise SessionError(
                f"print {sample} has two areas, {other:g} mm2 in line {line} and "
                f"{row.print_area_mm2:g} mm2 in line {row.line}",
                where=TABLE_NAME,
                remedy="Leave one of them",
            )
    return {sample: area for sample, (area, _) in areas.items()}


def overview_notes(assigned: Mapping[str, str]) -> list[str]:
    """Say what became of the overview photos."""
    notes = []
    used = Counter(sample for sample in assigned.values() if sample)
    if used:
        each = ", ".join(f"{number} of {sample}" for sample, number in used.items())
        notes.append(f"Overview photos, looked at for the area of the print and not counted: {each}.")
    unknown = [photo for photo, sample in assigned.items() if not sample]
    if unknown:
        notes.append(
            f"Overview of which print? {', '.join(unknown)}. Name it like the print, as in "
            "overview_FH-12.jpg, put it into the print's sub-folder, or say it in session.csv."
        )
    return notes

"""How many photos are enough: before a session, and in the middle of one."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import groupby
from math import pi
from pathlib import Path

from sporecount.readings import undecided_share
from sporecount.records import FieldResult
from sporecount.session.blanks import is_blank
from sporecount.session.opened import open_session
from sporecount.session.readers import ReadSession
from sporecount.settings import CountSettings
from sporecount.stats.captured import PrintArea
from sporecount.stats.detection_limit import hidden_load
from sporecount.stats.evidence import Evidence
from sporecount.stats.planning import (
    FieldPlan,
    Gain,
    Standing,
    empty_fields,
    fields_to_rule_out,
    next_print,
    standing,
)

EXAMINED_SHARE = 0.85
"""Share of a view that can usually be examined; glue and dark scales hide the rest (common practice)."""

USUAL_RECALL, USUAL_RECALL_U = 0.88, 0.18
"""Share of the spores in view that is expected to be found, with its standard uncertainty, as a count says of a
usable field in which it finds none (`steps/recall.py`)."""

_STEPS = (1, 2, 3, 5, 8, 12, 20, 30)


@dataclass(frozen=True)
class Ahead:
    """What is needed before any photo is taken.

    Parameters
    ----------
    field_mm2 : float
        Of a field that can be examined.
    area : PrintArea
    plan : FieldPlan
    hidden : tuple of (int, float)
        Number of empty fields, and the load that they leave possible at this risk; inf for any load.
    """

    field_mm2: float
    area: PrintArea
    plan: FieldPlan
    hidden: tuple[tuple[int, float], ...]


@dataclass(frozen=True)
class PrintPlan:
    """Where a print stands, and what one more field of it is worth.

    Parameters
    ----------
    sample : str
    fields : int
        Different places photographed; 0 without a usable photo.
    examined_mm2, spores : float
    standing : Standing or None
        None without a usable photo.
    gain : Gain
    decided, doubtful : int
        Objects that readers decided on, and objects of which a closer look could still decide.
    """

    sample: str
    fields: int
    examined_mm2: float
    spores: float
    standing: Standing | None
    gain: Gain
    decided: int = 0
    doubtful: int = 0

    @property
    def rests_on_doubt(self) -> bool:
        """Whether no further field would decide, but settling its doubtful objects may."""
        one = self.standing
        return one is not None and one.verdict == "open" and not one.decidable and self.doubtful > 0


def field_area(objective: float, field_number_mm: float) -> float:
    """Area in mm2 that can usually be examined in a field: field number / objective is its diameter."""
    return EXAMINED_SHARE * pi / 4 * (field_number_mm / objective) ** 2


def plan_ahead(
    lowest_class: int,
    risk: float,
    objective: float,
    settings: CountSettings,
    recall: float = USUAL_RECALL,
) -> Ahead:
    """Say how many empty fields rule a load class out, and what fewer or more would leave possible.

    Parameters
    ----------
    lowest_class : int
        1 to 5; it and all above it are to be ruled out.
    risk : float
        Of holding a print to be below that class though it is not, in (0, 0.5).
    objective : float
    settings : CountSettings
        For field number and print area.
    recall : float
        Share of the spores in view that is found.
    """
    from sporecount.steps.print_area import print_area

    area = print_area(settings).area
    field_mm2 = field_area(objective, settings.field_number_mm)
    one = empty_fields(1, field_mm2, recall, USUAL_RECALL_U)
    steps = [n for n in _STEPS if n * field_mm2 <= area.mm2]
    return Ahead(
        field_mm2=field_mm2,
        area=area,
        plan=fields_to_rule_out(lowest_class, one, area, risk),
        hidden=tuple(
            (n, hidden_load(empty_fields(n, field_mm2, recall, USUAL_RECALL_U), area, risk)) for n in steps
        ),
    )


def plan_on(
    out: Path, lowest_class: int, risk: float, print_area_mm2: float | None = None
) -> list[PrintPlan]:
    """Say of every print of a counted session where it stands; the one to photograph next comes first.

    Readers' decisions go before the machine's answer, as they do in the tallies. Prints named as blanks are
    left out: nobody asks for their load.

    Parameters
    ----------
    out : Path
        Folder of the results.
    lowest_class : int
        1 to 5: the question is whether a print is of this class or above.
    risk : float
        Accepted probability of a wrong verdict, in (0, 0.5).
    print_area_mm2 : float, optional
        Of every print, instead of what the session knows.

    Raises
    ------
    SessionError
        No results there.
    """
    from sporecount.chain import map_print
    from sporecount.steps.print_area import area_of, print_area
    from sporecount.steps.print_tally import evidence_of, false_rate_for, usable_fields, with_own_recall

    result, preview = open_session(out)
    settings = CountSettings(**result.provenance.settings)
    if print_area_mm2 is not None:
        settings = replace(settings, print_area_mm2=print_area_mm2)
    areas = {
        tally.sample: area_of(tally).area if print_area_mm2 is None else print_area(settings).area
        for tally in result.prints
    }
    seen: dict[str, Evidence | None] = {
        tally.sample: None for tally in result.prints if not is_blank(tally.sample, (), {})
    }
    book = ReadSession(out)
    read = {one.photo for one in book.readings}
    samples = {field.sample for field in result.fields if field.photo in read} if read else set()
    learnt = book.learnt((field for field in result.fields if field.sample in samples), settings)
    decided: dict[str, int] = {}
    for sample, fields in _by_print(result.fields):
        settled, decided[sample] = book.settle_print(fields, settings, learnt)
        used = with_own_recall(usable_fields(settled), result.own_recall)
        if used and sample in seen:
            left = undecided_share(fields, book.readings, settings)
            rate = false_rate_for(result.false_rate, sample, left)
            seen[sample] = evidence_of(used, settings, map_print(used, preview), rate)
    known = [one for one in seen.values() if one is not None]
    typical = empty_fields(
        1,
        sum(one.examined_mm2 for one in known) / sum(one.counts.size for one in known)
        if known
        else field_area(10.0, settings.field_number_mm),
        sum(one.searched_mm2 for one in known) / sum(one.examined_mm2 for one in known)
        if known
        else USUAL_RECALL,
    )
    plans = []
    for sample, gain in next_print(seen, typical, areas, lowest_class):
        one = seen[sample]
        plans.append(
            PrintPlan(
                sample=sample,
                fields=0 if one is None else one.counts.size,
                examined_mm2=0.0 if one is None else one.examined_mm2,
                spores=0.0 if one is None else one.found,
                standing=None if one is None else standing(one, areas[sample], lowest_class, risk),
                gain=gain,
                decided=decided.get(sample, 0),
                doubtful=0 if one is None else round(one.doubtful_objects),
            )
        )
    # what is decided needs no photo, however much doubt of other kinds one more would take away
    return sorted(plans, key=lambda one: one.standing is not None and one.standing.verdict != "open")


def _by_print(fields: Iterable[FieldResult]) -> Iterator[tuple[str, list[FieldResult]]]:
    """Fields of each print, loaded a print at a time; copies of one file once."""
    for sample, group in groupby(fields, key=lambda field: field.sample):
        once: dict[str, FieldResult] = {}
        for field in group:
            once.setdefault(field.sha256 or field.photo, field)
        yield sample, list(once.values())

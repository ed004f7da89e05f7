"""From the fields of a print to its density, its load and its flag."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import fields as names_of
from dataclasses import replace
from math import nan

import numpy as np

from sporecount.reasons import flag_of
from sporecount.records import FieldResult, PrintTally
from sporecount.settings import CountSettings
from sporecount.stats.captured import PrintArea
from sporecount.stats.density import density, upper_density
from sporecount.stats.evidence import Evidence
from sporecount.stats.load import load_of_print

SHARED_DOUBT = 0.5
"""Standard deviation, in units of the logit, by which the probabilities of a print are wrong together; as in
`stats.count_interval`."""

_DEFAULT_AREA_MM2 = next(knob.default for knob in names_of(CountSettings) if knob.name == "print_area_mm2")
_DEFAULT_AREA_RANGE = (2 / 3, 3 / 2)
"""Prints of an abdomen differ in area by about that factor to each side (from memory)."""
_ENTERED_AREA_RANGE = (0.9, 1.1)
"""An area that somebody entered was measured with a ruler, to about a tenth (common practice)."""

_ENOUGH_PLACES = 3
_GOOD_SHARE = 1 / 3
"""A doubt about so much of a print's area, or of its spores, is a doubt about the print."""


def print_area(settings: CountSettings) -> PrintArea:
    """Area of a whole print with its range: wide for the default, narrow for an entered one."""
    area = settings.print_area_mm2
    low, high = _DEFAULT_AREA_RANGE if area == _DEFAULT_AREA_MM2 else _ENTERED_AREA_RANGE
    return PrintArea(area, area * low, area * high)


def usable_fields(fields: Iterable[FieldResult]) -> list[FieldResult]:
    """Fields that say something of their print."""
    return [one for one in fields if one.tally.flag != "unusable" and one.tally.examined_mm2 > 0]


def evidence_of(fields: Sequence[FieldResult]) -> Evidence:
    """Say what the usable fields of a print show together.

    The count of a field is the sum of its objects' probabilities. Its variance is the sum of p (1 - p) and
    the part of a doubt that all objects share (`SHARED_DOUBT`), which moves the sum by itself times the sum
    of p (1 - p).

    Parameters
    ----------
    fields : sequence of FieldResult
        At least one; each place once.
    """
    areas = np.array([one.tally.examined_mm2 for one in fields])
    weight = areas / areas.sum()
    spread = np.array([float((one.kinds.spore * (1 - one.kinds.spore)).sum()) for one in fields])
    return Evidence(
        counts=np.array([float(one.kinds.spore.sum()) for one in fields]),
        areas_mm2=areas,
        recall=np.array([one.tally.recall for one in fields]),
        recall_u=float(weight @ [one.tally.recall_u for one in fields]),
        count_var=spread * (1 + SHARED_DOUBT**2 * spread.sum()),
        um_per_px_rel_u=float(weight @ [one.scale.um_per_px_u / one.scale.um_per_px for one in fields]),
    )


def tally_print(fields: Sequence[FieldResult], settings: CountSettings) -> PrintTally:
    """Join the fields of a print.

    Unusable fields are left out. A reason of a field is one of the print when it holds for a third of the
    examined area or of the spores.

    Parameters
    ----------
    fields : sequence of FieldResult
        At least one, all of one print.
    settings : CountSettings

    Returns
    -------
    PrintTally
        Without a usable field: unusable, with nan where a number would be.
    """
    sample = fields[0].sample
    used = usable_fields(fields)
    if not used:
        return _no_verdict(sample, fields)
    evidence = evidence_of(used)
    load = load_of_print(evidence, print_area(settings))
    found = density(evidence)
    reasons = _joined_reasons(used)
    if len(used) < len(fields):
        reasons.append("photos-left-out")
    if len(used) < _ENOUGH_PLACES:
        reasons.append("few-fields")
    return PrintTally(
        sample=sample,
        photos=len(used),
        fields=len(used),
        examined_mm2=evidence.examined_mm2,
        spores=sum(int(one.counted.sum()) for one in used),
        density_per_mm2=found.per_mm2,
        density_low=found.low,
        density_high=found.high,
        could_hide_per_mm2=upper_density(evidence),
        load_class=load.likeliest_class,
        load_class_probability=load.class_probability,
        flag=flag_of(reasons),
        reasons=tuple(reasons),
        load_low=load.low,
        load_high=load.high,
        class_at_least=load.class_at_least,
    )


def _joined_reasons(used: Sequence[FieldResult]) -> list[str]:
    """Reasons that hold for a good share of the area or of the spores, in the order in which they come."""
    areas = np.array([one.tally.examined_mm2 for one in used])
    spores = np.array([float(one.kinds.spore[one.counted].sum()) for one in used])
    codes = dict.fromkeys(code for one in used for code in one.tally.reasons)
    joined = []
    for code in codes:
        holds = np.array([code in one.tally.reasons for one in used])
        share = float(areas[holds].sum() / areas.sum())
        if spores.sum() > 0:
            share = max(share, float(spores[holds].sum() / spores.sum()))
        if share >= _GOOD_SHARE - 1e-9:
            joined.append(code)
    return joined


def _no_verdict(sample: str, fields: Sequence[FieldResult]) -> PrintTally:
    reasons = tuple(dict.fromkeys(code for one in fields for code in one.tally.reasons))
    if flag_of(reasons) != "unusable":
        reasons = (*reasons, "too-little-examined")
    return PrintTally(
        sample=sample,
        photos=0,
        fields=0,
        examined_mm2=0.0,
        spores=0,
        density_per_mm2=nan,
        density_low=nan,
        density_high=nan,
        could_hide_per_mm2=nan,
        load_class=0,
        load_class_probability=(nan,) * 6,
        flag="unusable",
        reasons=reasons,
    )


def mark_contaminated(prints: Iterable[PrintTally]) -> tuple[PrintTally, ...]:
    """Put the doubt that a spore on a blank print casts on the prints of its session."""
    marked = []
    for one in prints:
        reasons = tuple(dict.fromkeys((*one.reasons, "blank-contaminated")))
        marked.append(replace(one, reasons=reasons, flag=flag_of(reasons)))
    return tuple(marked)

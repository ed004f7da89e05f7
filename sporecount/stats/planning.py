"""How much is enough: fields needed before a session, when to stop within it, and which print comes next."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from sporecount.stats.captured import PrintArea, captured_share
from sporecount.stats.checks import require
from sporecount.stats.detection_limit import chance_to_find_none, hidden_load
from sporecount.stats.evidence import Evidence, scenarios
from sporecount.stats.load import CLASS_FROM, EVEN_PRIOR, load_cells, load_of_print

_FEW_SCENARIOS = 32
_NEXT_COUNTS = 15
"""Counts of the next field that are told apart; so many and more are one outcome."""


@dataclass(frozen=True)
class FieldPlan:
    """Fields that must come out empty to rule a load out.

    Parameters
    ----------
    fields : int
        Smallest sufficient number; all that fit on the print if `possible` is false.
    examined_mm2 : float
    chance_missed : float
        Probability that so many fields show nothing though the print holds that load.
    possible : bool
        Whether the risk is reached before the print is used up.
    """

    fields: int
    examined_mm2: float
    chance_missed: float
    possible: bool


@dataclass(frozen=True)
class Standing:
    """Where a session stands on the question whether a print is of some class or above.

    Parameters
    ----------
    probability : float
        That it is.
    verdict : {"below", "at least", "open"}
        Decided when the probability is at most the risk, or at least 1 - risk; see `standing`.
    fields_to_go : int
        Further fields that would decide it if they come out like those so far; 0 when decided, and the
        number that still fits on the print when even that would not do.
    decidable : bool
        Whether `fields_to_go` would do.
    """

    probability: float
    verdict: Literal["below", "at least", "open"]
    fields_to_go: int
    decidable: bool


@dataclass(frozen=True)
class Gain:
    """What one more field is worth.

    Parameters
    ----------
    bits : float
        Expected loss of doubt about the question, 0 to 1; 1 would settle an even chance for sure.
    chance_of_spore : float
        Probability that the next field shows a spore.
    """

    bits: float
    chance_of_spore: float


def empty_fields(
    fields: int,
    field_mm2: float,
    recall: float = 1.0,
    recall_u: float = 0.0,
    um_per_px_rel_u: float = 0.0,
    k: float | None = None,
) -> Evidence:
    """Return the evidence that so many equal fields without a spore would give."""
    count = int(require("fields", fields, 1))
    return Evidence(
        counts=np.zeros(count),
        areas_mm2=np.full(count, field_mm2),
        recall=recall,
        recall_u=recall_u,
        um_per_px_rel_u=um_per_px_rel_u,
        k=k,
    )


def fields_to_rule_out(
    lowest_class: int, one_field: Evidence, area: PrintArea, risk: float = 0.05
) -> FieldPlan:
    """Fields that must be empty before a print is held to be below a load class.

    The smallest number of fields in which a print with the class's smallest load shows nothing with
    probability at most `risk`. Larger loads are missed less often.

    Parameters
    ----------
    lowest_class : int
        1 to 5: class to rule out, with all above it.
    one_field : Evidence
        One typical field, of `empty_fields(1, ...)`.
    area : PrintArea
    risk : float

    Returns
    -------
    FieldPlan
    """
    require("risk", risk, 0, 1, above=True)
    load = CLASS_FROM[int(require("lowest_class", lowest_class, 1, 5))]
    field_mm2 = one_field.examined_mm2
    fitting = max(1, int(area.mm2 / field_mm2 + 1e-9))

    def missed(fields: int) -> float:
        return chance_to_find_none(_repeated(one_field, fields), area, load)

    fields = _first(lambda n: missed(n) <= risk, fitting)
    if fields is None:
        return FieldPlan(fitting, fitting * field_mm2, missed(fitting), possible=False)
    return FieldPlan(fields, fields * field_mm2, missed(fields), possible=True)


def standing(
    evidence: Evidence,
    area: PrintArea,
    lowest_class: int,
    risk: float = 0.05,
    class_prior: tuple[float, ...] = EVEN_PRIOR,
) -> Standing:
    """Stop rule: whether it is decided that a print is of `lowest_class` or above, or below.

    By the probabilities of `load_of_print`, which do not suffer from being looked at after each field.
    "Below" must also hold without their prior: the smallest load of that class would have shown more spores
    than were found with probability 1 - risk (`hidden_load`).

    Parameters
    ----------
    evidence : Evidence
    area : PrintArea
    lowest_class : int
        1 to 5.
    risk : float
        Accepted probability of a wrong verdict, in (0, 0.5).
    class_prior : tuple of six float

    Returns
    -------
    Standing
    """
    require("risk", risk, 0, 0.5, above=True)
    asked = int(require("lowest_class", lowest_class, 1, 5))

    def judge(seen: Evidence) -> tuple[float, Literal["below", "at least", "open"]]:
        p = sum(load_of_print(seen, area, class_prior).class_probability[asked:])
        if p >= 1 - risk:
            return p, "at least"
        if p <= risk and hidden_load(seen, area, risk) <= CLASS_FROM[asked]:
            return p, "below"
        return p, "open"

    now, verdict = judge(evidence)
    if verdict != "open":
        return Standing(now, verdict, 0, decidable=True)
    typical_mm2 = evidence.examined_mm2 / evidence.counts.size
    fitting = int((area.mm2 - evidence.examined_mm2) / typical_mm2)
    more = _first(lambda n: judge(_continued(evidence, n))[1] != "open", fitting)
    return Standing(now, "open", fitting if more is None else more, decidable=more is not None)


def gain_of_next_field(
    evidence: Evidence | None,
    one_field: Evidence,
    area: PrintArea,
    lowest_class: int,
    class_prior: tuple[float, ...] = EVEN_PRIOR,
) -> Gain:
    """Tell how much doubt about "class or above" one more field is expected to take away.

    The mutual information of verdict and next count, in bits. The next field is drawn from the part of the
    print not yet examined. Counts of 15 and more are taken as one outcome, and doubt about single objects is
    left out, so the gain is slightly understated.

    Parameters
    ----------
    evidence : Evidence or None
        So far; None for a print without a photo.
    one_field : Evidence
        The field to come, of `empty_fields(1, ...)`; its count is not used.
    area : PrintArea
    lowest_class : int
        1 to 5.
    class_prior : tuple of six float

    Returns
    -------
    Gain

    References
    ----------
    Lindley 1956, Ann. Math. Stat. 27:986-1005.
    """
    asked = int(require("lowest_class", lowest_class, 1, 5))
    loads, cell_class, prior = load_cells(class_prior)
    unknown = scenarios(evidence or one_field).first(_FEW_SCENARIOS)
    weight = np.repeat(prior[:, None], _FEW_SCENARIOS, axis=1)
    left, found_there = area, 0.0
    if evidence is not None:
        found = np.round(evidence.found)
        log_likelihood = captured_share(evidence, area, unknown).log_chance(found, loads[:, None])
        weight = weight * np.exp(log_likelihood - log_likelihood.max())
        rest = max(1 - evidence.examined_mm2 / area.mm2, 1e-3)
        left = PrintArea(area.mm2 * rest, area.low * rest, area.high * rest)
        found_there = found * evidence.examined_mm2 / evidence.searched_mm2
    weight = weight / weight.sum()

    remaining = np.maximum(np.round(loads - found_there), 0)[:, None]
    captured = captured_share(one_field, left, unknown)
    chances = (np.exp(captured.log_chance(np.asarray(y), remaining)) for y in range(_NEXT_COUNTS))
    outcome = [(weight * chance).sum(axis=1) for chance in chances]
    joint = np.array([[one[cell_class < asked].sum(), one[cell_class >= asked].sum()] for one in outcome])
    of_class = np.array([weight[cell_class < asked].sum(), weight[cell_class >= asked].sum()])
    joint = np.vstack([joint, np.maximum(of_class - joint.sum(axis=0), 0)])
    independent = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0, keepdims=True)
    some = joint > 1e-15
    bits = float((joint[some] * np.log2(joint[some] / independent[some])).sum())
    return Gain(bits=max(bits, 0.0), chance_of_spore=float(1 - joint[0].sum()))


def next_print(
    prints: Mapping[str, Evidence | None],
    one_field: Evidence,
    areas: Mapping[str, PrintArea],
    lowest_class: int,
    class_prior: tuple[float, ...] = EVEN_PRIOR,
) -> list[tuple[str, Gain]]:
    """Order the prints by what one more field of each is worth, most first; ties stay in the given order."""
    gains = [
        (name, gain_of_next_field(seen, one_field, areas[name], lowest_class, class_prior))
        for name, seen in prints.items()
    ]
    return sorted(gains, key=lambda one: -one[1].bits)


def _repeated(one: Evidence, fields: int) -> Evidence:
    return replace(
        one,
        counts=np.zeros(fields),
        areas_mm2=np.full(fields, one.examined_mm2),
        recall=np.full(fields, one.searched_mm2 / one.examined_mm2),
        count_var=0.0,
        doubtful=0.0,
        doubtful_var=0.0,
        doubtful_chance=0.0,
    )


def _continued(evidence: Evidence, fields: int) -> Evidence:
    """Return the evidence after so many further fields that repeat those so far in turn."""
    turn = np.concatenate([np.arange(evidence.counts.size), np.arange(fields) % evidence.counts.size])
    return replace(
        evidence,
        counts=evidence.counts[turn],
        areas_mm2=evidence.areas_mm2[turn],
        recall=np.asarray(evidence.recall)[turn],
        count_var=np.asarray(evidence.count_var)[turn],
        doubtful=np.asarray(evidence.doubtful)[turn],
        doubtful_var=np.asarray(evidence.doubtful_var)[turn],
    )


def _first(enough: Callable[[int], bool], last: int) -> int | None:
    """Smallest number in 1 .. last for which `enough` holds and then stays true; None if there is none."""
    low, high = 0, 1
    while high < last and not enough(high):
        low, high = high, 2 * high
    high = min(high, last)
    if high < 1 or not enough(high):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high

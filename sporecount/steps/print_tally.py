"""From the fields of a print to its density, its load and its flag."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import nan
from typing import Any

import numpy as np

from sporecount.reasons import flag_of
from sporecount.records import FalseRate, FieldResult, OwnRecall, PrintTally
from sporecount.settings import CountSettings
from sporecount.stats.control import Blank, blank_print, recall_at
from sporecount.stats.count_interval import SHARED_DOUBT
from sporecount.stats.density import density
from sporecount.stats.detection_limit import hidden
from sporecount.stats.evidence import Evidence
from sporecount.stats.load import HEAVY_FROM_CLASS, load_of_print
from sporecount.stats.planning import empty_fields, gain_of_next_field, standing
from sporecount.steps.overlap import PrintMap
from sporecount.steps.print_area import KnownArea, at_least_examined, print_area

_RISK = 0.05
"""Accepted risk of a wrong verdict on whether a load is heavy: that of the other bounds."""

_ENOUGH_PLACES = 3
_BLURRED_SHARE = 0.5
"""Share of the ground that a photo stands for from which it is called partly out of focus."""
_GOOD_SHARE = 1 / 3
"""A doubt about so much of a print's area, or of its spores, is a doubt about the print."""
_OF_ANY_FIELD = ("readers-differ",)
"""Reasons that hold for the print wherever on it they arise: somebody must act on them."""


UNFIT_FOR_SPIKING = frozenset({"dark-ground", "stray-light"})
"""Reasons of photos into which no spore is placed: it is dark on light, and no veil lies over it."""


def usable_fields(fields: Iterable[FieldResult]) -> list[FieldResult]:
    """Fields that say something of their print."""
    return [one for one in fields if one.tally.flag != "unusable" and one.tally.examined_mm2 > 0]


def with_own_recall(fields: Iterable[FieldResult], own: OwnRecall | None) -> list[FieldResult]:
    """Join the recall of a print's fields with what a spike-in into the session's photos found, if there was one.

    Fields on dark card or under a veil keep theirs: nothing was placed there.
    """
    fields = list(fields)
    if own is None:
        return fields
    seen = any(one.counted.any() for one in usable_fields(fields))

    def joined(one: FieldResult) -> FieldResult:
        tally = one.tally
        if UNFIT_FOR_SPIKING.intersection(tally.reasons):
            return one
        recall, recall_u = recall_at(own, tally.in_focus, tally.recall, tally.recall_u, seen=seen)
        return replace(one, tally=replace(tally, recall=recall, recall_u=recall_u))

    return [joined(one) for one in fields]


@dataclass(frozen=True)
class _Counted:
    """What of one photo counts."""

    field: FieldResult
    area_mm2: float
    objects: np.ndarray
    place: int
    reasons: tuple[str, ...]

    @property
    def probability(self) -> np.ndarray:
        return np.asarray(self.field.kinds.spore[self.objects], float)

    @property
    def spores(self) -> int:
        return int(self.field.counted[self.objects].sum())


def _what_counts(
    fields: Sequence[FieldResult], settings: CountSettings, placed: PrintMap | None
) -> list[_Counted]:
    counted = []
    for number, field in enumerate(fields):
        objects = np.asarray(field.kinds.spore > settings.doubt_low)
        area_mm2, place, reasons = field.tally.examined_mm2, number, field.tally.reasons
        if placed is not None:
            on_map = placed.fields[number]
            objects = objects & ~on_map.part.repeat
            area_mm2, place = area_mm2 * on_map.part.own_share, on_map.place
            if on_map.part.own_blurred < _BLURRED_SHARE:  # a sharper photo stands for the rest
                reasons = tuple(code for code in reasons if code != "partly-out-of-focus")
        counted.append(_Counted(field, area_mm2, objects, place, reasons))
    return counted


def evidence_of(
    fields: Sequence[FieldResult],
    settings: CountSettings,
    placed: PrintMap | None = None,
    false_rate: FalseRate | None = None,
) -> Evidence:
    """Say what the usable fields of a print show together.

    The count of a place is the sum of the probabilities of its objects, each counted once; those that are
    hardly spores (`settings.doubt_low`) are left to the recall, lest thousands of specks make a spore. Its
    variance is the sum of p (1 - p) and the part of a doubt that all objects share (`SHARED_DOUBT`), which
    moves it by itself times the sum of p (1 - p). Those below `settings.doubt_high` are doubtful: a person can
    still decide on them.

    Parameters
    ----------
    fields : sequence of FieldResult
        At least one, as from `usable_fields`.
    settings : CountSettings
    placed : PrintMap, optional
        Of the same fields; without it each photo is a place of its own.
    false_rate : FalseRate, optional
        Of false spores, where clean prints of the session tell it; see `false_rate_for`.
    """
    return _evidence(_what_counts(fields, settings, placed), settings, false_rate)


def false_rate_for(rate: FalseRate | None, sample: str, undecided: float = 1.0) -> FalseRate | None:
    """Give the rate of false spores that is taken off a print: not off those that it was found on.

    Parameters
    ----------
    rate : FalseRate or None
        Of the session.
    sample : str
        The print.
    undecided : float
        Share of its spores that no reader has decided on; where people decided, nothing false is left.
    """
    if rate is None or sample in rate.prints or rate.found == 0 or undecided == 0:
        return None
    return replace(rate, found=rate.found * undecided)


def _evidence(counted: Sequence[_Counted], settings: CountSettings, false_rate: FalseRate | None) -> Evidence:
    areas = np.array([one.area_mm2 for one in counted])
    _, place = np.unique([one.place for one in counted], return_inverse=True)
    place_mm2 = np.bincount(place, areas)
    some = place_mm2 > 0

    def of_places(values: Iterable[float]) -> np.ndarray:
        return np.bincount(place, np.fromiter(values, float, len(counted)))[some]

    open_ones = [one.probability[one.probability < settings.doubt_high] for one in counted]
    spread = of_places((one.probability * (1 - one.probability)).sum() for one in counted)
    sure_spread = np.maximum(spread - of_places((one * (1 - one)).sum() for one in open_ones), 0)
    variance, sure_variance = (one * (1 + SHARED_DOUBT**2 * one.sum()) for one in (spread, sure_spread))
    every_open = np.concatenate(open_ones)
    weight = areas / areas.sum()
    scales = [one.field.scale for one in counted]
    return Evidence(
        counts=of_places(one.probability.sum() for one in counted),
        areas_mm2=place_mm2[some],
        recall=of_places(one.area_mm2 * one.field.tally.recall for one in counted) / place_mm2[some],
        recall_u=float(weight @ [one.field.tally.recall_u for one in counted]),
        count_var=variance,
        doubtful=of_places(one.sum() for one in open_ones),
        doubtful_var=variance - sure_variance,
        doubtful_chance=float(every_open.mean()) if every_open.size else 0.0,
        false_per_mm2=0.0 if false_rate is None else false_rate.per_mm2,
        false_from_mm2=np.inf if false_rate is None else false_rate.examined_mm2,
        um_per_px_rel_u=float(weight @ [scale.um_per_px_u / scale.um_per_px for scale in scales]),
    )


def tally_print(
    fields: Sequence[FieldResult],
    settings: CountSettings,
    placed: PrintMap | None = None,
    area: KnownArea | None = None,
    false_rate: FalseRate | None = None,
) -> PrintTally:
    """Join the fields of a print.

    Unusable fields are left out. A reason of a field is one of the print when it holds for a third of the
    examined area or of the spores.

    Parameters
    ----------
    fields : sequence of FieldResult
        At least one, all of one print.
    settings : CountSettings
    placed : PrintMap, optional
        Of `usable_fields(fields)`; without it each photo counts as a place of its own.
    area : KnownArea, optional
        Of the whole print; that of the settings without it.
    false_rate : FalseRate, optional
        Of `false_rate_for`.

    Returns
    -------
    PrintTally
        Without a usable field: unusable, with nan where a number would be.
    """
    sample = fields[0].sample
    used = usable_fields(fields)
    area = area or print_area(settings)
    if not used:
        return _no_verdict(sample, fields, area)
    counted = _what_counts(used, settings, placed)
    evidence = _evidence(counted, settings, false_rate)
    area = at_least_examined(area, evidence.examined_mm2)
    load = load_of_print(evidence, area.area)
    found = density(evidence)
    could_hide = hidden(evidence, area.area)
    stands = standing(evidence, area.area, HEAVY_FROM_CLASS, _RISK)
    typical = empty_fields(
        1, evidence.examined_mm2 / evidence.counts.size, evidence.searched_mm2 / evidence.examined_mm2
    )
    gain = gain_of_next_field(evidence, typical, area.area, HEAVY_FROM_CLASS)
    reasons = _joined_reasons(counted)
    if len(used) < len(fields):
        reasons.append("photos-left-out")
    if placed is not None and placed.doubtful:
        reasons.append("perhaps-same-place")
    if evidence.counts.size < _ENOUGH_PLACES:
        reasons.append("few-fields")
    reasons.extend(area.reasons)
    return PrintTally(
        sample=sample,
        photos=len(used),
        fields=evidence.counts.size,
        examined_mm2=evidence.examined_mm2,
        spores=sum(one.spores for one in counted),
        density_per_mm2=found.per_mm2,
        density_low=found.low,
        density_high=found.high,
        could_hide_per_mm2=could_hide.per_mm2,
        load_class=load.likeliest_class,
        load_class_probability=load.class_probability,
        flag=flag_of(reasons),
        reasons=tuple(reasons),
        load_low=load.low,
        load_high=load.high,
        class_at_least=load.class_at_least,
        could_hide=could_hide.load,
        could_hide_even=could_hide.even_load,
        heavy_verdict=stands.verdict,
        fields_to_go=stands.fields_to_go if stands.decidable else -1,
        next_field_bits=gain.bits,
        expected=evidence.found,
        doubtful_objects=round(evidence.doubtful_objects),
        doubtful_expected=float(np.sum(evidence.doubtful)),
        heavy_without_doubtful=load.heavy_without_doubtful,
        **_area_columns(area),
    )


def _area_columns(known: KnownArea) -> dict[str, Any]:
    return {
        "print_area_mm2": known.area.mm2,
        "print_area_low_mm2": known.area.low,
        "print_area_high_mm2": known.area.high,
        "print_area_source": known.source,
        "print_outlines_um": known.outlines_um,
    }


def _joined_reasons(counted: Sequence[_Counted]) -> list[str]:
    """Reasons that hold for a good share of the area or of the spores, in the order in which they come."""
    areas = np.array([one.area_mm2 for one in counted])
    spores = np.array([one.spores for one in counted], float)
    joined = []
    for code in dict.fromkeys(code for one in counted for code in one.reasons):
        holds = np.array([code in one.reasons for one in counted])
        shares = [float(of[holds].sum() / of.sum()) for of in (areas, spores) if of.sum() > 0]
        if code in _OF_ANY_FIELD or max(shares) >= _GOOD_SHARE - 1e-9:
            joined.append(code)
    return joined


def _no_verdict(sample: str, fields: Sequence[FieldResult], area: KnownArea) -> PrintTally:
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
        reasons=(*reasons, *area.reasons),
        **_area_columns(area),
    )


def judge_blank(
    fields: Sequence[FieldResult], settings: CountSettings, false_per_mm2: float = 0.0
) -> Blank | None:
    """Judge a blank print by its objects that are spores, surely or perhaps; see `stats.control.blank_print`.

    Parameters
    ----------
    fields : sequence of FieldResult
        Of the blank print.
    settings : CountSettings
        Objects up to `doubt_low` are held to be none.
    false_per_mm2 : float
        False spores per mm2, known from clean prints.

    Returns
    -------
    Blank or None
        None without a usable field.
    """
    used = usable_fields(fields)
    if not used:
        return None
    spore = np.concatenate([np.asarray(one.kinds.spore, float) for one in used])
    return blank_print(
        spore[spore > settings.doubt_low], sum(one.tally.examined_mm2 for one in used), false_per_mm2
    )


def mark_session(prints: Iterable[PrintTally], code: str) -> tuple[PrintTally, ...]:
    """Put the doubt that a control casts on its session, a code of `reasons.REASONS`, on every print."""
    return tuple(one.with_reasons(code) for one in prints)

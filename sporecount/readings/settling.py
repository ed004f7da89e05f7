"""A field tallied again with the readers' decisions."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import fields, replace

import numpy as np

from sporecount.readings.decisions import Reading, current, votes_on
from sporecount.readings.learning import Learnt, shifted
from sporecount.reasons import flag_of
from sporecount.records import KINDS, FieldResult, FieldTally, Kinds, Objects
from sporecount.settings import CountSettings
from sporecount.steps.field_tally import is_amberless, is_ambiguous, spores_interval

SURE = 0.99
"""Probability of a spore where a reader saw one; 1 - SURE where none. Chosen: readers err, too."""

_OPEN = 0.5
"""Probability of a spore where as many readers saw one as did not. It stays among the doubtful: not counted, but
half a spore in density and interval."""


def settle(
    field: FieldResult,
    readings: Iterable[Reading],
    settings: CountSettings | None = None,
    learnt: Learnt | None = None,
) -> FieldResult:
    """Tally a field again with the readers' decisions.

    Parameters
    ----------
    field : FieldResult
        The machine's.
    readings : iterable of Reading
        Those of other photos are passed over.
    settings : CountSettings, optional
    learnt : Learnt, optional
        Applied to objects that no reader decided on.

    Returns
    -------
    FieldResult
        A new one; without readings and `learnt` it is `field` itself.
    """
    knobs = settings or CountSettings()
    said = [one for one in current(readings) if one.photo == field.photo]
    if not said and (learnt is None or learnt.shift == 0):
        return field
    on_objects, on_missed = votes_on(field, said, knobs)
    # a spore that most hold to be none after all is left out again
    missed = {place: votes for place, votes in on_missed.items() if votes.verdict is not False}
    probability = np.asarray(field.kinds.spore, float)
    settled = shifted(probability, learnt.shift) if learnt is not None else probability
    spore = np.concatenate([settled, np.full(len(missed), SURE)])
    decided, differing = np.zeros(len(spore), bool), np.zeros(len(spore), bool)
    for row, votes in [*on_objects.items(), *enumerate(missed.values(), start=len(settled))]:
        if votes.verdict is not None:
            spore[row], decided[row] = SURE if votes.verdict else 1 - SURE, True
        elif votes.differ:
            spore[row], differing[row] = _OPEN, True
    result = replace(
        field,
        objects=_with_missed(field, list(missed), knobs),
        kinds=_as_kinds(field.kinds, spore),
        counted=(spore >= knobs.count_from) & ~differing,
    )
    asked = int(((probability > knobs.doubt_low) & (probability < knobs.doubt_high)).sum())
    return replace(result, tally=_tally(result, decided, asked, bool(differing.any()), knobs))


def _with_missed(field: FieldResult, missed: Sequence[tuple[float, float]], knobs: CountSettings) -> Objects:
    if not missed:
        return field.objects
    usual = field.tally.spore_length_um
    length = usual if math.isfinite(usual) else 0.5 * (knobs.spore_length_min_um + knobs.spore_length_max_um)
    count = len(missed)
    places = np.asarray(missed, float)
    known: dict[str, np.ndarray] = {
        "x_px": places[:, 0],
        "y_px": places[:, 1],
        "length_um": np.full(count, length),
        "width_um": np.full(count, length / 1.5),
        "clump": np.ones(count, np.int64),
        "on_scale": np.zeros(count, bool),
    }
    columns = {}
    for one in fields(Objects):
        before = getattr(field.objects, one.name)
        columns[one.name] = np.concatenate([before, known.get(one.name, np.full(count, np.nan))])
    return Objects(**columns)


def _as_kinds(before: Kinds, spore: np.ndarray) -> Kinds:
    """Give kinds with these probabilities of a spore, the others in their old proportion."""
    old = np.asarray(before.probability, float)
    added = np.zeros((len(spore) - len(old), len(KINDS)))
    added[:, KINDS.index("other")] = 1
    others = np.concatenate([old, added])[:, 1:]
    total = others.sum(axis=1, keepdims=True)
    others = np.where(total > 0, others / np.maximum(total, 1e-12), 1 / others.shape[1])
    whole = np.concatenate([spore[:, None], others * (1 - spore[:, None])], axis=1)
    return Kinds(whole.astype(np.float32))


def mostly_unread(doubtful: int, asked: int) -> bool:
    """Whether more than half of the objects that the machine doubted are still in doubt.

    Where it asked for a look, reading a few of them must not end the doubt: which ones were read is chance, and
    the rest is as doubtful as it was.

    Parameters
    ----------
    doubtful : int
        Objects still in doubt.
    asked : int
        Objects in doubt before anybody read.
    """
    return 2 * doubtful > asked


def _tally(
    field: FieldResult, decided: np.ndarray, asked: int, differ: bool, knobs: CountSettings
) -> FieldTally:
    before = field.tally
    spore = np.clip(np.asarray(field.kinds.spore, float), 0, 1)
    spores = int(field.counted.sum())
    low, high = spores_interval(spore, spores, before.recall, before.recall_u, knobs, before.hidden_in_heaps)
    open_ones = int((~decided & (spore > knobs.doubt_low) & (spore < knobs.doubt_high)).sum())
    ambiguous = is_ambiguous(open_ones, spores, low)
    stays = ambiguous or mostly_unread(open_ones, asked)
    reasons = [code for code in before.reasons if stays or code != "ambiguous-objects"]
    # a decision raises no doubt that was none before, unless it took the last spore
    if ambiguous and not spores and "ambiguous-objects" not in reasons:
        reasons.insert(0, "ambiguous-objects")
    amber = field.objects.amber[(spore > knobs.doubt_high) & field.counted]
    if "not-amber" in reasons and not is_amberless(amber[np.isfinite(amber)]):
        reasons.remove("not-amber")
    if differ:
        reasons.append("readers-differ")
    lengths = field.objects.length_um[(spore > knobs.doubt_high) & (field.objects.clump == 1)]
    lengths = lengths[np.isfinite(lengths)]
    return replace(
        before,
        spores=spores,
        spores_low=low,
        spores_high=high,
        reasons=tuple(reasons),
        flag=flag_of(reasons),
        spore_length_um=float(np.median(lengths)) if len(lengths) else float("nan"),
    )

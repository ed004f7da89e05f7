"""The machine's answer and the readers' decisions to a tally again; both are kept.

A reader's word goes before the program's, but no reader is taken for infallible, and two readers who differ
leave the object open. Nothing here changes what the program said: each function makes a new record.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Literal

import numpy as np

from sporecount.reasons import flag_of
from sporecount.records import KINDS, FieldResult, FieldTally, Kinds, Objects, PrintTally
from sporecount.settings import CountSettings
from sporecount.stats.agreement import Kappa, cross_table, kappa
from sporecount.steps.field_tally import is_ambiguous, spores_interval

Says = Literal["spore", "not", "unsure", "added", "taken-back"]
SAYS: tuple[Says, ...] = ("spore", "not", "unsure", "added", "taken-back")
"""What a reader can say of a place: a spore; none; cannot be told; a spore that the program missed; and that
an earlier word no longer holds."""

SURE = 0.99
"""Probability of a spore where a reader saw one; 1 - SURE where none. Chosen: readers err, too."""

_SHIFT_SD = 0.7
"""Prior standard deviation of the shift of the logits in `learn`: before a reader speaks, the program's
probabilities are held right within a factor of two of the odds."""

_FEWEST_TO_LEARN = 8


@dataclass(frozen=True)
class Reading:
    """One decision of one reader on one object.

    Parameters
    ----------
    photo : str
    x_px, y_px : float
        Where the object lies in the upright photo; it is found again there after a new count.
    says : str
        One of `SAYS`.
    reader : str
        Name or initials, as the reader gave them.
    made_at : str
        ISO 8601, UTC.
    round : int
        1, or 2 for a second reading that did not see the first.
    """

    photo: str
    x_px: float
    y_px: float
    says: Says
    reader: str = ""
    made_at: str = ""
    round: int = 1


@dataclass(frozen=True)
class Learnt:
    """What readers' decisions say of the program's probabilities in this session.

    Parameters
    ----------
    shift : float
        Added to the logit of every object that no reader decided on.
    decided : int
        Objects it was learnt from.
    expected, seen : float
        Spores that the program expected among them, and spores that the readers saw.
    length_um, length_spread_um : float
        Median length of the confirmed spores and its robust standard deviation; nan when there are too few.
    confirmed : int
        Spores behind the length.
    """

    shift: float
    decided: int
    expected: float
    seen: float
    length_um: float
    length_spread_um: float
    confirmed: int


@dataclass(frozen=True)
class Doubt:
    """A doubtful object in the queue.

    Parameters
    ----------
    photo : str
    row : int
        Of the field's objects.
    x_px, y_px : float
    value : float
        How much a decision is worth; the queue is sorted by it.
    """

    photo: str
    row: int
    x_px: float
    y_px: float
    value: float


@dataclass(frozen=True)
class Agreement:
    """How far two readings of the same objects agree.

    Parameters
    ----------
    table : ndarray of shape (3, 3)
        First reading against second; spore, not, cannot tell.
    kappa : Kappa or None
        None where it cannot be computed: fewer than two objects, or all of one kind.
    differing : tuple of Reading
        Of the second reading.
    """

    table: np.ndarray
    kappa: Kappa | None
    differing: tuple[Reading, ...]


def current(readings: Iterable[Reading]) -> list[Reading]:
    """Give the latest word of each reader and round on each place; words taken back are gone.

    Latest by `made_at`; of the same time, by what was said, so that the order of the list does not matter.
    """
    latest: dict[tuple[object, ...], Reading] = {}
    for one in sorted(readings, key=lambda one: (one.made_at, SAYS.index(one.says))):
        latest[one.photo, one.reader, one.round, round(one.x_px, 1), round(one.y_px, 1)] = one
    return [one for one in latest.values() if one.says != "taken-back"]


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
    votes, missed = _votes(field, said, knobs)
    probability = np.asarray(field.kinds.spore, float)
    settled = _shifted(probability, learnt.shift) if learnt is not None else probability.copy()
    for row, words in votes.items():
        for_it, against = words.count("spore"), words.count("not")
        if for_it and against:
            settled[row] = 0.5
        elif for_it or against:
            settled[row] = SURE if for_it else 1 - SURE
    whole = _with_missed(field, missed, knobs)
    spore = np.concatenate([settled, np.full(len(missed), SURE)])
    decided = np.zeros(len(spore), bool)
    decided[[row for row, words in votes.items() if "spore" in words or "not" in words]] = True
    decided[len(settled) :] = True
    result = replace(
        field,
        objects=whole,
        kinds=_as_kinds(field.kinds, spore),
        counted=spore >= knobs.count_from,
    )
    return replace(result, tally=_tally(result, decided, knobs))


def _shifted(probability: np.ndarray, shift: float) -> np.ndarray:
    safe = np.clip(probability, 1e-6, 1 - 1e-6)
    return 1 / (1 + (1 - safe) / safe * math.exp(-shift))


def _reach_px(field: FieldResult, knobs: CountSettings) -> float:
    """Distance within which two places are the same object: half a small spore."""
    return 0.5 * knobs.spore_length_min_um / field.scale.um_per_px


def _votes(
    field: FieldResult, said: Sequence[Reading], knobs: CountSettings
) -> tuple[dict[int, list[str]], list[tuple[float, float]]]:
    """Give the words on each object, and the places of missed spores, each once."""
    reach = _reach_px(field, knobs)
    votes: dict[int, list[str]] = {}
    missed: list[tuple[float, float]] = []
    for one in sorted(said, key=lambda one: (one.y_px, one.x_px, one.reader, one.round)):
        row = nearest(field.objects, one.x_px, one.y_px, reach)
        if row is not None:
            votes.setdefault(row, []).append("spore" if one.says == "added" else one.says)
        elif one.says == "added" and all(math.dist(place, (one.x_px, one.y_px)) > reach for place in missed):
            missed.append((one.x_px, one.y_px))
    return votes, missed


def nearest(objects: Objects, x_px: float, y_px: float, reach_px: float) -> int | None:
    """Find the row of the object at a place; None when none lies within reach."""
    if not len(objects):
        return None
    away = np.hypot(objects.x_px - x_px, objects.y_px - y_px)
    row = int(np.nanargmin(away)) if np.isfinite(away).any() else -1
    return row if row >= 0 and away[row] <= reach_px else None


def spot_of(field: FieldResult, reading: Reading, settings: CountSettings) -> int | None:
    """Find the row of the object that a reading speaks of; None where the machine has none there."""
    return nearest(field.objects, reading.x_px, reading.y_px, _reach_px(field, settings))


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


def _tally(field: FieldResult, decided: np.ndarray, knobs: CountSettings) -> FieldTally:
    before = field.tally
    spore = np.clip(np.asarray(field.kinds.spore, float), 0, 1)
    spores = int(field.counted.sum())
    low, high = spores_interval(spore, spores, before.recall, before.recall_u, knobs)
    open_ones = int((~decided & (spore > knobs.doubt_low) & (spore < knobs.doubt_high)).sum())
    reasons = [code for code in before.reasons if code != "ambiguous-objects"]
    if "ambiguous-objects" in before.reasons and is_ambiguous(open_ones, spores):
        reasons.insert(before.reasons.index("ambiguous-objects"), "ambiguous-objects")
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


def queue(
    results: Iterable[FieldResult],
    prints: Iterable[PrintTally],
    readings: Iterable[Reading] = (),
    settings: CountSettings | None = None,
) -> list[Doubt]:
    """List the doubtful objects that no reader has decided on, the most valuable first.

    The worth of an object is its own doubt, 4 p (1 - p), times what its print's verdict can still change: a
    print whose heavy load is open, or of which hardly a spore was found, comes before one that stays what it
    is. A rule of common sense, not of a source.

    Parameters
    ----------
    results : iterable of FieldResult
        The machine's.
    prints : iterable of PrintTally
    readings : iterable of Reading
        Decisions that take an object off the list.
    settings : CountSettings, optional
    """
    knobs = settings or CountSettings()
    weight = {tally.sample: _verdict_doubt(tally) for tally in prints}
    of_photo: dict[str, list[Reading]] = {}
    for one in current(readings):
        of_photo.setdefault(one.photo, []).append(one)
    doubts = []
    for field in results:
        votes, _ = _votes(field, of_photo.get(field.photo, []), knobs)
        spore = np.asarray(field.kinds.spore, float)
        rows = np.flatnonzero((spore > knobs.doubt_low) & (spore < knobs.doubt_high))
        for row in rows.tolist():
            if row not in votes:
                worth = 4 * spore[row] * (1 - spore[row]) * weight.get(field.sample, 1.0)
                x_px, y_px = float(field.objects.x_px[row]), float(field.objects.y_px[row])
                doubts.append(Doubt(field.photo, row, x_px, y_px, float(worth)))
    return sorted(doubts, key=lambda one: (-one.value, one.photo, one.row))


def _verdict_doubt(tally: PrintTally) -> float:
    probability = tally.load_class_probability
    heavy = sum(probability[4:]) if len(probability) == 6 else math.nan
    open_verdict = 4 * heavy * (1 - heavy) if math.isfinite(heavy) else 0.5
    return 1.0 + 4.0 * open_verdict + 2.0 / (1 + tally.spores)


def learn(
    results: Iterable[FieldResult], readings: Iterable[Reading], settings: CountSettings | None = None
) -> Learnt | None:
    """Learn from the decisions how this session's spores answer to the program.

    One number: the shift of all logits under which the decisions are likeliest, with a normal prior at 0 (a
    maximum a posteriori fit of a logistic with slope 1; Platt 1999 without the slope). The slope stays, for
    decisions are nearly all on doubtful objects and say nothing of sure ones.

    Parameters
    ----------
    results : iterable of FieldResult
        The machine's.
    readings : iterable of Reading
    settings : CountSettings, optional

    Returns
    -------
    Learnt or None
        None with fewer than eight decisions.
    """
    knobs = settings or CountSettings()
    of_photo: dict[str, list[Reading]] = {}
    for one in current(readings):
        of_photo.setdefault(one.photo, []).append(one)
    before: list[float] = []
    seen: list[bool] = []
    lengths: list[float] = []
    for field in results:
        votes, _ = _votes(field, of_photo.get(field.photo, []), knobs)
        for row, words in votes.items():
            if ("spore" in words) != ("not" in words):
                before.append(float(field.kinds.spore[row]))
                seen.append("spore" in words)
                if "spore" in words and field.objects.clump[row] == 1:
                    lengths.append(float(field.objects.length_um[row]))
    if len(before) < _FEWEST_TO_LEARN:
        return None
    p, y = np.clip(np.asarray(before), 1e-4, 1 - 1e-4), np.asarray(seen, float)
    shift = 0.0
    for _ in range(50):  # Newton's steps on a concave function of one number
        now = _shifted(p, shift)
        step = (np.sum(y - now) - shift / _SHIFT_SD**2) / (np.sum(now * (1 - now)) + 1 / _SHIFT_SD**2)
        shift += float(step)
        if abs(step) < 1e-10:
            break
    sizes = np.asarray([one for one in lengths if math.isfinite(one)])
    middle = float(np.median(sizes)) if len(sizes) >= _FEWEST_TO_LEARN else math.nan
    # 1.4826 times the median deviation is a standard deviation that single odd objects do not move
    spread = 1.4826 * float(np.median(np.abs(sizes - middle))) if math.isfinite(middle) else math.nan
    return Learnt(shift, len(y), float(p.sum()), float(y.sum()), middle, spread, len(sizes))


def learnt_words(learnt: Learnt) -> list[str]:
    """Say what was learnt and what it changes."""
    even = float(_shifted(np.array([0.5]), learnt.shift)[0])
    words = [
        f"Of {learnt.decided} decided objects the program expected {learnt.expected:.0f} to be spores; "
        f"readers saw {learnt.seen:.0f}.",
        f"So an object that the program gave 50 in 100 now has {100 * even:.0f} in 100. "
        "Only objects without a decision are moved.",
    ]
    if math.isfinite(learnt.length_um):
        words.append(
            f"Confirmed single spores are {learnt.length_um:.1f} µm long (median of {learnt.confirmed}), "
            f"spread {learnt.length_spread_um:.1f} µm. To look for this size, set it with the photos."
        )
    return words


_WORDS = {"spore": 0, "added": 0, "not": 1, "unsure": 2}
"""Rows and columns of the table of an agreement."""


def agreement(readings: Iterable[Reading]) -> Agreement:
    """Compare the second reading with the first, on the objects that both decided on."""
    known = current(readings)
    return compare_readings(
        [one for one in known if one.round == 1], [one for one in known if one.round == 2]
    )


def compare_readings(first: Iterable[Reading], second: Iterable[Reading]) -> Agreement:
    """Compare two readings on the objects that both decided on, as two readers or two rounds gave them."""
    words: tuple[dict[tuple[str, float, float], Reading], ...] = ({}, {})
    for said, of_one in zip((first, second), words, strict=True):
        for one in current(said):
            of_one[one.photo, round(one.x_px, 1), round(one.y_px, 1)] = one
    both = sorted(words[0].keys() & words[1].keys())
    pairs = [(words[0][place], words[1][place]) for place in both]
    return _agreement([(_WORDS[one.says], _WORDS[two.says]) for one, two in pairs], [two for _, two in pairs])


def compare_with_machine(
    results: Iterable[FieldResult], readings: Iterable[Reading], settings: CountSettings | None = None
) -> Agreement:
    """Compare a reader with the machine, on the objects that the reader decided on.

    The machine's word is "spore" for what it counted and "not" for the rest, spores that it missed among
    them. Readers are mostly asked where the machine is in doubt, so it agrees better on the other objects.

    Parameters
    ----------
    results : iterable of FieldResult
        The machine's.
    readings : iterable of Reading
        Of one reader.
    settings : CountSettings, optional
    """
    knobs = settings or CountSettings()
    of_photo = by_photo(current(readings))
    pairs, said = [], []
    for field in results:
        for one in of_photo.get(field.photo, ()):
            row = spot_of(field, one, knobs)
            machine = 0 if row is not None and field.counted[row] else 1
            pairs.append((machine, _WORDS[one.says]))
            said.append(one)
    return _agreement(pairs, said)


def _agreement(pairs: Sequence[tuple[int, int]], second: Sequence[Reading]) -> Agreement:
    table = cross_table([one for one, _ in pairs], [two for _, two in pairs], 3)
    used = np.flatnonzero(table.sum(axis=0) + table.sum(axis=1))
    enough = len(pairs) >= 2 and len(used) >= 2
    differing = tuple(said for said, (one, two) in zip(second, pairs, strict=True) if one != two)
    return Agreement(table, kappa(table[np.ix_(used, used)]) if enough else None, differing)


def by_photo(readings: Iterable[Reading]) -> Mapping[str, list[Reading]]:
    """Sort readings by their photo."""
    sorted_ones: dict[str, list[Reading]] = {}
    for one in readings:
        sorted_ones.setdefault(one.photo, []).append(one)
    return sorted_ones

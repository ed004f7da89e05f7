"""Which objects are still in doubt, the most valuable first."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from sporecount.readings.decisions import Reading, by_photo, current, votes_on
from sporecount.records import FieldResult, PrintTally
from sporecount.settings import CountSettings


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
    differ : bool
        Whether readers differ on it, so that one more look decides.
    """

    photo: str
    row: int
    x_px: float
    y_px: float
    value: float
    differ: bool = False


def queue(
    results: Iterable[FieldResult],
    prints: Iterable[PrintTally],
    readings: Iterable[Reading] = (),
    settings: CountSettings | None = None,
    *,
    turn: int | None = None,
    reader: str | None = None,
) -> list[Doubt]:
    """List the objects that are still in doubt, the most valuable first.

    Doubtful objects on which nobody has said anything, and all on which readers differ: those for every reader
    but the ones who have spoken. The worth of an object is its own doubt, 4 p (1 - p), times what its print's
    verdict can still change: a print whose heavy load is open, or of which hardly a spore was found, comes
    before one that stays what it is, and those of an unusable one come last. A rule of common sense, not of a
    source.

    Parameters
    ----------
    results : iterable of FieldResult
        The machine's.
    prints : iterable of PrintTally
    readings : iterable of Reading
        All decisions.
    settings : CountSettings, optional
    turn : int, optional
        Of a round of reading, in which words of other rounds take nothing off the list.
    reader : str, optional
        For whom the list is.
    """
    knobs = settings or CountSettings()
    weight = {tally.sample: _verdict_doubt(tally) for tally in prints}
    of_photo = by_photo(current(readings))
    doubts = []
    for field in results:
        said = of_photo.get(field.photo, [])
        votes, _ = votes_on(field, said, knobs)
        in_turn, _ = votes_on(field, [one for one in said if turn in (None, one.round)], knobs)
        spore = np.asarray(field.kinds.spore, float)
        doubtful = np.flatnonzero((spore > knobs.doubt_low) & (spore < knobs.doubt_high)).tolist()
        differing = [row for row, words in votes.items() if words.differ]
        for row in sorted({*doubtful, *differing}):
            if row in differing:
                if reader in votes[row].by:
                    continue
            elif row in in_turn:
                continue
            chance = 0.5 if row in differing else spore[row]
            worth = 4 * chance * (1 - chance) * weight.get(field.sample, 1.0)
            place = float(field.objects.x_px[row]), float(field.objects.y_px[row])
            doubts.append(Doubt(field.photo, row, *place, float(worth), row in differing))
    return sorted(doubts, key=lambda one: (-one.value, one.photo, one.row))


def _verdict_doubt(tally: PrintTally) -> float:
    if tally.flag == "unusable":
        return 0.0  # whatever its objects are, there is no verdict to change
    probability = tally.load_class_probability
    heavy = sum(probability[4:]) if len(probability) == 6 else math.nan
    open_verdict = 4 * heavy * (1 - heavy) if math.isfinite(heavy) else 0.5
    return 1.0 + 4.0 * open_verdict + 2.0 / (1 + tally.spores)

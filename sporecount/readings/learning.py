"""What readers' decisions say of the machine's probabilities in this session."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from sporecount.readings.decisions import Reading, by_photo, current, votes_on
from sporecount.records import FieldResult
from sporecount.settings import CountSettings

_SHIFT_SD = 0.7
"""Prior standard deviation of the shift of the logits in `learn`: before a reader speaks, the program's
probabilities are held right within a factor of two of the odds."""

_FEWEST_TO_LEARN = 8


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
    of_photo = by_photo(current(readings))
    before: list[float] = []
    seen: list[bool] = []
    lengths: list[float] = []
    for field in results:
        votes, _ = votes_on(field, of_photo.get(field.photo, ()), knobs)
        for row, words in votes.items():
            if words.verdict is not None:
                before.append(float(field.kinds.spore[row]))
                seen.append(words.verdict)
                if words.verdict and field.objects.clump[row] == 1:
                    lengths.append(float(field.objects.length_um[row]))
    if len(before) < _FEWEST_TO_LEARN:
        return None
    p, y = np.clip(np.asarray(before), 1e-4, 1 - 1e-4), np.asarray(seen, float)
    shift = 0.0
    for _ in range(50):  # Newton's steps on a concave function of one number
        now = shifted(p, shift)
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
    even = float(shifted(np.array([0.5]), learnt.shift)[0])
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


def shifted(probability: np.ndarray, shift: float) -> np.ndarray:
    """Move all logits by `shift`."""
    safe = np.clip(probability, 1e-6, 1 - 1e-6)
    return 1 / (1 + (1 - safe) / safe * math.exp(-shift))

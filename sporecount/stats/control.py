"""Control prints: a blank one shows contamination, a spiked or known one shows what the search finds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sporecount.errors import SettingsError
from sporecount.records import FalseRate, OwnRecall
from sporecount.stats.checks import require
from sporecount.stats.intervals import Interval, clopper_pearson, poisson_interval


@dataclass(frozen=True)
class Blank:
    """Reading of a blank print.

    Parameters
    ----------
    verdict : {"clean", "look again", "contaminated"}
    any_spore : float
        Probability that at least one object is a spore, by the objects' probabilities.
    false_alone : float
        Probability that false spores alone give as many; 0 when no false rate is known and something counts.
    counted : int
        Objects of probability 0.5 and more.
    per_mm2 : Interval
        Density of counted objects, with Garwood's interval; on an uncontaminated blank, the false rate.
    """

    verdict: Literal["clean", "look again", "contaminated"]
    any_spore: float
    false_alone: float
    counted: int
    per_mm2: Interval


@dataclass(frozen=True)
class Recovery:
    """Share of placed spores that was found.

    Parameters
    ----------
    share : Interval
        With Clopper and Pearson's interval.
    recall, recall_u : float
        Mean and standard deviation of the beta distribution of found + 1/2 and missed + 1/2, for use as
        recall in `Evidence`.
    """

    share: Interval
    recall: float
    recall_u: float


def blank_print(probabilities: np.ndarray, examined_mm2: float, false_per_mm2: float = 0.0) -> Blank:
    """Judge a blank print: one spore on it casts doubt on every print of the session.

    Contaminated when a spore is likely (probability above 0.5) and the false rate alone would hardly give as
    many (at most 0.05); clean when a spore is unlikely (below 0.05); else a person must look again. A clean
    blank shows that nothing got onto this one, not that nothing could.

    Parameters
    ----------
    probabilities : ndarray of shape (n,)
        Of each object to be a spore; n may be 0.
    examined_mm2 : float
        Above 0.
    false_per_mm2 : float
        False spores per mm2 known from earlier clean blanks.
    """
    from scipy.special import pdtrc

    p = require("probabilities", probabilities, 0, 1).ravel()
    area = float(require("examined_mm2", examined_mm2, 0, above=True))
    false = float(require("false_per_mm2", false_per_mm2, 0)) * area
    any_spore = float(1 - np.prod(1 - p))
    counted = int((p >= 0.5).sum())
    false_alone = 1.0 if counted == 0 else float(pdtrc(counted - 1, false)) if false > 0 else 0.0
    if any_spore < 0.05:
        verdict: Literal["clean", "look again", "contaminated"] = "clean"
    elif any_spore > 0.5 and false_alone <= 0.05:
        verdict = "contaminated"
    else:
        verdict = "look again"
    per_mm2 = Interval(*(one / area for one in poisson_interval(counted)))
    return Blank(verdict, any_spore, false_alone, counted, per_mm2)


def recovery(found: int, placed: int) -> Recovery:
    """Recall from a spiked print or from spike-in spores: how many of those placed were found.

    Holds for spores and photos like those of the spike only: placed ones lie alone and on top, while real ones
    may lie in heaps or half hidden.

    Parameters
    ----------
    found, placed : int
        0 <= found <= placed, placed at least 1.

    References
    ----------
    Clopper & Pearson 1934, Biometrika 26:404-413; prior of 1/2 and 1/2: Jeffreys.
    """
    share = clopper_pearson(found, placed)
    a, b = found + 0.5, placed - found + 0.5
    mean = a / (a + b)
    return Recovery(share, mean, float(np.sqrt(mean * (1 - mean) / (a + b + 1))))


def false_rate(prints: Sequence[str], found: float, examined_mm2: float) -> FalseRate:
    """Rate of false spores from prints known to be clean, with Garwood's interval.

    It holds for prints of the same tape, card, light and kind of animal; look-alikes differ between those.

    Parameters
    ----------
    prints : sequence of str
    found : float
        Spores counted on them, or sum of the probabilities of sure objects.
    examined_mm2 : float
        Above 0.

    References
    ----------
    Garwood 1936, Biometrika 28:437-442.
    """
    area = float(require("examined_mm2", examined_mm2, 0, above=True))
    count = poisson_interval(found)
    return FalseRate(tuple(prints), count.value, area, count.low / area, count.high / area)


_FEWEST_OF_A_FOCUS = 20
"""Spores placed from which on the sharp, or the blurred, parts have a recall of their own."""

_UNLIKE_OWN = 0.03
_UNLIKE_STRANGE = 0.4
"""Standard uncertainty of the share of a spike-in as a recall, beside chance: of copies within their print, and of
copies from another one, whose spores, card and light may look otherwise. On simulated photos of the eight recipes
of `tests/benchmarks/spike_truth.py` the former strayed by 0.010 over sessions of six prints and by 0.035 over
single photos; the latter, where each print was of another rig, by 0.41."""


def recall_at(
    own: OwnRecall, in_focus: float, expected: float, expected_u: float, *, seen: bool
) -> tuple[float, float]:
    """Join what was expected of a field's recall with the session's own spike-in; with its standard uncertainty.

    A print that shows spores goes by the copies within prints, sharp and blurred parts by their share of the
    field; a print that shows none, by the copies from other prints. What was expected and what was found are
    weighted by the inverse of their variances.

    Parameters
    ----------
    own : OwnRecall
    in_focus : float
        Share of the field's examined area that is sharp, 0 to 1.
    expected, expected_u : float
        Without the spike-in; `expected_u` above 0.
    seen : bool
        Whether anything counts on the print.

    Returns
    -------
    recall, recall_u : float
        As expected, where no such copies were placed.
    """
    share = float(require("in_focus", in_focus, 0, 1))
    mean = float(require("expected", expected, 0, 1))
    mean_u = float(require("expected_u", expected_u, 0, above=True))
    if not (own.placed if seen else own.strange_placed):
        return mean, mean_u
    pooled = recovery(own.found, own.placed) if seen else recovery(own.strange_found, own.strange_placed)

    def of(found: int, placed: int) -> Recovery:
        return recovery(found, placed) if seen and placed >= _FEWEST_OF_A_FOCUS else pooled

    sharp, blurred = of(own.sharp_found, own.sharp_placed), of(own.blurred_found, own.blurred_placed)
    found = share * sharp.recall + (1 - share) * blurred.recall
    by_chance = np.hypot(share * sharp.recall_u, (1 - share) * blurred.recall_u)
    found_u = np.hypot(by_chance, _UNLIKE_OWN if seen else _UNLIKE_STRANGE)
    weights = np.array([found_u, mean_u]) ** -2
    return float(weights @ [found, mean] / weights.sum()), float(weights.sum() ** -0.5)


def known_print_agrees(load_low: float, load_high: float, known_low: float, known_high: float) -> bool:
    """Whether a print of known load reads within its known range, the positive control.

    False when it is 97.5 % sure that the reading lies below `known_low`, or above `known_high`: then recall,
    scale or print area are not what they are held to be, and the session's figures with them.

    Parameters
    ----------
    load_low, load_high : float
        95 % interval of the load, of `load.load_of_print`.
    known_low, known_high : float
        Range of the known number of spores on that print; inf where only a least number is known.
    """
    low = float(require("known_low", known_low, 0))
    if not known_high >= low:
        raise SettingsError(
            f"known_high must be at least known_low, got {known_high:g}",
            where="known_high",
            remedy="Swap them",
        )
    return load_high >= low and load_low <= known_high

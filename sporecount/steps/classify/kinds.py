"""From looks and outlines to calibrated probabilities of what each object is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sporecount.records import KINDS, Kinds, WorkImage
from sporecount.steps.classify.network import SORTINGS, model_card, sorter_log_odds, spore_margin
from sporecount.steps.classify.traits import traits
from sporecount.steps.clutter import LargeObjects
from sporecount.steps.outline import Outlines
from sporecount.steps.settle import Settled, on_large


def classify(settled: Settled, outlines: Outlines, large: LargeObjects, work: WorkImage) -> Kinds:
    """Give the probability of each kind.

    Boosted shallow trees weigh the traits of each object, twice; they were fitted on the objects that these very
    steps find in whole simulated photos. Their last answer is brought to an honest probability by a slope and a
    shift, fitted on simulated photos that they did not see (Platt 1999, Advances in Large Margin Classifiers
    61-74).
    The other kinds share what is left in proportion to their own logits.

    Parameters
    ----------
    settled : Settled
    outlines : Outlines
    large : LargeObjects
    work : WorkImage

    Returns
    -------
    Kinds
    """
    logits = settled.looks.logits
    slope, shift = model_card()["calibration"]["slope_and_shift"]
    odds = sorted_log_odds(settled, outlines, on_large(settled, large), work, SORTINGS)
    spore = 1 / (1 + np.exp(-(slope * odds + shift)))
    rest = np.exp(logits[:, 1:] - logits[:, 1:].max(axis=1, initial=-np.inf, keepdims=True))
    probability = np.empty((len(logits), len(KINDS)), np.float32)
    probability[:, 0] = spore
    probability[:, 1:] = (1 - spore[:, None]) * rest / np.maximum(rest.sum(axis=1, keepdims=True), 1e-12)
    return Kinds(probability=probability)


def sorted_log_odds(
    settled: Settled, outlines: Outlines, lies_on_large: np.ndarray, work: WorkImage, sortings: Sequence[str]
) -> np.ndarray:
    """Log odds of spore after some sortings, each of which reckons an object's company from the odds before.

    The networks see one object at a time, and so know little of which others on the photo are spores; the trees
    know more, and what they say of the others tells more of each object.

    Parameters
    ----------
    settled : Settled
    outlines : Outlines
    lies_on_large : ndarray of shape (n,), bool
        As `settle.on_large` tells.
    work : WorkImage
    sortings : sequence of str
        The first of `SORTINGS`, or all; without any the odds are the networks' own.

    Returns
    -------
    ndarray of shape (n,)
    """
    odds = spore_margin(settled.looks.logits)
    for part in sortings if len(odds) else ():
        odds = sorter_log_odds(traits(settled, outlines, lies_on_large, work, odds), part)
    return odds

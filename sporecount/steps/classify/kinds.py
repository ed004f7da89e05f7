"""From looks and outlines to calibrated probabilities of what each object is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sporecount.records import KINDS, FlatField, Kinds, WorkImage
from sporecount.steps.classify.network import SORTINGS, model_card, sorter_log_odds, spore_margin
from sporecount.steps.classify.side_by_side import weigh_side_by_side
from sporecount.steps.classify.traits import traits
from sporecount.steps.clutter import LargeObjects
from sporecount.steps.outline import Outlines
from sporecount.steps.settle import Settled, on_large


def classify(
    settled: Settled, outlines: Outlines, large: LargeObjects, work: WorkImage, flat: FlatField
) -> Kinds:
    """Give the probability of each kind.

    Boosted shallow trees weigh the traits of each object, twice, and what is in doubt then is looked at beside the
    photo's likeliest spores; all were fitted on the objects that these very steps find in whole simulated photos.
    The last answer is brought to an honest probability by a slope and a shift, fitted on simulated photos that
    none of them saw (Platt 1999, Advances in Large Margin Classifiers 61-74).
    The other kinds share what is left in proportion to their own logits.

    Parameters
    ----------
    settled : Settled
    outlines : Outlines
    large : LargeObjects
    work : WorkImage
    flat : FlatField

    Returns
    -------
    Kinds
    """
    logits = settled.looks.logits
    slope, shift = model_card()["calibration"]["slope_and_shift"]
    odds = weigh_side_by_side(
        work, flat, settled, log_odds(settled, outlines, on_large(settled, large), work)
    )
    spore = 1 / (1 + np.exp(-(slope * odds + shift)))
    rest = np.exp(logits[:, 1:] - logits[:, 1:].max(axis=1, initial=-np.inf, keepdims=True))
    probability = np.empty((len(logits), len(KINDS)), np.float32)
    probability[:, 0] = spore
    probability[:, 1:] = (1 - spore[:, None]) * rest / np.maximum(rest.sum(axis=1, keepdims=True), 1e-12)
    return Kinds(probability=probability)


def log_odds(
    settled: Settled,
    outlines: Outlines,
    lies_on_large: np.ndarray,
    work: WorkImage,
    sortings: Sequence[str] = SORTINGS,
) -> np.ndarray:
    """Log odds of spore by the networks and after each sorting, which reckons company from the odds before.

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
        The first of `SORTINGS`, all, or none.

    Returns
    -------
    ndarray of shape (1 + number of sortings, n)
    """
    odds = [np.asarray(spore_margin(settled.looks.logits), float)]
    for part in sortings:
        rows = traits(settled, outlines, lies_on_large, work, odds[-1])
        odds.append(sorter_log_odds(rows, part) if len(rows) else odds[-1])
    return np.stack(odds)

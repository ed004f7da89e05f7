"""From looks and outlines to calibrated probabilities of what each object is."""

from __future__ import annotations

import numpy as np

from sporecount.records import KINDS, Kinds, WorkImage
from sporecount.steps.classify.network import model_card, sorter_log_odds
from sporecount.steps.classify.traits import traits
from sporecount.steps.clutter import LargeObjects
from sporecount.steps.outline import Outlines
from sporecount.steps.settle import Settled, on_large


def classify(settled: Settled, outlines: Outlines, large: LargeObjects, work: WorkImage) -> Kinds:
    """Give the probability of each kind.

    Boosted shallow trees weigh the traits of each object; they were fitted on the objects that these very steps
    find in whole simulated photos. Their answer is brought to an honest probability by a slope and a shift, fitted
    on simulated photos that they did not see (Platt 1999, Advances in Large Margin Classifiers 61-74).
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
    rows = traits(settled, outlines, on_large(settled, large), work)
    slope, shift = model_card()["calibration"]["slope_and_shift"]
    spore = 1 / (1 + np.exp(-(slope * sorter_log_odds(rows) + shift))) if len(rows) else np.empty(0)
    rest = np.exp(logits[:, 1:] - logits[:, 1:].max(axis=1, initial=-np.inf, keepdims=True))
    probability = np.empty((len(logits), len(KINDS)), np.float32)
    probability[:, 0] = spore
    probability[:, 1:] = (1 - spore[:, None]) * rest / np.maximum(rest.sum(axis=1, keepdims=True), 1e-12)
    return Kinds(probability=probability)

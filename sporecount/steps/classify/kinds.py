"""From looks to calibrated probabilities of what each object is."""

from __future__ import annotations

import numpy as np

from sporecount.records import KINDS, Kinds
from sporecount.steps.classify.network import model_card
from sporecount.steps.clutter import LargeObjects
from sporecount.steps.settle import Settled, spore_margin


def classify(settled: Settled, large: LargeObjects) -> Kinds:
    """Give the probability of each kind.

    The margin of spore against the rest is brought to an honest probability by two numbers fitted on simulated
    photos of a style that training never saw (Platt scaling: Platt 1999, Advances in Large Margin
    Classifiers 61-74); the other kinds share what is left in proportion to their own logits.

    Parameters
    ----------
    settled : Settled
    large : LargeObjects

    Returns
    -------
    Kinds
    """
    logits = settled.looks.logits
    slope, shift = model_card()["platt"]
    spore = 1 / (1 + np.exp(-(slope * spore_margin(logits) + shift)))
    rest = np.exp(logits[:, 1:] - logits[:, 1:].max(axis=1, initial=-np.inf, keepdims=True))
    probability = np.empty((len(logits), len(KINDS)), np.float32)
    probability[:, 0] = spore
    probability[:, 1:] = (1 - spore[:, None]) * rest / np.maximum(rest.sum(axis=1, keepdims=True), 1e-12)
    unlike = np.zeros(len(logits), bool)
    return Kinds(probability=probability, unlike_known=unlike)

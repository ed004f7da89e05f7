"""From looks and outlines to calibrated probabilities of what each object is."""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

import numpy as np

from sporecount.records import KINDS, Kinds
from sporecount.steps.classify.traits import traits
from sporecount.steps.clutter import LargeObjects
from sporecount.steps.outline import Outlines
from sporecount.steps.settle import Settled, on_large


def classify(settled: Settled, outlines: Outlines, large: LargeObjects, um_per_px: float) -> Kinds:
    """Give the probability of each kind.

    A small network of two layers weighs the traits of each object; it was fitted on the objects that these very
    steps find in whole simulated photos, so that its answers are probabilities at the odds of a real field.
    The other kinds share what is left in proportion to their own logits.

    Parameters
    ----------
    settled : Settled
    outlines : Outlines
    large : LargeObjects
    um_per_px : float
        Of the working grid.

    Returns
    -------
    Kinds
    """
    logits = settled.looks.logits
    rows = traits(settled, outlines, on_large(settled, large), um_per_px)
    spore = 1 / (1 + np.exp(-log_odds(rows))) if len(rows) else np.empty(0)
    rest = np.exp(logits[:, 1:] - logits[:, 1:].max(axis=1, initial=-np.inf, keepdims=True))
    probability = np.empty((len(logits), len(KINDS)), np.float32)
    probability[:, 0] = spore
    probability[:, 1:] = (1 - spore[:, None]) * rest / np.maximum(rest.sum(axis=1, keepdims=True), 1e-12)
    return Kinds(probability=probability, unlike_known=np.zeros(len(logits), bool))


def log_odds(rows: np.ndarray) -> np.ndarray:
    """Log odds of spore for rows of traits, shape (n,)."""
    weights = _weights()
    hidden = np.maximum(rows @ weights["w1"] + weights["b1"], 0)
    hidden = np.maximum(hidden @ weights["w2"] + weights["b2"], 0)
    return np.asarray((hidden @ weights["w3"] + weights["b3"])[:, 0])


@lru_cache(maxsize=1)
def _weights() -> dict[str, np.ndarray]:
    with files("sporecount.steps.classify").joinpath("sorter.npz").open("rb") as file:
        return dict(np.load(file))

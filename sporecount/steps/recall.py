"""What share of a field's spores is found under its conditions, as simulated photos of strange styles told."""

from __future__ import annotations

import numpy as np

from sporecount.records import Objects
from sporecount.steps.classify.network import model_card

TERMS = ("always", "unsure", "crowded", "faint", "blurred")
"""What a field's recall is reckoned from, in the order of the weights in the model's card."""

_IN_CLUMP = 5
_DARK = 0.25
"""Optical density of a spore over its surroundings from which no more of it helps."""

_MIDDLING = 0.2
"""How unsure a field is taken to be of which nothing was counted: as the middle one of the others."""


def recall_terms(
    objects: Objects, probability: np.ndarray, counted: np.ndarray, in_focus: float
) -> np.ndarray:
    """Describe a field by what goes with overlooked spores.

    Where the counted objects are hardly likelier spores than not, others like them fell on the other side: of all
    that a field tells of its recall this tells most.

    Parameters
    ----------
    objects : Objects
    probability : ndarray of shape (n,)
        Of each to be a spore.
    counted : ndarray of shape (n,), bool
    in_focus : float
        Share of the examined area that is sharp enough, 0 to 1.

    Returns
    -------
    ndarray of shape (5,), float64
        As `TERMS` names them: 1; twice what the mean probability of the counted objects lacks to 1 (0.2 without
        any); the share of them in clumps of five and more; how far their median density lies below 0.25, in shares
        of that (0 without any); the share that is not sharp enough.
    """
    if not counted.any():
        return np.array([1.0, _MIDDLING, 0.0, 0.0, 1.0 - in_focus])
    return np.array(
        [
            1.0,
            2 * (1 - float(probability[counted].mean())),
            float((objects.clump[counted] >= _IN_CLUMP).mean()),
            np.clip(1 - float(np.median(objects.optical_density[counted])) / _DARK, 0, 1),
            1.0 - in_focus,
        ]
    )


def expected_recall(terms: np.ndarray) -> tuple[float, float]:
    """Share of the countable spores that is found, and its standard uncertainty.

    The logit of the share is linear in the terms; fields of the same terms differ by a Beta distribution
    (weights and spread: `training/recall.py`).

    Parameters
    ----------
    terms : ndarray of shape (5,)
        As `recall_terms` gives them.
    """
    fitted = model_card()["recall"]
    share = float(1 / (1 + np.exp(-(terms @ np.asarray(fitted["weights"])))))
    return share, float(np.sqrt(share * (1 - share) * fitted["spread"]))

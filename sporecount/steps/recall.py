"""What share of a field's spores is found, as simulated photos of styles that the networks never saw told.

Two laws, fitted by `training/recall.py` on photos that may be used. Where spores were counted, how they look tells
of the others. Where none was counted, nothing does: then all usable photos with spores stand for it, those of
which everything was overlooked among them.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from sporecount.records import Objects
from sporecount.steps.classify.network import model_card

Law = Literal["counted", "empty"]

TERMS: dict[Law, tuple[str, ...]] = {
    "counted": ("always", "unsure", "crowded", "faint", "blurred"),
    "empty": ("always", "coarse"),
}
"""What each law is reckoned from, in the order of its weights in the model's card."""

_IN_CLUMP = 5
"""Spores of a clump from which on some hide others."""

_DARK = 0.25
"""Optical density of a spore over its surroundings from which on more of it helps no further."""

_PLAIN_UM_PER_PX = 1.0
"""Photo pixels up to which a lone spore shows its shape; at twice of it, as at 4x, it is some five pixels long."""

_LEAST = 0.25
"""Lowest recall expected: below it, a count says too little for any figure."""

_LEAST_SHAPE = 2.0
"""Lowest first parameter of the Beta distribution of a recall. At 1 and below, what an empty field can hide has no
mean (the chance to see none of n spores falls with the power of it), and no interval would end."""


def recall_terms(
    objects: Objects, probability: np.ndarray, counted: np.ndarray, in_focus: float, um_per_px: float
) -> tuple[Law, np.ndarray]:
    """Describe a field by what goes with overlooked spores.

    Parameters
    ----------
    objects : Objects
    probability : ndarray of shape (n,)
        Of each to be a spore.
    counted : ndarray of shape (n,), bool
    in_focus : float
        Share of the examined area that is sharp enough, 0 to 1.
    um_per_px : float
        Of the photo.

    Returns
    -------
    law : {"counted", "empty"}
    terms : ndarray of shape (5,) or (2,), float64
        As `TERMS` names them, each from 0 to 1. *Unsure*: twice what the mean probability of the counted objects
        lacks to 1, at most 1. *Crowded*: the share of them in clumps of five and more. *Faint*: how far their
        median density, dark or bright, lies below 0.25. *Blurred*: the share of the area that is not sharp
        enough. *Coarse*: from 0 with pixels of 1 um to 1 with pixels of 2 um.
    """
    if not counted.any():
        return "empty", empty_terms(um_per_px)
    density = float(np.median(np.abs(objects.optical_density[counted])))
    return "counted", np.array(
        [
            1.0,
            min(1.0, 2 * (1 - float(probability[counted].mean()))),
            float((objects.clump[counted] >= _IN_CLUMP).mean()),
            np.clip(1 - density / _DARK, 0, 1),
            1.0 - in_focus,
        ]
    )


def empty_terms(um_per_px: float) -> np.ndarray:
    """Terms of a field of which nothing was counted; see `recall_terms`."""
    return np.array([1.0, np.clip(np.log2(um_per_px / _PLAIN_UM_PER_PX), 0, 1)])


def expected_recall(law: Law, terms: np.ndarray) -> tuple[float, float]:
    """Share of the countable spores that is found, and its standard uncertainty.

    The logit of the share is linear in the terms; fields of the same terms are taken to differ by a Beta
    distribution.

    Parameters
    ----------
    law, terms
        As `recall_terms` gives them.
    """
    fitted = model_card()["recall"][law]
    share = max(_LEAST, float(1 / (1 + np.exp(-(terms @ np.asarray(fitted["weights"]))))))
    spread = min(fitted["spread"], share / (_LEAST_SHAPE + share))
    return share, float(np.sqrt(share * (1 - share) * spread))

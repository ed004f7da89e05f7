"""A first, cheap sorting of candidates, so that the network looks only where a spore could be.

Paper grain and scale ridges give hundreds of candidates a square millimetre. How a place answers at all sizes
of the detector, beside how the rest of the photo answers, rules most of them out at a thousandth of the cost
of a look.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

import numpy as np

from sporecount.records import Candidates


def hints(candidates: Candidates, noise: float) -> np.ndarray:
    """Describe each candidate by its answers.

    Parameters
    ----------
    candidates : Candidates
    noise : float
        Of the density, as in `FlatField.noise`.

    Returns
    -------
    ndarray of shape (n, sizes + 6), float32
    """
    score = np.maximum(candidates.score, 1e-4)
    if not score.size:
        return np.empty((0, candidates.answers.shape[1] + 6), np.float32)
    usual, strong = np.quantile(score, (0.5, 0.95))
    columns = [
        np.log(score),
        np.log(score / usual),
        np.log(score / strong),
        np.log(score / max(noise, 1e-3)),
        candidates.density,
        np.log(candidates.size_um / 8.0),
        *(candidates.answers / score[:, None]).T,
    ]
    return np.clip(np.stack(columns, axis=1), -8, 8).astype(np.float32)


def worth_a_look(candidates: Candidates, noise: float) -> np.ndarray:
    """Tell which candidates the network should look at, shape (n,), bool."""
    weights = _weights()
    hidden = np.maximum(hints(candidates, noise) @ weights["w1"] + weights["b1"], 0)
    hidden = np.maximum(hidden @ weights["w2"] + weights["b2"], 0)
    return np.asarray((hidden @ weights["w3"] + weights["b3"])[:, 0] > weights["from"])


@lru_cache(maxsize=1)
def _weights() -> dict[str, np.ndarray]:
    with files("sporecount.steps.classify").joinpath("screen.npz").open("rb") as file:
        return dict(np.load(file))

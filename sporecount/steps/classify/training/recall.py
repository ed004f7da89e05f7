"""Fit the recall that a field's conditions lead to expect, on simulated photos of styles the networks never saw.

    python -m sporecount.steps.classify.training.recall --photos-in FOLDER --unseen MODULE MODULE

Run it last, with the photos of the sorter: what was found of each photo's countable spores is a beta-binomial
draw, whose mean depends on how sure, crowded, faint and blurred the counted ones are. Photos of which nothing was
counted take no part: nothing tells how sure the networks are there.
"""

from __future__ import annotations

import argparse
import multiprocessing
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from scipy.optimize import linear_sum_assignment, minimize
from scipy.special import betaln, expit

from sporecount.chain import count_field
from sporecount.records import FieldResult, Photo, Scale
from sporecount.settings import CountSettings
from sporecount.simulate.truth import SimulatedPhoto
from sporecount.steps.classify.training.card import read_card, write_card
from sporecount.steps.classify.training.photos import read_photo
from sporecount.steps.recall import TERMS, recall_terms

_REACH = 0.6
"""Distance from a spore's centre, in its lengths, up to which an object is that spore."""

_LOOSE = 3.0
"""Standard deviation, in the logit, of a weight beforehand: keeps terms that hardly vary near nothing."""


def found_of(simulated: SimulatedPhoto, result: FieldResult, least: float) -> tuple[int, int]:
    """Count the countable spores of a photo that are objects of at least such a probability, and all of them."""
    spores = [one for one in simulated.spores if one.countable]
    likely = np.flatnonzero(result.kinds.spore > least)
    if not spores or not len(likely):
        return 0, len(spores)
    x_px, y_px = result.objects.x_px[likely], result.objects.y_px[likely]
    table = np.array([(one.x_px, one.y_px, _REACH * one.length_um / simulated.um_per_px) for one in spores])
    away = np.hypot(table[:, :1] - x_px, table[:, 1:2] - y_px) / table[:, 2:]
    spore, thing = linear_sum_assignment(np.where(away <= 1, away - 1e6, 0.0))
    return int((away[spore, thing] <= 1).sum()), len(spores)


def fit_recall(terms: np.ndarray, found: np.ndarray, there: np.ndarray) -> tuple[np.ndarray, float]:
    """Fit a beta-binomial by maximum likelihood; weights but the first are at most 0, and held loosely near it.

    Parameters
    ----------
    terms : ndarray of shape (n, k)
        Of each photo, the first column ones.
    found, there : ndarray of shape (n,)
        Spores found, and countable ones.

    Returns
    -------
    weights : ndarray of shape (k,)
        In the logit.
    spread : float
        Variance of the recall of alike photos, in shares of the largest one that its mean allows.

    References
    ----------
    Beta-binomial with a mean that follows a logit: Prentice 1986, J. Am. Stat. Assoc. 81:321-327 (from memory).
    """

    def loss(unknown: np.ndarray) -> float:
        share, spread = expit(terms @ unknown[:-1]), expit(unknown[-1])
        size = 1 / spread - 1
        a, b = share * size, (1 - share) * size
        likelihood = betaln(a + found, b + there - found) - betaln(a, b)
        return float(-likelihood.sum() + 0.5 * ((unknown[1:-1] / _LOOSE) ** 2).sum())

    start = np.zeros(terms.shape[1] + 1)
    start[0], start[-1] = 2.5, -3.0
    bounds = [(-9, 9), *[(-9, 0)] * (terms.shape[1] - 1), (-9, 9)]  # what hides spores raises no recall
    best = minimize(loss, start, method="L-BFGS-B", bounds=bounds).x
    return best[:-1], float(expit(best[-1]))


def _one(path: Path) -> tuple[np.ndarray, int, int] | None:
    simulated, settings = read_photo(path), CountSettings()
    scale = Scale(simulated.um_per_px, objective=simulated.objective)
    result, _ = count_field(Photo(rgb=simulated.rgb, name="simulated"), scale, settings)
    if not result.counted.any():
        return None
    terms = recall_terms(result.objects, result.kinds.spore, result.counted, result.tally.in_focus)
    return terms, *found_of(simulated, result, settings.doubt_low)


def main() -> None:
    """Count the photos of the strange styles, fit, and write weights and spread into the card."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos-in", type=Path, required=True, help="folder of drawn photos")
    parser.add_argument("--unseen", nargs="+", required=True, help="styles that the networks never saw")
    parser.add_argument("--workers", type=int, default=multiprocessing.cpu_count())
    parser.add_argument("--out", type=Path, default=Path("sporecount/steps/classify"))
    wish = parser.parse_args()
    paths = sorted(path for style in wish.unseen for path in wish.photos_in.glob(f"{style}-*.npz"))
    if not paths:
        parser.error(f"no photos of {', '.join(wish.unseen)} in {wish.photos_in}: draw them first")
    with ProcessPoolExecutor(wish.workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        rows = [row for row in pool.map(_one, paths) if row and row[2]]
    terms, found, there = (np.array(column) for column in zip(*rows, strict=True))
    weights, spread = fit_recall(terms, found, there)
    card = read_card(wish.out)
    card["recall"] = {
        "terms": list(TERMS),
        "weights": [round(float(one), 3) for one in weights],
        "spread": round(spread, 4),
        "fitted_on": wish.unseen,
        "simulated_photos": len(rows),
        "countable_spores": int(there.sum()),
        "found": int(found.sum()),
    }
    write_card(wish.out, card)
    for name, weight in zip(TERMS, weights, strict=True):
        print(f"{name:<12}{weight:7.2f}")
    print(f"spread {spread:.3f}")
    print(f"{int(found.sum())} of {int(there.sum())} spores in {len(rows)} photos")


if __name__ == "__main__":
    main()

"""Fit the recall that a field's conditions lead to expect, on simulated photos of styles the networks never saw.

    python -m sporecount.steps.classify.training.recall --photos-in FOLDER --unseen MODULE MODULE

Run it last, with the photos of the sorter: what was found of each photo's countable spores is a beta-binomial
draw, whose mean depends on the terms of `steps/recall.py`. The law of fields with a count is fitted on the photos
that had one; that of empty fields on all photos with spores. The trees have seen these photos, so what is found is
a little hopeful.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any, NamedTuple

import cv2
import numpy as np
from scipy.optimize import linear_sum_assignment, minimize
from scipy.special import betaln, expit

from sporecount.chain import count_field
from sporecount.records import FieldResult, Photo, Scale
from sporecount.settings import CountSettings
from sporecount.simulate.truth import SimulatedPhoto
from sporecount.steps.classify.training.card import read_card, write_card
from sporecount.steps.classify.training.photos import REACH, read_photo
from sporecount.steps.recall import TERMS, Law, recall_terms

_LOOSE = 3.0
"""Standard deviation, in the logit, of a weight beforehand: keeps terms that hardly vary near nothing."""


def found_of(simulated: SimulatedPhoto, result: FieldResult, least: float) -> tuple[int, int]:
    """Count the countable spores of a photo that are objects of at least such a probability, and all of them."""
    spores = [one for one in simulated.spores if one.countable]
    likely = np.flatnonzero(result.kinds.spore > least)
    if not spores or not len(likely):
        return 0, len(spores)
    x_px, y_px = result.objects.x_px[likely], result.objects.y_px[likely]
    table = np.array([(one.x_px, one.y_px, REACH * one.length_um / simulated.um_per_px) for one in spores])
    away = np.hypot(table[:, :1] - x_px, table[:, 1:2] - y_px) / table[:, 2:]
    spore, thing = linear_sum_assignment(np.where(away <= 1, away - 1e6, 0.0))
    return int((away[spore, thing] <= 1).sum()), len(spores)


def fit_recall(terms: np.ndarray, found: np.ndarray, there: np.ndarray) -> tuple[np.ndarray, float]:
    """Fit a beta-binomial by maximum likelihood; weights but the first are at most 0, and held loosely near 0.

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


class Seen(NamedTuple):
    """What of a photo's spores was found, and the terms of its law and of that of empty fields."""

    law: Law
    terms: np.ndarray
    empty_terms: np.ndarray
    found: int
    there: int


def _one(path: Path) -> Seen:
    cv2.setNumThreads(1)
    simulated, settings = read_photo(path), CountSettings()
    scale = Scale(simulated.um_per_px, objective=simulated.objective)
    result, _ = count_field(Photo(rgb=simulated.rgb, name="simulated"), scale, settings)
    field = result.tally.in_focus, scale.um_per_px
    law, terms = recall_terms(result.objects, result.kinds.spore, result.counted, *field)
    _, empty_terms = recall_terms(result.objects, result.kinds.spore, np.zeros_like(result.counted), *field)
    return Seen(law, terms, empty_terms, *found_of(simulated, result, settings.doubt_low))


def _fitted(law: Law, photos: Sequence[Seen]) -> dict[str, Any]:
    terms = np.array([one.terms for one in photos])
    found, there = (np.array([getattr(one, name) for one in photos]) for name in ("found", "there"))
    weights, spread = fit_recall(terms, found, there)
    return {
        "terms": list(TERMS[law]),
        "weights": [round(float(one), 3) for one in weights],
        "spread": round(spread, 4),
        "simulated_photos": len(photos),
        "countable_spores": int(there.sum()),
        "found": int(found.sum()),
    }


def main() -> None:
    """Count the photos of the strange styles, fit both laws, and write them into the card."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos-in", type=Path, required=True, help="folder of drawn photos")
    parser.add_argument("--unseen", nargs="+", required=True, help="styles that the networks never saw")
    parser.add_argument("--workers", type=int, default=multiprocessing.cpu_count())
    parser.add_argument("--out", type=Path, default=Path("sporecount/steps/classify"))
    wish = parser.parse_args()
    paths = sorted(path for style in wish.unseen for path in wish.photos_in.glob(f"{style}-*.npz"))
    with ProcessPoolExecutor(wish.workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        photos = [seen for seen in pool.map(_one, paths) if seen.there]
    counted = [one for one in photos if one.law == "counted"]
    if not counted:
        parser.error(
            f"no photos of {', '.join(wish.unseen)} with spores in {wish.photos_in}: draw them first"
        )
    of_all = [one._replace(terms=one.empty_terms) for one in photos]
    card = read_card(wish.out)
    card["recall"] = {
        "recipe": f"python -m sporecount.steps.classify.training.recall --unseen {' '.join(wish.unseen)}",
        "counted": _fitted("counted", counted),
        "empty": _fitted("empty", of_all),
    }
    write_card(wish.out, card)
    print(json.dumps(card["recall"], indent=1))


if __name__ == "__main__":
    main()

"""Fit the recall that a field's conditions lead to expect, on simulated photos of styles the networks never saw.

    python -m sporecount.steps.classify.training.recall --photos-in FOLDER --unseen MODULE MODULE

Run it last, on photos that neither the trees nor the networks after them saw: what was found of each photo's
countable spores is a beta-binomial draw, whose mean depends on the terms of `steps/recall.py`. The law of fields
with a count is fitted on the photos that had one; that of empty fields on all photos with spores. How far photos
stray from it is told by each style in its turn, about the law of the others. Photos flagged unusable take no part,
since nobody is to go by their number. Name styles that the trees did without, too: of the others they have seen
other photos, and what is found there is hopeful. Where the terms change, give the card as many weights first: the
count that is fitted uses them.
"""

from __future__ import annotations

import json
import multiprocessing
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any, NamedTuple

import cv2
import numpy as np
from scipy.optimize import linear_sum_assignment, minimize, minimize_scalar
from scipy.special import betaln, expit

from sporecount.chain import count_field
from sporecount.records import FieldResult, Photo, Scale
from sporecount.settings import CountSettings
from sporecount.simulate.truth import SimulatedPhoto
from sporecount.steps.classify.network import SIDE_BY_SIDE, SORTINGS, TWOFOLD
from sporecount.steps.classify.training.card import drawn_into, read_card, refuse_known, write_card
from sporecount.steps.classify.training.photos import (
    REACH,
    asked_photos,
    away_in_lengths,
    read_photo,
    style_of,
)
from sporecount.steps.recall import TERMS, Law, empty_terms, recall_terms

_LOOSE = 3.0
"""Standard deviation, in the logit, of a weight beforehand: keeps terms that hardly vary near nothing."""


def found_of(simulated: SimulatedPhoto, result: FieldResult, least: float) -> tuple[int, int]:
    """Count the countable spores of a photo that are objects of at least such a probability, and all of them."""
    spores = [one for one in simulated.spores if one.countable]
    likely = np.flatnonzero(result.kinds.spore > least)
    if not spores or not len(likely):
        return 0, len(spores)
    x_px, y_px = result.objects.x_px[likely], result.objects.y_px[likely]
    away = away_in_lengths(spores, x_px, y_px, simulated.um_per_px)
    spore, thing = linear_sum_assignment(np.where(away <= REACH, away - 1e6, 0.0))
    return int((away[spore, thing] <= REACH).sum()), len(spores)


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
        misfit = _misfit(expit(terms @ unknown[:-1]), expit(unknown[-1]), found, there)
        return misfit + 0.5 * float(((unknown[1:-1] / _LOOSE) ** 2).sum())

    start = np.zeros(terms.shape[1] + 1)
    start[0], start[-1] = 2.5, -3.0
    bounds = [(-9, 9), *[(-9, 0)] * (terms.shape[1] - 1), (-9, 9)]  # what hides spores raises no recall
    best = minimize(loss, start, method="L-BFGS-B", bounds=bounds).x
    return best[:-1], float(expit(best[-1]))


def spread_elsewhere(of_style: Sequence[tuple[np.ndarray, np.ndarray, np.ndarray]]) -> float:
    """Fit the spread about what all other styles lead to expect of each: that of photos of a style yet unseen.

    Parameters
    ----------
    of_style : sequence of tuples of ndarrays
        Terms, spores found, and countable ones of each style, as `fit_recall` takes them; two styles at least.

    Returns
    -------
    float
        As that of `fit_recall`, and mostly larger.
    """
    expected = []
    for left_out in range(len(of_style)):
        others = [one for number, one in enumerate(of_style) if number != left_out]
        weights, _ = fit_recall(*(np.concatenate(column) for column in zip(*others, strict=True)))
        terms, found, there = of_style[left_out]
        expected.append((expit(terms @ weights), found, there))

    def loss(unknown: float) -> float:
        return sum(_misfit(share, float(expit(unknown)), found, there) for share, found, there in expected)

    return float(expit(minimize_scalar(loss, bounds=(-9, 9), method="bounded").x))


def _misfit(share: np.ndarray, spread: float, found: np.ndarray, there: np.ndarray) -> float:
    """Minus the log likelihood of a beta-binomial, but for what depends on the data alone."""
    size = 1 / spread - 1
    a, b = share * size, (1 - share) * size
    return float(-(betaln(a + found, b + there - found) - betaln(a, b)).sum())


class Seen(NamedTuple):
    """What of a photo's spores was found, and the terms of its law and of that of empty fields."""

    style: str
    usable: bool
    law: Law
    terms: np.ndarray
    terms_if_empty: np.ndarray
    found: int
    there: int


def _one(path: Path) -> Seen:
    cv2.setNumThreads(1)
    simulated, settings = read_photo(path), CountSettings()
    scale = Scale(simulated.um_per_px, objective=simulated.objective)
    result, _ = count_field(Photo(rgb=simulated.rgb, name="simulated"), scale, settings)
    law, terms = recall_terms(
        result.objects, result.kinds.spore, result.counted, result.tally.in_focus, scale.um_per_px
    )
    found, there = found_of(simulated, result, settings.doubt_low)
    usable = result.tally.flag != "unusable"
    return Seen(style_of(path), usable, law, terms, empty_terms(scale.um_per_px), found, there)


def _fitted(law: Law, photos: Sequence[Seen]) -> dict[str, Any]:
    style = np.array([one.style for one in photos])
    columns = [np.array([getattr(one, name) for one in photos]) for name in ("terms", "found", "there")]
    weights, within = fit_recall(*columns)
    of_style = [tuple(column[style == one] for column in columns) for one in sorted({*style})]
    _, found, there = columns
    return {
        "terms": list(TERMS[law]),
        "weights": [round(float(one), 3) for one in weights],
        "spread": round(spread_elsewhere(of_style), 4),
        "spread_within_styles": round(within, 4),
        "simulated_photos": len(photos),
        "countable_spores": int(there.sum()),
        "found": int(found.sum()),
    }


def main() -> None:
    """Count the photos of the strange styles, fit both laws, and write them into the card."""
    wish, paths = asked_photos((__doc__ or "").splitlines()[0])
    card, drawn = read_card(wish.out), drawn_into(wish.photos_in)
    refuse_known(card, drawn, wish.photos_in, (*SORTINGS, SIDE_BY_SIDE, TWOFOLD))
    of_unseen = [path for path in paths if style_of(path) in wish.unseen]
    with ProcessPoolExecutor(wish.workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        photos = [seen for seen in pool.map(_one, of_unseen) if seen.there and seen.usable]
    counted = [one for one in photos if one.law == "counted"]
    if len({one.style for one in counted}) < 2:
        raise SystemExit(
            f"in the {len(of_unseen)} photos of {', '.join(wish.unseen)} spores were counted in fewer than two"
            " styles: draw more"
        )
    of_all = [one._replace(terms=one.terms_if_empty) for one in photos]
    card["recall"] = {
        "recipe": f"python -m sporecount.steps.classify.training.recall --unseen {' '.join(wish.unseen)}",
        "drawn": drawn,
        "counted": _fitted("counted", counted),
        "empty": _fitted("empty", of_all),
    }
    write_card(wish.out, card)
    print(json.dumps(card["recall"], indent=1))


if __name__ == "__main__":
    main()

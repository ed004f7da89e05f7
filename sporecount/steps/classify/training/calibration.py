"""Fit the slope and the shift that bring the last log odds to probabilities, on photos new to what gives them.

    python -m sporecount.steps.classify.training photos --photos-in NEW --seed 1 --styles MODULE MODULE \
        --unseen MODULE MODULE
    python -m sporecount.steps.classify.training.calibration --photos-in NEW --unseen MODULE MODULE

Run it after both sortings and `side_by_side`, on new photos of styles that the networks know and of styles they
never saw: how far the odds are off differs from style to style, so each style weighs the same. Other photos of all
of them have been seen, so the fit is a little hopeful.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np

from sporecount.steps.classify.kinds import log_odds
from sporecount.steps.classify.network import SIDE_BY_SIDE, SORTINGS
from sporecount.steps.classify.side_by_side import weigh_side_by_side
from sporecount.steps.classify.training.card import drawn_into, read_card, refuse_known, write_card
from sporecount.steps.classify.training.photos import asked_photos, read_photo, style_of
from sporecount.steps.classify.training.sorter import (
    LEAST_MARGIN,
    MOST_OBJECTS,
    SPORE,
    UNTOLD,
    label_by_truth,
    settle_photo,
)
from sporecount.steps.outline import follow_outlines
from sporecount.steps.settle import on_large


def fit_calibration(
    of_style: Sequence[tuple[np.ndarray, np.ndarray, np.ndarray]], *, shifted: bool = True
) -> tuple[float, float]:
    """Fit slope and shift of log odds by logistic regression, each style weighing the same.

    Platt 1999, Advances in Large Margin Classifiers 61-74.

    Parameters
    ----------
    of_style : sequence of tuples of ndarrays of shape (n,)
        Log odds, whether a spore, and weight of each object of a style.
    shifted : bool
        Fit a shift, too; else it is 0.

    Returns
    -------
    slope, shift : float
    """
    from sklearn.linear_model import LogisticRegression

    odds, truth = (np.concatenate([part[column] for part in of_style]) for column in (0, 1))
    weight = np.concatenate([part[2] / part[2].sum() for part in of_style])
    model = LogisticRegression(C=1e6, fit_intercept=shifted)
    fitted = model.fit(odds[:, None], truth, sample_weight=weight * len(odds))
    return float(fitted.coef_[0, 0]), float(fitted.intercept_[0] if shifted else 0.0)


def careful_calibration(
    of_style: Sequence[tuple[np.ndarray, np.ndarray, np.ndarray]],
) -> tuple[float, float]:
    """Fit slope and shift, and the slope alone where the shift would make spores likelier.

    Shifts of single styles lie so far apart that their mean is hardly told from 0, and a false alarm costs an
    animal.
    """
    slope, shift = fit_calibration(of_style)
    return (slope, shift) if shift <= 0 else fit_calibration(of_style, shifted=False)


def _one(path: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    cv2.setNumThreads(1)
    simulated = read_photo(path)
    work, flat, large, settled = settle_photo(simulated)
    odds = log_odds(settled, follow_outlines(work, flat, settled), on_large(settled, large), work)
    label = label_by_truth(simulated, work, settled, odds[0])
    kept = odds[0] > LEAST_MARGIN
    weight = min(1.0, MOST_OBJECTS / max(int(kept.sum()), 1))
    kept &= label != UNTOLD
    last = weigh_side_by_side(work, flat, settled, odds)[kept]
    return last, label[kept] == SPORE, np.full(len(last), weight)


def main() -> None:
    """Label the objects of all photos, fit, and write the calibration into the card."""
    wish, paths = asked_photos((__doc__ or "").splitlines()[0])
    card = read_card(wish.out)
    drawn = drawn_into(wish.photos_in)
    refuse_known(card, drawn, wish.photos_in, (*SORTINGS, SIDE_BY_SIDE))
    with ProcessPoolExecutor(wish.workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        done = list(pool.map(_one, paths))
    parts = {}
    for style in sorted({style_of(path) for path in paths}):
        of_style = [rows for path, rows in zip(paths, done, strict=True) if style_of(path) == style]
        odds, truth, weight = (np.concatenate(column) for column in zip(*of_style, strict=True))
        if truth.all() or not truth.any():
            raise SystemExit(f"the photos of {style} do not show both spores and other things: draw more")
        parts[style] = (odds, truth, weight)
    fitted, used = fit_calibration(list(parts.values())), careful_calibration(list(parts.values()))
    card["calibration"] = {
        "slope_and_shift": [round(value, 3) for value in used],
        "with_any_shift": [round(value, 3) for value in fitted],
        "recipe": "python -m sporecount.steps.classify.training.calibration"
        f" --unseen {' '.join(wish.unseen)}",
        "drawn": drawn,
        "simulated_photos": len(paths),
        "of_each_style": {
            style: [round(value, 3) for value in fit_calibration([part])] for style, part in parts.items()
        },
    }
    write_card(wish.out, card)
    print(card["calibration"])


if __name__ == "__main__":
    main()

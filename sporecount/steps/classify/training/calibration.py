"""Fit the slope and the shift that bring the sorter's log odds to probabilities, on photos new to its trees.

    python -m sporecount.steps.classify.training photos --photos-in FOLDER --seed NEW --styles MODULE MODULE ...
    python -m sporecount.steps.classify.training.calibration --photos-in FOLDER

Run it after the sorter, on new photos, half of styles that the networks know and half of styles they never saw:
a print to come is neither as familiar as the one nor as strange as the other. Each style weighs the same.
"""

from __future__ import annotations

import argparse
import multiprocessing
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np

from sporecount.steps.classify.network import sorter_log_odds
from sporecount.steps.classify.training.card import read_card, write_card
from sporecount.steps.classify.training.photos import style_of
from sporecount.steps.classify.training.sorter import SPORE, UNTOLD, Rows, joined, rows_of


def fit_calibration(of_style: Sequence[tuple[np.ndarray, np.ndarray, np.ndarray]]) -> tuple[float, float]:
    """Fit slope and shift of log odds by logistic regression, each style weighing the same.

    Platt 1999, Advances in Large Margin Classifiers 61-74.

    Parameters
    ----------
    of_style : sequence of tuples of ndarrays of shape (n,)
        Log odds, whether a spore, and weight of each object of a style.

    Returns
    -------
    slope, shift : float
    """
    from sklearn.linear_model import LogisticRegression

    odds, truth = (np.concatenate([part[column] for part in of_style]) for column in (0, 1))
    weight = np.concatenate([part[2] / part[2].sum() for part in of_style])
    fitted = LogisticRegression(C=1e6).fit(odds[:, None], truth, sample_weight=weight * len(odds))
    return float(fitted.coef_[0, 0]), float(fitted.intercept_[0])


def _one(path: Path) -> Rows:
    cv2.setNumThreads(1)
    return rows_of(path)


def main() -> None:
    """Label the objects of all photos, fit, and write the calibration into the card."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos-in", type=Path, required=True, help="folder of drawn photos")
    parser.add_argument("--workers", type=int, default=multiprocessing.cpu_count())
    parser.add_argument("--out", type=Path, default=Path("sporecount/steps/classify"))
    wish = parser.parse_args()
    paths = sorted(wish.photos_in.glob("*.npz"))
    if not paths:
        parser.error(f"no photos in {wish.photos_in}: draw them first")
    with ProcessPoolExecutor(wish.workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        done = list(pool.map(_one, paths))
    styles = sorted({style_of(path) for path in paths})
    parts = []
    for style in styles:
        here = [rows for path, rows in zip(paths, done, strict=True) if style_of(path) == style]
        rows = joined(one for one in here if len(one.label))
        told = rows.label != UNTOLD
        odds = sorter_log_odds(np.asarray(rows.traits[told], np.float32))
        parts.append((odds, rows.label[told] == SPORE, rows.weight[told]))
    card = read_card(wish.out)
    card["calibration"] = {
        "slope_and_shift": [round(value, 3) for value in fit_calibration(parts)],
        "recipe": "python -m sporecount.steps.classify.training.calibration",
        "fitted_on": styles,
        "simulated_photos": len(paths),
        "of_each_style": {
            style: [round(value, 3) for value in fit_calibration([part])]
            for style, part in zip(styles, parts, strict=True)
        },
    }
    write_card(wish.out, card)
    print(card["calibration"])


if __name__ == "__main__":
    main()

"""Fit the slope and the shift that bring the sorter's log odds to probabilities, on photos new to its trees.

    python -m sporecount.steps.classify.training photos --photos-in NEW --seed 1 --styles MODULE MODULE \
        --unseen MODULE MODULE
    python -m sporecount.steps.classify.training.calibration --photos-in NEW --unseen MODULE MODULE

Run it after both sortings, on new photos of styles that the networks know and of styles they never saw: how far
the trees are off differs from style to style, so each style weighs the same. The trees have seen other photos of
all of them, so the fit is a little hopeful.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sporecount.steps.classify.network import SORTINGS, sorter_log_odds
from sporecount.steps.classify.training.card import drawn_into, read_card, refuse_known, write_card
from sporecount.steps.classify.training.photos import asked_photos
from sporecount.steps.classify.training.sorter import SPORE, UNTOLD, rows_by_style


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


def main() -> None:
    """Label the objects of all photos, fit, and write the calibration into the card."""
    wish, paths = asked_photos((__doc__ or "").splitlines()[0])
    card = read_card(wish.out)
    drawn = drawn_into(wish.photos_in)
    refuse_known(card, drawn, wish.photos_in)
    parts = {}
    for style, rows in rows_by_style(paths, wish.workers, SORTINGS[:-1]).items():
        told = rows.label != UNTOLD
        if {*rows.label[told].tolist()} != {0, SPORE}:
            raise SystemExit(f"the photos of {style} do not show both spores and other things: draw more")
        parts[style] = (
            sorter_log_odds(rows.traits[told], SORTINGS[-1]),
            rows.label[told] == SPORE,
            rows.weight[told],
        )
    card["calibration"] = {
        "slope_and_shift": [round(value, 3) for value in fit_calibration(list(parts.values()))],
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

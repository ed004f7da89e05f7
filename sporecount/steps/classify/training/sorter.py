"""Fit the trees that sort to the objects that the steps find in whole simulated photos.

    python -m sporecount.steps.classify.training photos --photos-in FOLDER --unseen MODULE MODULE
    python -m sporecount.steps.classify.training.sorter --photos-in FOLDER --unseen MODULE MODULE
    python -m sporecount.steps.classify.training photos --photos-in OTHERS --seed 2 --unseen MODULE MODULE
    python -m sporecount.steps.classify.training.sorter --again --photos-in OTHERS --unseen MODULE MODULE

Run it after the networks are trained: it learns what their answers are worth at the odds of a real field.
Styles that the networks never saw take part, since there their answers are worth less. The second time it fits
the trees that sort once more, on photos that the first ones did not see, since of those they know too much.
`side_by_side` then learns from their doubts, and `calibration` brings the answers to probabilities.
"""

from __future__ import annotations

import datetime
import multiprocessing
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import cv2
import numpy as np
import onnx
from scipy.optimize import linear_sum_assignment

from sporecount.records import FlatField, Photo, Scale, WorkImage
from sporecount.settings import CountSettings
from sporecount.simulate.truth import SimulatedPhoto
from sporecount.steps.candidates import find_candidates
from sporecount.steps.classify.kinds import log_odds
from sporecount.steps.classify.network import SORTINGS
from sporecount.steps.classify.training.card import drawn_into, read_card, refuse_known, write_card
from sporecount.steps.classify.training.photos import (
    REACH,
    asked_photos,
    away_in_lengths,
    read_photo,
    style_of,
)
from sporecount.steps.classify.traits import traits
from sporecount.steps.clutter import LargeObjects, find_clutter
from sporecount.steps.outline import follow_outlines
from sporecount.steps.prepare import prepare
from sporecount.steps.rescale import to_photo
from sporecount.steps.round_view import find_round_view
from sporecount.steps.settle import Settled, on_large, settle

if TYPE_CHECKING:
    from sklearn.ensemble import HistGradientBoostingClassifier

SPORE, UNTOLD = 1, 2
_TREES, _DEPTH = 300, 5

_TRAITS_A_SPLIT = 0.3
"""Share of the traits, drawn anew, that each split of a tree may choose from."""

_CLEAN_WEIGHT = 2.0
"""Weight in the trees of an object on a photo without a spore: most prints are clean, and a false alarm costs an
animal."""

MOST_OBJECTS = 150
"""A photo with more objects weighs as one with so many, so that heaps do not outvote the rest."""

LEAST_MARGIN = -3.0
"""Log odds of the networks from which an object takes part: what lies lower the trees never
saw, and the first ones sort it as if it lay there."""


def settle_photo(simulated: SimulatedPhoto) -> tuple[WorkImage, FlatField, LargeObjects, Settled]:
    """Run the steps on a photo up to its objects."""
    settings, photo = CountSettings(), Photo(rgb=simulated.rgb, name="simulated")
    scale = Scale(simulated.um_per_px)
    ready = prepare(photo, find_round_view(photo), scale, settings)[0]
    work, flat = ready.work, ready.flat
    _, large = find_clutter(ready.plain, flat, settings)
    return work, flat, large, settle(work, flat, find_candidates(work, flat, settings))


def label_objects(simulated: SimulatedPhoto, before: Sequence[str] = ()) -> tuple[np.ndarray, np.ndarray]:
    """Run the steps on a photo and say of each object whether it is a spore, as `label_by_truth` does.

    Parameters
    ----------
    simulated : SimulatedPhoto
    before : sequence of str
        Sortings whose odds the traits go by; the networks' own where there are none.

    Returns
    -------
    rows : ndarray of shape (n, k)
        Traits.
    label : ndarray of shape (n,), int8
    """
    work, flat, large, settled = settle_photo(simulated)
    outlines, lies_on_large = follow_outlines(work, flat, settled), on_large(settled, large)
    odds = log_odds(settled, outlines, lies_on_large, work, before)
    rows = traits(settled, outlines, lies_on_large, work, odds[-1])
    label = label_by_truth(simulated, work, settled, odds[0])
    keep = odds[0] > LEAST_MARGIN
    return rows[keep], label[keep]


def label_by_truth(
    simulated: SimulatedPhoto, work: WorkImage, settled: Settled, odds: np.ndarray
) -> np.ndarray:
    """Say of each object of a photo whether it is a spore.

    Objects and spores are matched one to one; one matched to a spore that nobody could count stays untold. Of
    objects about as near to the same spore the likelier one is it.

    Parameters
    ----------
    simulated : SimulatedPhoto
    work : WorkImage
    settled : Settled
    odds : ndarray of shape (n,)
        Log odds of spore.

    Returns
    -------
    ndarray of shape (n,), int8
        0, `SPORE` or `UNTOLD`.
    """
    label = np.zeros(len(odds), np.int8)
    if not simulated.spores or not len(odds):
        return label
    x_px, y_px = to_photo(work, settled.row, settled.col)
    away = away_in_lengths(simulated.spores, x_px, y_px, simulated.um_per_px)
    countable = np.array([one.countable for one in simulated.spores])
    near = away <= REACH
    gain = near * (10 * np.where(countable[:, None], 1.0, 0.5) + 0.01 * (np.clip(odds, -5, 8) + 5))
    spore, thing = linear_sum_assignment(np.minimum(away, REACH) - gain)
    hit = near[spore, thing]
    label[thing[hit]] = np.where(countable[spore[hit]], SPORE, UNTOLD)
    return label


class Rows(NamedTuple):
    """Objects of some photos; n rows.

    Parameters
    ----------
    traits : ndarray of shape (n, k), float32
    label : ndarray of shape (n,), int8
        0, `SPORE` or `UNTOLD`.
    weight : ndarray of shape (n,)
    clean : ndarray of shape (n,), bool
        On a photo without a countable spore.
    """

    traits: np.ndarray
    label: np.ndarray
    weight: np.ndarray
    clean: np.ndarray


def joined(parts: Iterable[Rows]) -> Rows:
    """Put rows of several photos one below the other; one without an object adds none."""
    some = [one for one in parts if len(one.label)]
    return Rows(*(np.concatenate(column) for column in zip(*some, strict=True)))


def rows_by_style(paths: Sequence[Path], workers: int, before: Sequence[str]) -> dict[str, Rows]:
    """Label the objects of drawn photos after some sortings; those of each style together."""
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        done = list(pool.map(partial(_one, before=before), paths))
    return {
        style: joined(rows for path, rows in zip(paths, done, strict=True) if style_of(path) == style)
        for style in sorted({style_of(path) for path in paths})
    }


def _one(path: Path, before: Sequence[str]) -> Rows:
    cv2.setNumThreads(1)
    simulated = read_photo(path)
    rows, label = label_objects(simulated, before)
    clean = not any(one.countable for one in simulated.spores)
    weight = min(1.0, MOST_OBJECTS / max(len(rows), 1))
    return Rows(rows, label, np.full(len(rows), weight), np.full(len(rows), clean))


def _boosted(parts: Sequence[Rows]) -> HistGradientBoostingClassifier:
    from sklearn.ensemble import HistGradientBoostingClassifier

    rows = joined(parts)
    told = rows.label != UNTOLD
    weight = rows.weight * np.where(rows.clean, _CLEAN_WEIGHT, 1.0)
    return HistGradientBoostingClassifier(
        max_depth=_DEPTH,
        max_iter=_TREES,
        learning_rate=0.05,
        max_features=_TRAITS_A_SPLIT,
        min_samples_leaf=200,
        l2_regularization=20,
        random_state=0,
    ).fit(rows.traits[told], rows.label[told] == SPORE, sample_weight=weight[told])


def fit_sorter(parts: Sequence[Rows]) -> onnx.ModelProto:
    """Boost shallow trees on all objects whose truth can be told.

    Returns
    -------
    onnx.ModelProto
        From "traits", shape (n, k), to "log_odds", shape (n, 1).
    """
    return as_onnx(_boosted(parts), parts[0].traits.shape[1])


def as_onnx(model: HistGradientBoostingClassifier, traits_count: int) -> onnx.ModelProto:
    """Write boosted trees in the open standard's own terms for them."""
    trees = [one[0].nodes for one in model._predictors]
    nodes = np.concatenate(trees)
    sizes = [len(one) for one in trees]
    tree = np.repeat(np.arange(len(trees)), sizes)
    number = np.concatenate([np.arange(size) for size in sizes])
    leaf = nodes["is_leaf"].astype(bool)
    ensemble = onnx.helper.make_node(
        "TreeEnsembleRegressor",
        ["traits"],
        ["log_odds"],
        domain="ai.onnx.ml",
        n_targets=1,
        base_values=np.ravel(model._baseline_prediction).astype(float).tolist(),
        nodes_treeids=tree.tolist(),
        nodes_nodeids=number.tolist(),
        nodes_modes=np.where(leaf, "LEAF", "BRANCH_LEQ").tolist(),
        nodes_featureids=np.where(leaf, 0, nodes["feature_idx"]).tolist(),
        nodes_values=np.where(leaf, 0, nodes["num_threshold"]).tolist(),
        nodes_truenodeids=np.where(leaf, 0, nodes["left"]).tolist(),
        nodes_falsenodeids=np.where(leaf, 0, nodes["right"]).tolist(),
        target_treeids=tree[leaf].tolist(),
        target_nodeids=number[leaf].tolist(),
        target_ids=[0] * int(leaf.sum()),
        target_weights=nodes["value"][leaf].tolist(),
    )
    kind = onnx.TensorProto.FLOAT
    graph = onnx.helper.make_graph(
        [ensemble],
        "sorter",
        [onnx.helper.make_tensor_value_info("traits", kind, ["objects", traits_count])],
        [onnx.helper.make_tensor_value_info("log_odds", kind, ["objects", 1])],
    )
    opsets = [onnx.helper.make_opsetid("", 17), onnx.helper.make_opsetid("ai.onnx.ml", 3)]
    written = onnx.helper.make_model(graph, opset_imports=opsets, ir_version=8)
    onnx.checker.check_model(written)
    return written


def main() -> None:
    """Label, fit and write the trees of a sorting, and that into the card."""
    wish, paths = asked_photos(
        (__doc__ or "").splitlines()[0],
        again="fit the trees that sort once more, on photos new to the first ones",
    )
    card, drawn = read_card(wish.out), drawn_into(wish.photos_in)
    number = int(wish.again)
    before, part = SORTINGS[:number], SORTINGS[number]
    refuse_known(card, drawn, wish.photos_in, before)
    of_style = rows_by_style(paths, wish.workers, before)
    onnx.save(fit_sorter(list(of_style.values())), str(wish.out / part))
    card["parts"][part] = {
        "what": f"the {('first', 'second')[number]} sorting: {_TREES} trees of depth {_DEPTH}",
        "recipe": f"python -m sporecount.steps.classify.training.sorter{' --again' if before else ''}"
        f" --unseen {' '.join(wish.unseen)}",
        "date": datetime.date.today().isoformat(),
        "simulated_photos": len(paths),
        "drawn": drawn,
    }
    write_card(wish.out, card)


if __name__ == "__main__":
    main()

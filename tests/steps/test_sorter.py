"""The sorter's trees answer as they were fitted, and objects are labelled by the truth of their photo."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sporecount.simulate import panes

pytest.importorskip("onnx", reason="training alone needs it")
pytest.importorskip("sklearn", reason="training alone needs it")


def test_trees_written_in_the_open_standard_answer_as_scikit_learn_does() -> None:
    import onnxruntime
    from sklearn.ensemble import HistGradientBoostingClassifier

    from sporecount.steps.classify.training.sorter import as_onnx

    rng = np.random.default_rng(2)
    table = rng.normal(size=(3000, 6)).astype(np.float32)
    answer = table[:, 0] * table[:, 1] + table[:, 2] > rng.normal(0, 0.3, 3000)
    model = HistGradientBoostingClassifier(max_depth=4, max_iter=60, random_state=0).fit(table, answer)
    session = onnxruntime.InferenceSession(as_onnx(model, 6).SerializeToString())
    fresh = rng.normal(size=(500, 6)).astype(np.float32)
    written = session.run(None, {"traits": fresh})[0][:, 0]
    # Sums of 60 leaves in single precision.
    np.testing.assert_allclose(written, model.decision_function(fresh), atol=1e-4)
    assert np.mean((written > 0) == (fresh[:, 0] * fresh[:, 1] + fresh[:, 2] > 0)) > 0.85


def test_objects_are_labelled_one_to_one_by_the_truth() -> None:
    from sporecount.steps.classify.training.sorter import SPORE, UNTOLD, label_objects

    photo = panes.draw_photo(
        np.random.default_rng(8), width_px=900, height_px=700, um_per_px=0.6, preset="good_focus"
    )
    countable = sum(one.countable for one in photo.spores)
    rows, label = label_objects(photo)
    assert len(rows) == len(label)
    assert 0.8 * countable < np.sum(label == SPORE) <= countable
    nobody = replace(photo, spores=tuple(replace(one, countable=False) for one in photo.spores))
    _, untold = label_objects(nobody)
    assert not np.any(untold == SPORE)
    assert np.sum(untold == UNTOLD) >= np.sum(label == SPORE)
    _, none = label_objects(replace(photo, spores=()))
    assert not none.any()


def test_calibration_finds_what_the_odds_were_drawn_from_and_each_style_weighs_the_same() -> None:
    from sporecount.steps.classify.training.calibration import fit_calibration

    rng = np.random.default_rng(4)

    def drawn(count: int, slope: float, shift: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        odds = rng.normal(0, 2, count)
        return odds, rng.random(count) < 1 / (1 + np.exp(-slope * odds - shift)), np.ones(count)

    one = drawn(60_000, 0.8, 0.5)
    # Standard errors are about 0.01 here: four of them.
    assert fit_calibration([one]) == pytest.approx((0.8, 0.5), abs=0.04)
    few, many = drawn(20_000, 1.0, 0.0), drawn(20_000, 1.0, 1.0)
    thrice = tuple(np.concatenate([column] * 3) for column in many)
    assert fit_calibration([few, thrice]) == pytest.approx(fit_calibration([few, many]), abs=1e-3)


def test_a_photo_without_an_object_adds_no_rows() -> None:
    from sporecount.steps.classify.training.sorter import Rows, joined

    some = Rows(np.ones((2, 5), np.float32), np.ones(2, np.int8), np.ones(2), np.zeros(2, bool))
    none = Rows(np.empty((0, 0), np.float32), np.zeros(0, np.int8), np.zeros(0), np.zeros(0, bool))
    assert joined([none, some, none]).traits.shape == (2, 5)

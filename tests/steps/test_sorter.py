"""The sorter's trees answer as they were fitted, and objects are labelled by the truth of their photo."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

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


def test_a_later_sorting_reckons_from_the_odds_before_what_depends_on_others_and_nothing_else() -> None:
    from sporecount.steps.classify.network import SORTINGS, sorter_log_odds
    from sporecount.steps.classify.training.sorter import label_objects

    # Columns of `traits`: an object's own logits and measures, its outline, where it lies, its looks'
    # disagreement, the grid's scale and the area; then the odds, what is usual among likely spores, and company.
    own = [*range(1, 16), *range(23, 34), 39, 41, 61, 62]
    others = [0, *range(16, 23), *range(34, 38), 40, *range(42, 59)]

    photo = panes.draw_photo(
        np.random.default_rng(8), width_px=900, height_px=700, um_per_px=0.6, preset="good_focus"
    )
    (first, label), (later, same_label) = (label_objects(photo, SORTINGS[:number]) for number in (0, 1))
    np.testing.assert_array_equal(label, same_label)
    np.testing.assert_array_equal(first[:, own], later[:, own])
    assert (first[:, others] != later[:, others]).any(axis=0).all()
    np.testing.assert_allclose(later[:, 0], np.clip(sorter_log_odds(first, SORTINGS[0]), -8, 8), atol=1e-6)


def test_a_count_goes_by_what_calibration_is_fitted_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sporecount.chain
    from sporecount.chain import count_field
    from sporecount.records import Photo, Scale
    from sporecount.settings import CountSettings
    from sporecount.steps.classify.network import model_card
    from sporecount.steps.classify.training.calibration import _one
    from sporecount.steps.classify.training.photos import keep_photo

    photo = panes.draw_photo(
        np.random.default_rng(8), width_px=900, height_px=700, um_per_px=0.6, preset="hard"
    )
    keep_photo(photo, tmp_path / "one.npz")
    odds, _, _ = _one(tmp_path / "one.npz")
    assert np.count_nonzero(np.abs(odds) < 3) >= 5
    slope, shift = model_card()["calibration"]["slope_and_shift"]
    expected = 1 / (1 + np.exp(-slope * odds - shift))
    # what is set aside as part of something larger is set aside afterwards
    monkeypatch.setattr(sporecount.chain, "set_parts_aside", lambda *arguments: arguments[3])
    field, _ = count_field(Photo(rgb=photo.rgb, name="simulated"), Scale(0.6), CountSettings())
    # The count has more objects: those that are too unlikely to be taught. Of what was parted it has two.
    apart = np.abs(expected[:, None] - field.kinds.spore).min(axis=1)
    np.testing.assert_allclose(apart, 0, atol=1e-6)


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


def test_no_shift_makes_spores_likelier() -> None:
    from sporecount.steps.classify.training.calibration import careful_calibration, fit_calibration

    rng = np.random.default_rng(5)

    def drawn(shift: float) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
        odds = rng.normal(0, 2, 60_000)
        return [(odds, rng.random(len(odds)) < 1 / (1 + np.exp(-0.9 * odds - shift)), np.ones(len(odds)))]

    below, above = drawn(-0.3), drawn(0.3)
    assert careful_calibration(below) == fit_calibration(below)
    assert fit_calibration(above)[1] == pytest.approx(0.3, abs=0.04)
    slope, shift = careful_calibration(above)
    assert shift == 0
    # the slope that is best without a shift: the derivative of the loss along it vanishes
    odds, truth, _ = above[0]
    assert np.mean((1 / (1 + np.exp(-slope * odds)) - truth) * odds) == pytest.approx(0, abs=1e-3)


def test_a_photo_without_an_object_adds_no_rows() -> None:
    from sporecount.steps.classify.training.sorter import Rows, joined

    some = Rows(np.ones((2, 5), np.float32), np.ones(2, np.int8), np.ones(2), np.zeros(2, bool))
    none = Rows(np.empty((0, 0), np.float32), np.zeros(0, np.int8), np.zeros(0), np.zeros(0, bool))
    assert joined([none, some, none]).traits.shape == (2, 5)

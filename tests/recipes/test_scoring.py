"""Hand-made cases whose scores are known without computing."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sporecount.simulate.truth import SimulatedPhoto, SporeTruth
from tests.recipes.scoring import (
    calibration_error,
    count_is_heavy,
    match,
    recall_by_condition,
    score_photo,
    summarise,
    summary_by_condition,
)

UM_PER_PX = 0.5
LENGTH_UM = 12.0
REACH_PX = 0.6 * LENGTH_UM / UM_PER_PX


def photo(*spots: tuple[float, float], uncountable: tuple[int, ...] = (), clump: int = 1) -> SimulatedPhoto:
    spores = tuple(
        SporeTruth(
            x_px=x,
            y_px=y,
            length_um=LENGTH_UM,
            width_um=8.0,
            angle_deg=30.0,
            visible=1.0,
            blur_um=0.6,
            contrast=0.3,
            on_scale=False,
            clump=clump,
            countable=k not in uncountable,
        )
        for k, (x, y) in enumerate(spots)
    )
    kind = np.zeros((300, 400), np.uint8)
    kind[:, 300:] = 4
    return SimulatedPhoto(
        np.zeros((300, 400, 3), np.uint8), UM_PER_PX, 10.0, spores, kind, 0, {"from_above": False}
    )


def answer(
    *spots: tuple[float, float], p: float | list[float] = 1.0, kind: list[str] | None = None, **more: object
) -> dict:
    kinds = np.array(kind if kind is not None else ["spore"] * len(spots), dtype="<U11")
    counted = int((kinds == "spore").sum())
    return {
        "x_px": np.array([x for x, _ in spots], float),
        "y_px": np.array([y for _, y in spots], float),
        "probability": np.broadcast_to(np.asarray(p, float), (len(spots),)),
        "kind": kinds,
        "count": counted,
        "low": counted,
        "high": counted,
        "flag": "clear",
        "reasons": (),
        "examined_mm2": 0.03,
        **more,
    }


SPOTS = ((50.0, 60.0), (120.0, 60.0), (200.0, 150.0), (260.0, 220.0))


def test_a_perfect_answer_scores_one() -> None:
    score = score_photo(photo(*SPOTS), answer(*SPOTS))
    got = summarise([score])
    assert (score.hits, score.misses, score.false, score.dropped) == (4, 0, 0, 0)
    assert got["f1"] == got["precision"] == got["recall"] == 1.0
    assert got["count_error"] == got["total_error"] == got["calibration_error"] == 0.0
    assert got["clear_inside"] == 1.0
    assert score.inside


def test_one_miss_and_one_double() -> None:
    missed = score_photo(photo(*SPOTS), answer(*SPOTS[:3]))
    assert (missed.hits, missed.misses, missed.false) == (3, 1, 0)
    assert summarise([missed])["recall"] == 0.75
    assert not missed.inside
    double = score_photo(photo(*SPOTS), answer(*SPOTS, (52.0, 61.0)))
    assert (double.hits, double.misses, double.false) == (4, 0, 1)
    assert summarise([double])["precision"] == 0.8
    # Examined area 0.03 mm2 and one false detection.
    assert summarise([double])["false_per_mm2"] == pytest.approx(1 / 0.03)


def test_an_uncountable_spore_is_neither_hit_nor_miss() -> None:
    scene = photo(*SPOTS, uncountable=(1,))
    without = score_photo(scene, answer(SPOTS[0], *SPOTS[2:]))
    assert (without.hits, without.misses, without.false, without.dropped, without.true_count) == (
        3,
        0,
        0,
        0,
        3,
    )
    with_it = score_photo(scene, answer(*SPOTS))
    assert (with_it.hits, with_it.misses, with_it.false, with_it.dropped, with_it.true_count) == (
        3,
        0,
        0,
        1,
        4,
    )
    assert with_it.relative_error == without.relative_error == 0.0
    assert len(with_it.probability) == 3


@pytest.mark.parametrize(("away", "hits"), [(REACH_PX - 0.01, 1), (REACH_PX + 0.01, 0)])
def test_reach_is_six_tenths_of_a_length(away: float, hits: int) -> None:
    score = score_photo(photo((100.0, 100.0)), answer((100.0 + away, 100.0)))
    assert score.hits == hits
    assert score.false == 1 - hits


def test_no_spores_and_nothing_found() -> None:
    empty = score_photo(photo(), answer())
    got = summarise([empty])
    assert (empty.hits, empty.misses, empty.false) == (0, 0, 0)
    assert got["false_per_mm2"] == 0.0
    assert got["positive"] == 0.0
    assert np.isnan(got["f1"])
    assert summarise([score_photo(photo(), answer((350.0, 20.0)))])["positive"] == 1.0


def test_a_false_detection_is_named_after_what_it_lies_on() -> None:
    assert score_photo(photo(), answer((350.0, 20.0), (20.0, 20.0))).false_kinds == {
        "hair": 1,
        "background": 1,
    }


def test_doubted_spores_enter_the_calibration_but_not_the_hits() -> None:
    score = score_photo(photo(*SPOTS[:2]), answer(*SPOTS[:2], p=[0.9, 0.3], kind=["spore", "dust"]))
    assert (score.hits, score.misses) == (1, 1)
    assert score.is_spore.tolist() == [True, True]


def test_rows_of_pairs_do_not_cross_over() -> None:
    # Each detection could reach two spores; only the straight assignment serves all three.
    true = [(0.0, 0.0), (10.0, 0.0), (20.0, 0.0)]
    found = [(6.0, 0.0), (16.0, 0.0), (-6.0, 0.0)]
    pairs = match(found, true, 7.0)
    assert {tuple(row) for row in pairs.tolist()} == {(2, 0), (0, 1), (1, 2)}


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 5), st.integers(0, 5), st.integers(0, 10_000))
def test_matching_is_the_best_of_all_assignments(n: int, m: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    found, true, reach = rng.uniform(0, 20, (n, 2)), rng.uniform(0, 20, (m, 2)), rng.uniform(2, 9, m)
    second = rng.random(m) < 0.4
    pairs = match(found, true, reach, second)
    gap = np.hypot(*(found[:, None] - true[None]).transpose(2, 0, 1)) / reach if n and m else np.zeros((n, m))
    best = (0, -m, 0.0)
    for order in permutations(range(max(n, m)), n):
        ok = [(i, j) for i, j in enumerate(order) if j < m and gap[i, j] <= 1]
        best = max(best, (len(ok), -sum(second[j] for _, j in ok), -float(sum(gap[i, j] for i, j in ok))))
    assert (len(pairs), -second[pairs[:, 1]].sum()) == best[:2]
    assert len(set(pairs[:, 0])) == len(set(pairs[:, 1])) == len(pairs)
    assert sum(gap[i, j] for i, j in pairs) == pytest.approx(-best[2])


def test_a_detection_between_two_spores_is_the_one_that_can_be_counted() -> None:
    # nearer to the second, which is hidden; with a detection more, both are taken
    true, hidden = [(0.0, 0.0), (4.0, 0.0)], [False, True]
    assert match([(3.0, 0.0)], true, 5.0, hidden).tolist() == [[0, 0]]
    assert match([(3.0, 0.0)], true, 5.0).tolist() == [[0, 1]]
    both = match([(3.0, 0.0), (4.5, 0.0)], true, 5.0, hidden)
    assert {tuple(row) for row in both.tolist()} == {(0, 0), (1, 1)}


def test_calibration_error_of_calibrated_draws_is_near_zero() -> None:
    rng = np.random.default_rng(7)
    p = rng.uniform(0, 1, 40_000)
    truth = rng.uniform(0, 1, p.size) < p
    # Each of ten bins of 4000 draws strays by 0.008 at most (one standard deviation), 0.006 on the mean.
    assert calibration_error(p, truth) < 0.015
    assert calibration_error(np.sqrt(p), truth) > 0.1


def test_calibration_error_on_paper() -> None:
    # Two objects at 0.8 of which one is true, two at 0.2 of which none: (2 * 0.3 + 2 * 0.2) / 4.
    assert calibration_error([0.8, 0.8, 0.2, 0.2], [1, 0, 0, 0]) == pytest.approx(0.25)
    assert np.isnan(calibration_error([], []))


def test_interval_coverage_counts_clear_fields_only() -> None:
    right = score_photo(photo(*SPOTS), answer(*SPOTS[:3], low=2, high=5))
    wrong = score_photo(photo(*SPOTS), answer(*SPOTS[:3]))
    owned_up = score_photo(photo(*SPOTS), answer(*SPOTS[:3], flag="recheck"))
    got = summarise([right, wrong, owned_up])
    assert got["clear"] == pytest.approx(2 / 3)
    assert got["clear_inside"] == 0.5
    assert got["inside"] == pytest.approx(1 / 3)
    assert got["off_but_clear"] == 1


def test_recall_by_condition_splits_singles_from_clumps() -> None:
    scores = [
        score_photo(photo(*SPOTS), answer(*SPOTS)),
        score_photo(photo(*SPOTS, clump=4), answer(SPOTS[0])),
    ]
    rows = recall_by_condition(scores)
    assert rows["single"] == (4, 1.0)
    assert rows["clump 2-5"] == (4, 0.25)
    assert rows["off scales"] == (8, 0.625)
    assert summary_by_condition(scores)["10x"]["recall"] == 0.625


def test_heavy_is_told_by_the_density_of_a_whole_print() -> None:
    # 400 x 300 px at 0.5 um is 0.03 mm2: one spore there means 2000 on a print of 60 mm2, class 5.
    assert count_is_heavy(score_photo(photo(SPOTS[0]), answer(SPOTS[0]))) == (True, True)
    assert count_is_heavy(score_photo(photo(SPOTS[0]), answer())) == (False, True)
    assert count_is_heavy(score_photo(photo(), answer())) == (False, False)


@pytest.mark.parametrize(("verdict", "said"), [("at least", True), ("below", False), ("open", None)])
def test_what_is_said_of_the_print_comes_before_its_density(verdict: str, said: bool | None) -> None:
    score = score_photo(photo(SPOTS[0]), answer(SPOTS[0], heavy_verdict=verdict))
    assert count_is_heavy(score) == (said, True)

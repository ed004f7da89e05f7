from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from sporecount.errors import SettingsError
from sporecount.stats.calibration_error import expected_calibration_error
from sporecount.stats.captured import PrintArea
from sporecount.stats.density import density
from sporecount.stats.evidence import Evidence
from sporecount.stats.load import CLASS_FROM, class_at_least, load_cells, load_class, load_of_print

PRINT = PrintArea(60.0, 45.0, 80.0)
UPPER = (0, 1, 20, 100, 1000, 20_000)


def fields(counts, **more):
    return Evidence(counts=counts, areas_mm2=np.full(len(counts), 2.0), recall=0.9, recall_u=0.03, **more)


def drawn_loads(rng, prints):
    """Loads of prints whose classes are equally common, log-uniform within a class."""
    cls = rng.integers(0, 6, prints)
    low, high = np.array(CLASS_FROM)[cls], np.array(UPPER)[cls]
    loads = np.exp(rng.uniform(np.log(np.maximum(low, 1) - 0.5), np.log(high + 0.5)))
    return cls, np.where(cls == 0, 0, np.clip(np.round(loads), low, high)).astype(int)


def found_in_fields(rng, load, k, count=5):
    area = 60 * np.exp(rng.standard_normal() * np.log(80 / 60) / 1.96)
    tiles = area / 2
    share = rng.dirichlet([k] * count + [k * (tiles - count)])[:count]
    recall = min(0.9 + 0.03 * rng.standard_normal(), 1)
    return rng.binomial(rng.multinomial(load, [*share, max(0.0, 1 - share.sum())])[:count], recall)


def test_class_probabilities_mean_what_they_say():
    rng = np.random.default_rng(41)

    @cache  # with known clumping the total alone decides
    def answer(total):
        got = load_of_print(fields([total, 0, 0, 0, 0], k=2.0), PRINT)
        return got.class_probability, got.low, got.high

    cls, loads = drawn_loads(rng, 1500)
    answers = [answer(int(found_in_fields(rng, load, 2.0).sum())) for load in loads]
    said = np.array([one[0] for one in answers])
    true = np.eye(6)[cls]
    # 1500 prints: the standard error of a mean share of a sixth is 0.0096
    assert said.mean(axis=0) == pytest.approx(true.mean(axis=0), abs=0.03)
    assert expected_calibration_error(said.ravel(), true.ravel()) < 0.02
    inside = np.mean([low <= load <= high for (_, low, high), load in zip(answers, loads, strict=True)])
    assert inside >= 0.95 - 0.017  # three standard errors


def test_class_probabilities_hold_when_clumping_is_learnt():
    rng = np.random.default_rng(42)
    cls, loads = drawn_loads(rng, 200)
    k = 1 / np.maximum(rng.rayleigh(0.6, 200), 0.02) ** 2
    got = [
        load_of_print(fields(found_in_fields(rng, n, one)), PRINT) for n, one in zip(loads, k, strict=True)
    ]
    said = np.array([one.class_probability for one in got])
    assert expected_calibration_error(said.ravel(), np.eye(6)[cls].ravel(), bins=5) < 0.04
    inside = np.mean([one.low <= load <= one.high for one, load in zip(got, loads, strict=True)])
    assert inside >= 0.95 - 0.046  # three standard errors among 200


@pytest.mark.parametrize("counts", [[0, 0, 0], [1, 0, 2], [40, 35, 60]])
def test_probabilities_add_up_and_quantiles_are_in_order(counts):
    got = load_of_print(fields(counts), PRINT)
    assert sum(got.class_probability) == pytest.approx(1)
    assert got.probability.sum() == pytest.approx(1)
    assert got.low <= got.median <= got.high
    assert got.low >= sum(counts) - 1e-9
    assert got.heavy_probability == pytest.approx(sum(got.class_probability[4:]))
    assert got.class_at_least <= load_class(got.high)


def test_no_class_below_the_examined_fields_is_possible():
    got = load_of_print(fields([12, 6, 4]), PRINT)
    assert got.class_at_least == 3
    assert got.class_probability[:3] == pytest.approx((0, 0, 0), abs=1e-12)


def test_a_print_seen_whole_by_a_perfect_search_has_its_class():
    whole = Evidence(counts=[1] + [0] * 29, areas_mm2=np.full(30, 2.0))
    got = load_of_print(whole, PrintArea(60.0, 60.0, 60.0))
    assert got.class_probability[1] == pytest.approx(1, abs=1e-3)
    assert (got.low, got.median, got.high) == (1, 1, 1)


def test_many_spores_agree_with_the_density():
    seen = fields([150, 170, 160, 155, 149, 161])
    got, per_mm2 = load_of_print(seen, PrintArea(60.0, 60.0, 60.0)), density(seen)
    assert got.median == pytest.approx(60 * per_mm2.per_mm2, rel=0.05)
    assert got.low == pytest.approx(60 * per_mm2.low, rel=0.15)
    assert got.high == pytest.approx(60 * per_mm2.high, rel=0.15)


def test_what_is_held_beforehand_matters_with_little_examined_only():
    rare = (0.9, 0.02, 0.02, 0.02, 0.02, 0.02)
    little, much = fields([0]), fields([80, 90, 70])
    assert load_of_print(little, PRINT, rare).class_probability[0] > 0.9
    assert load_of_print(little, PRINT).class_probability[0] < 0.5
    assert load_of_print(much, PRINT, rare).class_probability == pytest.approx(
        load_of_print(much, PRINT).class_probability, abs=1e-9
    )


def test_a_doubtful_object_counts_by_its_probability():
    sure_none, sure_one = (load_of_print(fields([n, 0, 0]), PRINT) for n in (0, 1))
    half = load_of_print(fields([0.5, 0, 0], count_var=[0.25, 0, 0]), PRINT)
    # the normal spread of the sorting puts 0.50 on none and 0.02 on two
    assert half.class_probability[0] == pytest.approx(sure_none.class_probability[0] / 2, rel=0.05)
    assert sure_one.class_probability[0] == 0
    assert half.class_at_least == 0


def test_false_spores_are_taken_off():
    plain, blank_known = fields([3, 2, 1]), fields([3, 2, 1], false_per_mm2=1.0)
    assert load_of_print(blank_known, PRINT).median < load_of_print(plain, PRINT).median
    assert class_at_least(blank_known) < class_at_least(plain)
    drowned = load_of_print(fields([0, 0, 0], false_per_mm2=30.0), PRINT)
    assert sum(drowned.class_probability) == pytest.approx(1)


def test_a_false_rate_from_a_small_control_takes_off_as_much_with_less_certainty():
    """One false spore on 2 mm2 and a hundred on 200 mm2 are the same rate; only the second is sure of it."""
    seen = fields([6, 5, 7], k=5.0, false_per_mm2=0.5)
    small, large = replace(seen, false_from_mm2=2.0), replace(seen, false_from_mm2=200.0)
    plain, exact = load_of_print(replace(seen, false_per_mm2=0.0), PRINT), load_of_print(seen, PRINT)
    unsure, surer = load_of_print(small, PRINT), load_of_print(large, PRINT)
    assert surer.median == pytest.approx(exact.median, rel=0.03)
    assert exact.median < plain.median
    assert unsure.high >= surer.high
    assert unsure.low <= surer.low
    of = [density(one) for one in (small, large, seen)]
    assert of[0].per_mm2 == of[1].per_mm2 == of[2].per_mm2
    assert of[0].low < of[1].low
    assert of[0].high > of[1].high
    assert (of[1].low, of[1].high) == pytest.approx((of[2].low, of[2].high), rel=0.02)


def test_prior_is_even_over_classes_and_log_uniform_within():
    loads, cls, prior = load_cells((1, 1, 1, 1, 1, 1))
    assert np.bincount(cls, weights=prior) == pytest.approx(np.full(6, 1 / 6))
    # class 4 is split at its geometric mean
    inside = cls == 4
    assert prior[inside & (loads < np.sqrt(100.5 * 1000.5))].sum() == pytest.approx(1 / 12, rel=0.02)
    assert (np.array([load_class(n) for n in loads]) == cls).all()


@pytest.mark.parametrize("prior", [(1, 1), (0,) * 6, (1, -1, 1, 1, 1, 1)])
def test_a_senseless_prior_is_refused(prior):
    with pytest.raises(SettingsError, match="class_prior must be a number in"):
        load_of_print(fields([0]), PRINT, prior)


def test_a_wider_print_area_widens_the_load():
    seen = replace(fields([30, 20, 40]), k=5.0)
    narrow, wide = (load_of_print(seen, PrintArea(60.0, low, high)) for low, high in ((60, 60), (30, 120)))
    assert wide.low < narrow.low
    assert wide.high > narrow.high
    with pytest.raises(SettingsError, match="print_area must be a number in"):
        PrintArea(60.0, 70.0, 80.0)

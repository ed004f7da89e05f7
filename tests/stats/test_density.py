from dataclasses import replace

import numpy as np
import pytest

from sporecount.errors import SettingsError
from sporecount.stats.density import density, upper_density
from sporecount.stats.evidence import Evidence, scenarios

TWO_MM2 = Evidence(counts=[3, 0, 7], areas_mm2=[2.0, 1.5, 2.2], recall=0.9)


def simulated_print(rng, per_mm2, k, fields, field_mm2=2.0):
    """Fields of one print, its recall and scale off by their stated uncertainties."""
    mean = per_mm2 * field_mm2
    mean = np.full(fields, mean) if np.isinf(k) else rng.gamma(k, mean / k, fields)
    recall = 0.9 + 0.03 * rng.standard_normal()
    area = (1 + 0.01 * rng.standard_normal()) ** 2
    return Evidence(
        counts=rng.poisson(mean * recall * area),
        areas_mm2=np.full(fields, field_mm2),
        recall=0.9,
        recall_u=0.03,
        um_per_px_rel_u=0.01,
    )


# (k, fields, spores per mm2); the prior of the clumping is meant for k from about 0.5 to inf
PRINTS = [
    (np.inf, 3, 1.5),
    (np.inf, 6, 15),
    (np.inf, 12, 0.3),
    (5, 6, 15),
    (2, 4, 5),
    (2, 12, 15),
    (1, 6, 5),
    (1, 3, 3),
]


@pytest.mark.parametrize(("k", "fields", "per_mm2"), PRINTS)
def test_interval_covers_even_and_clumped_prints(k, fields, per_mm2):
    rng = np.random.default_rng(21)
    repeats, inside = 150, 0
    for _ in range(repeats):
        got = density(simulated_print(rng, per_mm2, k, fields))
        inside += got.low <= per_mm2 <= got.high
    # three standard errors of a share of 0.95 among 150 are 0.053
    assert inside / repeats >= 0.95 - 0.053


def test_the_even_interval_is_the_optimistic_one_and_fails_on_clumped_prints():
    rng = np.random.default_rng(22)
    got = [density(simulated_print(rng, 15, 1, 6)) for _ in range(60)]
    assert np.mean([one.even_low <= 15 <= one.even_high for one in got]) < 0.6
    assert all(one.high - one.low > one.even_high - one.even_low for one in got)


def test_a_print_cut_into_more_fields_of_even_scatter_says_the_same():
    whole = density(Evidence(counts=[12], areas_mm2=[6.0], k=np.inf))
    parts = density(Evidence(counts=[5, 3, 4], areas_mm2=[2.0, 2.0, 2.0], k=np.inf))
    assert (parts.per_mm2, parts.low, parts.high) == pytest.approx(
        (whole.per_mm2, whole.low, whole.high), rel=1e-4
    )


def test_density_scales_with_area_and_recall():
    base = density(TWO_MM2)
    larger = density(replace(TWO_MM2, areas_mm2=2 * TWO_MM2.areas_mm2))
    blinder = density(replace(TWO_MM2, recall=0.45))
    for name in ("per_mm2", "low", "high"):
        assert getattr(larger, name) == pytest.approx(getattr(base, name) / 2, rel=1e-6)
        assert getattr(blinder, name) == pytest.approx(getattr(base, name) * 2, rel=1e-6)


@pytest.mark.parametrize(
    "doubt",
    [
        {"recall_u": 0.15},
        {"um_per_px_rel_u": 0.1},
        {"model_rel_u": 0.2},
        {"count_var": 2.0},
        {"k": 0.5},
    ],
)
def test_each_doubt_widens_the_interval(doubt):
    base = density(replace(TWO_MM2, k=5.0))
    wide = density(replace(TWO_MM2, **({"k": 5.0} | doubt)))
    assert wide.low < base.low
    assert wide.high > base.high


def test_false_spores_are_taken_off():
    base, corrected = density(TWO_MM2), density(replace(TWO_MM2, false_per_mm2=0.5))
    assert corrected.per_mm2 == pytest.approx(base.per_mm2 - 0.5 / 0.9)
    assert corrected.low < base.low
    assert corrected.high < base.high
    only_false = density(replace(TWO_MM2, false_per_mm2=5.0))
    assert (only_false.per_mm2, only_false.low) == (0, 0)


def test_upper_density_of_nothing_found_is_the_rule_of_three():
    empty = Evidence(counts=[0, 0], areas_mm2=[2.0, 2.1], k=np.inf)
    assert upper_density(empty) == pytest.approx(-np.log(0.05) / 4.1, rel=1e-4)


@pytest.mark.parametrize("k", [0.5, 3.0])
def test_upper_density_of_nothing_found_in_clumps_is_known_on_paper(k):
    # four equal fields: P(0) = (1 + D A / k)^(-4 k) = 0.05
    got = upper_density(Evidence(counts=np.zeros(4), areas_mm2=np.full(4, 2.0), k=k))
    assert got == pytest.approx((0.05 ** (-1 / (4 * k)) - 1) * k / 2.0, rel=1e-6)


def test_scenarios_are_the_same_each_time_and_centred():
    one, two = scenarios(TWO_MM2), scenarios(TWO_MM2)
    assert np.array_equal(one.k, two.k)
    wide = scenarios(replace(TWO_MM2, recall_u=0.09, count_var=0.5))
    assert np.median(wide.effort) == pytest.approx(1, abs=0.005)
    assert wide.found.mean() == pytest.approx(10, abs=0.02)
    assert np.log(wide.effort).std() == pytest.approx(0.1, rel=0.02)


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"areas_mm2": [2.0, 0.0, 1.0]}, "areas_mm2"),
        ({"counts": [1, -1, 0]}, "counts"),
        ({"counts": [1, 0]}, "number of counts"),
        ({"recall": 0.0}, "recall"),
        ({"k": 0.0}, "k"),
    ],
)
def test_values_out_of_range_are_named(change, named):
    with pytest.raises(SettingsError, match=f"{named} must be a number in"):
        replace(TWO_MM2, **change)

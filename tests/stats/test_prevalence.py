import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.proportion import confint_proportions_2indep

from sporecount.errors import SettingsError
from sporecount.stats.intervals import clopper_pearson
from sporecount.stats.prevalence import difference_of_groups, prevalence, true_prevalence


def test_three_of_four_says_little_and_thirty_of_forty_more():
    assert prevalence(3, 4).says_little
    assert not prevalence(30, 40).says_little


@pytest.mark.parametrize("case", [(0, 20), (3, 20), (20, 20)])
def test_a_perfect_test_leaves_the_exact_interval(case):
    got, exact = true_prevalence(*case, 1.0, 1.0), clopper_pearson(*case)
    assert tuple(got) == pytest.approx(tuple(exact), abs=2e-3)  # 1024 points


@pytest.mark.parametrize("true", [0.05, 0.3, 0.8])
def test_corrected_interval_covers(true):
    rng = np.random.default_rng(61)
    inside = 0
    for _ in range(200):
        se, sp = rng.beta(90, 10), rng.beta(98, 2)  # mean 0.9 and 0.98, sd 0.030 and 0.014
        positives = rng.binomial(40, true * se + (1 - true) * (1 - sp))
        got = true_prevalence(positives, 40, 0.9, 0.98, 0.030, 0.014)
        inside += got.low <= true <= got.high
    assert inside / 200 >= 0.95 - 0.046  # three standard errors


def test_doubt_about_the_test_widens():
    sure, unsure = true_prevalence(12, 40, 0.8, 0.95), true_prevalence(12, 40, 0.8, 0.95, 0.1, 0.03)
    assert unsure.value == sure.value
    assert unsure.low < sure.low
    assert unsure.high > sure.high


def test_a_test_that_misses_raises_and_one_that_cries_wolf_lowers():
    apparent = 10 / 40
    assert true_prevalence(10, 40, 0.7, 1.0).value == pytest.approx(apparent / 0.7)
    assert true_prevalence(10, 40, 1.0, 0.9).value < apparent
    assert true_prevalence(1, 40, 1.0, 0.9).value == 0


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 30), st.floats(0.6, 1), st.floats(0.6, 1), st.floats(0, 0.1))
def test_interval_is_a_share_and_holds_the_value(positives, se, sp, u):
    got = true_prevalence(positives, 30, se, sp, u, u)
    assert 0 <= got.low <= got.value <= got.high <= 1


def test_a_test_no_better_than_chance_is_refused():
    with pytest.raises(SettingsError, match="add up to more than 1"):
        true_prevalence(3, 10, 0.4, 0.6)


@pytest.mark.parametrize("groups", [(7, 20, 3, 25), (0, 10, 4, 9), (15, 15, 2, 12)])
def test_difference_agrees_with_the_reference_library(groups):
    got = difference_of_groups(*groups)
    # statsmodels, method "newcomb"
    assert (got.low, got.high) == pytest.approx(
        confint_proportions_2indep(*groups, method="newcomb"), abs=1e-9
    )
    swapped = difference_of_groups(*groups[2:], *groups[:2])
    assert tuple(swapped) == pytest.approx((-got.value, -got.high, -got.low))

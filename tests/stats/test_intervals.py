import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from sporecount.errors import SettingsError
from sporecount.stats.intervals import (
    clopper_pearson,
    cornish_fisher,
    nothing_found_bound,
    poisson_binomial_interval,
    poisson_binomial_pmf,
    poisson_interval,
    wilson,
)


@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
@pytest.mark.parametrize("case", [(0, 7), (3, 4), (12, 60), (60, 60)])
def test_shares_agree_with_the_reference_library(case, level):
    # statsmodels, methods "wilson" and "beta"
    for ours, name in ((wilson, "wilson"), (clopper_pearson, "beta")):
        got = ours(*case, level)
        low, high = proportion_confint(*case, alpha=1 - level, method=name)
        assert (got.low, got.high) == pytest.approx((low, high), abs=1e-9)


@pytest.mark.parametrize("mean", [0.3, 2.0, 7.5, 40.0])
def test_exact_poisson_interval_never_covers_less_than_stated(mean):
    counts = np.arange(0, 200)
    ends = np.array([poisson_interval(int(x))[1:] for x in counts])
    covered = (ends[:, 0] <= mean) & (mean <= ends[:, 1])
    assert stats.poisson.pmf(counts[covered], mean).sum() >= 0.95


@given(st.integers(0, 300), st.floats(0.5, 0.999))
def test_poisson_interval_holds_its_count_and_widens_with_level(count, level):
    narrow, wide = poisson_interval(count, level * 0.9), poisson_interval(count, level)
    assert wide.low <= narrow.low <= count <= narrow.high <= wide.high


def test_nothing_found_is_the_poisson_bound_of_zero():
    assert nothing_found_bound(4.1) == pytest.approx(poisson_interval(0, 0.90).high / 4.1)


def test_equal_chances_give_the_binomial_distribution():
    pmf = poisson_binomial_pmf(np.full(30, 0.2))
    assert pmf == pytest.approx(stats.binom.pmf(np.arange(31), 30, 0.2), abs=1e-12)


def test_unequal_chances_give_what_enumeration_gives():
    p = np.array([0.1, 0.5, 0.9, 0.35])
    expected = np.zeros(5)
    for outcome in np.ndindex(2, 2, 2, 2):
        expected[sum(outcome)] += np.prod(np.where(outcome, p, 1 - p))
    assert poisson_binomial_pmf(p) == pytest.approx(expected, abs=1e-14)
    both = poisson_binomial_pmf(np.stack([p, p[::-1]]))
    assert both == pytest.approx(np.stack([expected, expected]), abs=1e-14)


def test_exact_and_approximate_count_intervals_meet():
    p = np.random.default_rng(3).beta(0.4, 0.4, 400)
    exact = poisson_binomial_interval(p)
    spread = p * (1 - p)
    moments = p.sum(), spread.sum(), (spread * (1 - 2 * p)).sum()
    for end, q in ((exact.low, 0.025), (exact.high, 0.975)):
        assert end == pytest.approx(cornish_fisher(*moments, q), abs=1.0)  # whole numbers against a real one


def test_count_interval_of_many_objects_lies_around_their_sum():
    p = np.full(3000, 0.7)
    got = poisson_binomial_interval(p)
    assert got.value == pytest.approx(2100)
    assert got.low == pytest.approx(stats.binom.ppf(0.025, 3000, 0.7), abs=1)
    assert got.high == pytest.approx(stats.binom.ppf(0.975, 3000, 0.7), abs=1)


def test_no_object_counts_none():
    assert tuple(poisson_binomial_interval(np.zeros(0))) == (0, 0, 0)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: wilson(5, 4), "positives"),
        (lambda: wilson(0, 0), "n"),
        (lambda: poisson_interval(-1), "count"),
        (lambda: poisson_interval(1, 1.5), "level"),
        (lambda: nothing_found_bound(0), "n"),
        (lambda: poisson_binomial_interval(np.array([0.2, np.nan])), "probabilities"),
    ],
)
def test_values_out_of_range_are_named(call, named):
    with pytest.raises(SettingsError, match=f"{named} must be a number in"):
        call()

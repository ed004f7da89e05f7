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


@pytest.mark.parametrize("chances", [np.random.default_rng(3).beta(0.4, 0.4, 400), np.full(300, 0.97)])
def test_quantiles_by_moments_meet_the_exact_ones(chances):
    cumulative = np.cumsum(poisson_binomial_pmf(chances))
    spread = chances * (1 - chances)
    moments = chances.sum(), spread.sum(), (spread * (1 - 2 * chances)).sum()
    for q in (0.025, 0.975):
        exact = np.searchsorted(cumulative, q)
        assert exact == pytest.approx(
            cornish_fisher(*moments, q), abs=1.0
        )  # a whole number against a real one


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: wilson(5, 4), "positives"),
        (lambda: wilson(0, 0), "n"),
        (lambda: poisson_interval(-1), "count"),
        (lambda: poisson_interval(1, 1.5), "level"),
    ],
)
def test_values_out_of_range_are_named(call, named):
    with pytest.raises(SettingsError, match=f"{named} must be a number in"):
        call()

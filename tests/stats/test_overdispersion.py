import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from sporecount.errors import SettingsError
from sporecount.stats.overdispersion import (
    PRIOR_SPREAD,
    clumping_belief,
    fit_negative_binomial,
    k_of_spread,
    spread_quantile,
)


def clumped(rng, k, mean, fields):
    return rng.poisson(rng.gamma(k, mean / k, fields))


@pytest.mark.parametrize("exposed", [False, True])
def test_fit_agrees_with_the_reference_library(exposed):
    rng = np.random.default_rng(11)
    exposure = rng.uniform(0.5, 2.5, 80) if exposed else np.ones(80)
    counts = clumped(rng, 1.7, 6 * exposure, 80)
    got = fit_negative_binomial(counts, exposure)
    # statsmodels NegativeBinomial (NB2), alpha = 1/k
    model = sm.NegativeBinomial(counts, np.ones(80), exposure=exposure)
    fitted = model.fit(disp=0, maxiter=200)
    assert got.mean == pytest.approx(np.exp(fitted.params[0]), rel=1e-4)
    assert got.k == pytest.approx(1 / fitted.params[1], rel=1e-3)


def test_interval_of_k_covers():
    rng = np.random.default_rng(12)
    fits = [fit_negative_binomial(clumped(rng, 1.5, 8.0, 25)) for _ in range(200)]
    inside = np.mean([one.k_low <= 1.5 <= one.k_high for one in fits])
    assert inside >= 0.90  # the profile interval is asymptotic; three standard errors are 0.046


def test_equal_counts_are_on_the_boundary():
    got = fit_negative_binomial([4, 4, 4, 4])
    assert got.mean == 4
    assert np.isinf(got.k)
    assert np.isinf(got.k_high)


@pytest.mark.parametrize("counts", [[3], [0, 0, 0]])
def test_k_that_cannot_be_told_is_refused(counts):
    with pytest.raises(SettingsError):
        fit_negative_binomial(counts)


@pytest.mark.parametrize("counts", [[0, 0, 0, 0], [37]])
def test_no_spore_or_one_field_leaves_the_prior(counts):
    belief = clumping_belief(np.array(counts), np.ones(len(counts)))
    q = np.array([0.05, 0.5, 0.95])
    assert belief.sum() == pytest.approx(1)
    # linear within cells
    assert spread_quantile(belief, q) == pytest.approx(stats.rayleigh.ppf(q, scale=PRIOR_SPREAD), abs=0.01)


def test_figures_of_the_prior_as_documented():
    spread = spread_quantile(clumping_belief(np.zeros(3), np.ones(3)), np.array([0.05, 0.5, 0.95]))
    assert spread == pytest.approx([0.19, 0.71, 1.47], abs=0.01)
    assert k_of_spread(spread) == pytest.approx([27, 2.0, 0.46], rel=0.05)


@pytest.mark.parametrize("k", [0.6, 2.0, 10.0])
def test_belief_finds_the_clumping_of_many_fields(k):
    counts = clumped(np.random.default_rng(13), k, 40.0, 200)
    low, high = spread_quantile(clumping_belief(counts, np.ones(200)), np.array([0.005, 0.995]))
    assert low < 1 / np.sqrt(k) < high
    assert high - low < 0.5 / np.sqrt(k)


def test_even_counts_pull_the_belief_to_even():
    counts = np.random.default_rng(14).poisson(60, 12)
    assert spread_quantile(clumping_belief(counts, np.ones(12)), np.array(0.5)) < 0.12

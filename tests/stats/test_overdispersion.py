import numpy as np
import pytest
from scipy import stats

from sporecount.stats.overdispersion import (
    PRIOR_SPREAD,
    clumping_belief,
    k_of_spread,
    spread_quantile,
)


def clumped(rng, k, mean, fields):
    return rng.poisson(rng.gamma(k, mean / k, fields))


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

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from sporecount.errors import SettingsError
from sporecount.stats import count_interval
from sporecount.stats.count_interval import field_count_interval


def test_nothing_found_by_a_perfect_search_is_none():
    assert tuple(field_count_interval(np.zeros(0))) == (0.0, 0, 0)


@pytest.mark.parametrize("recall", [0.2, 0.5, 0.9])
def test_nothing_found_tells_what_could_be_missed(recall):
    # even prior: P(n missed) = recall (1 - recall)^n
    got = field_count_interval(np.zeros(0), recall)
    assert got.low == 0
    assert got.high == stats.geom.ppf(0.975, recall) - 1


@pytest.mark.parametrize("found", [1, 6, 25])
def test_sure_objects_and_known_recall_give_the_negative_binomial(found):
    got = field_count_interval(np.ones(found), 0.8)
    missed = stats.nbinom(found + 1, 0.8)
    assert (got.low, got.high) == (found + missed.ppf(0.025), found + missed.ppf(0.975))
    assert got.value == pytest.approx(found / 0.8)


def test_perfect_search_and_independent_doubt_give_the_binomial():
    got = field_count_interval(np.full(40, 0.3), shared_doubt=0.0)
    assert (got.low, got.high) == (stats.binom.ppf(0.025, 40, 0.3), stats.binom.ppf(0.975, 40, 0.3))


@pytest.mark.parametrize(("recall", "recall_u"), [(0.98, 0.01), (0.85, 0.08), (0.5, 0.1)])
@pytest.mark.parametrize("found", [15, 60])
def test_sum_and_moments_give_the_same_ends(monkeypatch, found, recall, recall_u):
    p = np.random.default_rng(found).beta(0.3, 0.3, found)
    ends = {}
    for way, cells in (("sum", 10**7), ("moments", 0)):
        monkeypatch.setattr(count_interval, "_EXACT_CELLS", cells)
        ends[way] = np.array(field_count_interval(p, recall, recall_u, model_rel_u=0.03)[1:])
    width = np.ptp(ends["sum"])
    assert ends["moments"] == pytest.approx(ends["sum"], abs=1 + 0.04 * width)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0, 1), max_size=80), st.floats(0.3, 1.0), st.floats(0, 0.1), st.floats(0, 0.2))
def test_more_doubt_never_narrows_and_ends_are_in_order(p, recall, recall_u, model_u):
    p = np.array(p)
    plain = field_count_interval(p, recall)
    wide = field_count_interval(p, recall, recall_u, model_rel_u=model_u)
    for got in (plain, wide):
        assert isinstance(got.low, int)
        assert 0 <= got.low <= got.high
        assert got.low - 1 <= got.value <= got.high + 1
    assert wide.high - wide.low >= plain.high - plain.low - 2  # whole numbers may round either way


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0.01, 0.99), min_size=1, max_size=150), st.floats(0.5, 1.0))
def test_a_further_sure_spore_lifts_the_interval(p, recall):
    p = np.array(p)
    before, after = (
        field_count_interval(p, recall, 0.02),
        field_count_interval(np.append(p, 1.0), recall, 0.02),
    )
    slack = 1 if p.size > 10 else 0  # where the sum gives way to moments the ends may round
    assert after.low >= before.low - slack
    assert after.high >= before.high - slack


@pytest.mark.parametrize(("typical", "doubtful"), [(0, 2), (4, 2), (40, 8), (400, 40)])
def test_interval_holds_the_true_count_as_often_as_stated(typical, doubtful):
    """Fields of random size, objects sorted by calibrated probabilities, recall unknown within its width."""
    rng = np.random.default_rng(typical + doubtful)
    repeats, inside = 500, 0
    for _ in range(repeats):
        true_sure = rng.integers(0, 2 * typical + 2)
        recall = rng.beta(90, 10)
        found = rng.binomial(true_sure, recall)
        p = np.concatenate([np.full(found, 0.995), rng.beta(0.5, 0.5, rng.poisson(doubtful))])
        shift = rng.normal(0, 0.5)
        odds = p / (1 - p + 1e-12) * np.exp(shift)
        spores = rng.random(p.size) < odds / (1 + odds)
        got = field_count_interval(p, 0.9, 0.03)
        truth = true_sure + int(spores[found:].sum())
        inside += got.low <= truth <= got.high
    # three standard errors of a share of 0.95 among 500 are 0.029; whole-number ends cover more
    assert inside / repeats >= 0.95 - 0.029


@pytest.mark.parametrize("bad", [0.0, 1.2, np.nan])
def test_recall_out_of_range_is_named(bad):
    with pytest.raises(SettingsError, match="recall must be a number in"):
        field_count_interval(np.ones(3), bad)

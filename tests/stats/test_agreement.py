import numpy as np
import pytest
from statsmodels.stats.inter_rater import cohens_kappa

from sporecount.errors import SettingsError
from sporecount.stats.agreement import (
    cross_table,
    kappa,
    kappa_sentence,
    limits_of_agreement,
    limits_sentence,
)

TABLE = np.array([[20, 3, 0, 0], [4, 11, 5, 0], [0, 2, 9, 4], [0, 1, 3, 14]])


@pytest.mark.parametrize(
    ("ours", "theirs"), [("none", None), ("linear", "linear"), ("quadratic", "quadratic")]
)
def test_kappa_and_its_interval_agree_with_the_reference_library(ours, theirs):
    got = kappa(TABLE, ours)
    # statsmodels cohens_kappa; its weights are distances, which gives the same kappa
    expected = cohens_kappa(TABLE, wt=theirs)
    assert got.value == pytest.approx(expected.kappa, abs=1e-12)
    assert (got.low, got.high) == pytest.approx((expected.kappa_low, expected.kappa_upp), abs=1e-5)


def test_independent_readers_agree_by_chance_only():
    assert kappa(np.outer([10, 20, 30], [1, 2, 3])).value == pytest.approx(0, abs=1e-12)


def test_full_agreement_of_few_is_not_certain():
    few, many = kappa(np.diag([2, 2])), kappa(np.diag([200, 200]))
    assert few.value == many.value == 1
    assert few.low < 0.1
    assert many.low > 0.95


def test_two_classes_know_no_degrees_of_disagreement():
    table = np.array([[12, 3], [5, 20]])
    assert kappa(table, "linear").value == pytest.approx(kappa(table).value)
    assert kappa(table, "quadratic").value == pytest.approx(kappa(table).value)


def test_interval_of_kappa_covers():
    rng = np.random.default_rng(71)
    chances = (TABLE + 0.5) / (TABLE + 0.5).sum()
    true = kappa(1e6 * chances, "linear").value
    got = [kappa(rng.multinomial(80, chances.ravel()).reshape(4, 4), "linear") for _ in range(300)]
    assert np.mean([one.low <= true <= one.high for one in got]) >= 0.95 - 0.038  # three standard errors


def test_table_counts_pairs():
    assert cross_table([0, 2, 2, 5], [0, 2, 3, 5], 6).sum() == 4
    assert cross_table([0, 2, 2, 5], [0, 2, 3, 5], 6)[2, 3] == 1
    with pytest.raises(SettingsError, match="number of second readings"):
        cross_table([0, 1], [0], 2)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        (np.zeros((2, 2)), "sum of table"),
        (np.diag([5, 0]), "same class only"),
        (np.ones((2, 3)), "must be square"),
    ],
)
def test_tables_without_an_answer_are_refused(table, words):
    with pytest.raises(SettingsError, match=words):
        kappa(table)


def test_limits_hold_the_share_that_they_name():
    rng = np.random.default_rng(72)
    truth = rng.gamma(2, 40, 3000)
    a, b = truth + rng.normal(1, 5, 3000) + 60, truth + rng.normal(0, 5, 3000) + 60
    got = limits_of_agreement(a, b)
    assert np.mean((got.lower.value < a - b) & (a - b < got.upper.value)) == pytest.approx(0.95, abs=0.012)
    assert got.bias.low < 1 < got.bias.high
    assert got.lower.low < 1 - 1.96 * np.sqrt(50) < got.lower.high


def test_swapping_readers_mirrors_the_limits():
    a, b = [3, 10, 24, 7, 90], [4, 8, 30, 7, 81]
    one, two = limits_of_agreement(a, b), limits_of_agreement(b, a)
    assert tuple(two.upper) == pytest.approx((-one.lower.value, -one.lower.high, -one.lower.low))
    ratio, inverse = limits_of_agreement(a, b, as_ratio=True), limits_of_agreement(b, a, as_ratio=True)
    assert ratio.bias.value == pytest.approx(1 / inverse.bias.value)
    assert ratio.upper.value == pytest.approx(1 / inverse.lower.value)


def test_a_constant_factor_is_read_as_ratio():
    a = np.array([20.0, 200.0, 2000.0, 700.0])
    got = limits_of_agreement(1.1 * (a + 0.5) - 0.5, a, as_ratio=True)
    assert got.bias.value == pytest.approx(1.1)
    assert got.sd == pytest.approx(0, abs=1e-12)


def test_sentences_carry_the_numbers():
    assert "kappa 0.65" in kappa_sentence(kappa(TABLE)).replace(f"{kappa(TABLE).value:.2f}", "0.65")
    assert f"Of {TABLE.sum()} read twice" in kappa_sentence(kappa(TABLE))
    got = limits_of_agreement([10, 12, 14, 9], [11, 15, 14, 12])
    assert "the machine counts 1.8 fewer than the reader" in limits_sentence(got, "the machine", "the reader")
    ratio = limits_of_agreement([10, 12, 14, 9], [11, 15, 14, 12], as_ratio=True)
    assert f"{ratio.bias.value:.2f} times" in limits_sentence(ratio)

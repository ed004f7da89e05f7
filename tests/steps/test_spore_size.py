"""The spores' size from many lengths, against what is known on paper."""

from __future__ import annotations

from math import comb

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sporecount.records import SporeSize
from sporecount.settings import CountSettings
from sporecount.steps.spore_size import size_reasons, spore_size

KNOBS = CountSettings()


def drawn(length: float, n: int, seed: int, cv: float = 0.07) -> np.ndarray:
    return length * np.exp(np.random.default_rng(seed).normal(0, cv, n))


def test_order_statistics_of_ten():
    """Conover, Practical Nonparametric Statistics (from memory): of 10, 2nd and 9th hold the median (97.9 %)."""
    got = spore_size(np.arange(1.0, 11.0))
    assert (got.length_low_um, got.length_um, got.length_high_um) == (2.0, 5.5, 9.0)
    assert got.spread_um == pytest.approx(1.4826 * 2.5)


def test_fewer_than_six_have_no_interval():
    """The range of n values misses the median in 2 of 2^n cases: in 6 of 100 with five, in 3 with six."""
    assert np.isnan(spore_size(np.arange(1.0, 6.0)).length_low_um)
    assert np.isnan(spore_size(np.arange(1.0, 6.0)).length_high_um)
    six = spore_size(np.arange(1.0, 7.0))
    assert (six.length_low_um, six.length_high_um) == (1.0, 6.0)


@pytest.mark.parametrize("n", [0, 1, 3])
def test_few_are_no_ground_for_much(n):
    got = spore_size(np.full(n, 11.0))
    assert got.spores == n
    assert got.groups_um == ()
    assert np.isnan(got.length_um) if n == 0 else got.length_um == 11.0


def test_a_few_odd_ones_move_nothing():
    """5 pollen grains among 95 spores."""
    clean = drawn(11.5, 95, 1)
    got = spore_size(np.concatenate([clean, np.full(5, 25.0)]))
    assert got.length_um == pytest.approx(11.5, rel=0.02)
    assert got.spread_um == pytest.approx(0.07 * 11.5, rel=0.3)


def test_the_interval_never_promises_too_much():
    """Ranks from the binomial distribution itself: of n values, the k-th and its mirror miss the median in twice
    P(B(n, 1/2) < k) cases, at most 5 of 100, and the next ranks inwards would miss it in more."""
    for n in range(6, 200):
        below = round(spore_size(np.arange(1.0, n + 1)).length_low_um)
        missed, next_missed = (2 * sum(comb(n, i) for i in range(k)) / 2**n for k in (below, below + 1))
        assert missed <= 0.05 < next_missed


def test_the_interval_holds_the_median_in_about_95_of_100():
    held = [
        one.length_low_um <= 11.5 <= one.length_high_um
        for one in (spore_size(drawn(11.5, 25, seed)) for seed in range(400))
    ]
    assert 0.92 <= np.mean(held) <= 0.99  # binomial spread of 400 draws is 0.011


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(0, 400), cv=st.floats(0.02, 0.2))
def test_one_size_is_never_called_two(seed, n, cv):
    assert spore_size(drawn(11.0, n, seed, cv)).groups_um == ()


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
def test_spores_under_two_objectives_are_two_sizes(share):
    """A 16x photo among 10x ones, all counted with one scale: 1.6 times as long."""
    n = 100
    got = spore_size(
        np.concatenate([drawn(9, round(n * share), 2), drawn(9 * 1.6, round(n * (1 - share)), 3)])
    )
    assert got.groups_um == (pytest.approx(9, rel=0.05), pytest.approx(14.4, rel=0.05))


def made(length: float, spores: int = 40, groups: tuple[float, ...] = ()) -> SporeSize:
    return SporeSize(spores, length, 0.8, length - 0.3, length + 0.3, groups)


def test_prints_of_one_size_within_the_band_have_no_reason():
    assert (
        size_reasons(made(11.5), {"FH-01": made(11.0), "FH-02": made(12.3), "FH-03": made(20, 3)}, KNOBS)
        == {}
    )


def test_a_print_apart_from_the_session_is_named_alone():
    got = size_reasons(made(11.5, 300), {"FH-01": made(11.5), "FH-02": made(15.5)}, KNOBS)
    assert got == {"FH-02": ("uneven-sizes",)}


def test_two_sizes_or_a_size_outside_the_band_are_everybodys_doubt():
    prints = {"FH-01": made(11.5), "FH-02": SporeSize(0, *[float("nan")] * 4)}
    assert size_reasons(made(12, 90, (9.0, 14.5)), prints, KNOBS) == {"FH-01": ("uneven-sizes",)}
    assert size_reasons(made(17.5), {"FH-01": made(17.5)}, KNOBS) == {"FH-01": ("size-mismatch",)}
    assert size_reasons(made(17.5, 3), {"FH-01": made(17.5, 3)}, KNOBS) == {}

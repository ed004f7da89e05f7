"""Statistics against published values; the source stands beside each, "from memory" where it was recalled."""

import numpy as np
import pytest

from sporecount.stats.agreement import kappa, limits_of_agreement
from sporecount.stats.density import density, upper_density
from sporecount.stats.evidence import Evidence
from sporecount.stats.intervals import clopper_pearson, poisson_interval, wilson
from sporecount.stats.load import load_class
from sporecount.stats.overdispersion import clumping_belief, spread_quantile
from sporecount.stats.prevalence import difference_of_groups, prevalence, true_prevalence

# Garwood 1936, Biometrika 28:437-442: exact 95 % intervals of a Poisson mean
GARWOOD = {
    0: (0, 3.689),
    1: (0.025, 5.572),
    2: (0.242, 7.225),
    5: (1.623, 11.668),
    10: (4.795, 18.390),
    20: (12.217, 30.888),
    50: (37.111, 65.919),
    100: (81.364, 121.627),
}

# Newcombe 1998, Stat. Med. 17:857-872, table I: methods 3 (score) and 5 (exact)
NEWCOMBE = {
    (81, 263): ((0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148): ((0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20): ((0, 0.1611), (0, 0.1684)),
    (1, 29): ((0.0061, 0.1718), (0.0009, 0.1776)),
}

# "Student" 1907, Biometrika 5:351-360: squares with 0, 1, 2, ... cells
STUDENT_EVEN = [0, 20, 43, 53, 86, 70, 54, 37, 18, 10, 5, 2, 2]
STUDENT_CLUMPED = [213, 128, 37, 18, 3, 1]

# Bliss & Fisher 1953, Biometrics 9:176-200: leaves with 0, 1, 2, ... mites
BLISS_FISHER = [70, 38, 17, 10, 9, 3, 2, 1]

# Bland & Altman 1986, Lancet 327:307-310, first readings of both meters, l/min (from memory)
WRIGHT = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def counts_of(frequencies):
    return np.repeat(np.arange(len(frequencies)), frequencies)


@pytest.mark.parametrize("count", GARWOOD)
def test_exact_poisson_interval_is_garwoods(count):
    got = poisson_interval(count)
    assert (got.low, got.high) == pytest.approx(GARWOOD[count], abs=6e-4)  # printed to three decimals


@pytest.mark.parametrize("count", GARWOOD)
def test_density_of_an_even_print_is_garwoods_over_the_area(count):
    got = density(Evidence(counts=[count], areas_mm2=[2.5], k=np.inf))
    assert (2.5 * got.low, 2.5 * got.high) == pytest.approx(GARWOOD[count], abs=2e-3)


@pytest.mark.parametrize("n", [30, 50, 100, 1000])
def test_nothing_found_is_near_three_over_n(n):
    # Hanley & Lippman-Hand 1983, JAMA 249:1743-1745
    nothing = Evidence(counts=[0.0], areas_mm2=[float(n)], k=np.inf)
    assert upper_density(nothing) == pytest.approx(3 / n, rel=2e-3)
    # their exact bound, 1 - 0.05^(1/n), lies below it
    assert clopper_pearson(0, n, 0.90).high == pytest.approx(1 - 0.05 ** (1 / n), rel=1e-9)
    assert 1 - 0.05 ** (1 / n) < 3 / n


@pytest.mark.parametrize("case", NEWCOMBE)
def test_wilson_and_clopper_pearson_are_newcombes(case):
    of_wilson, of_exact = NEWCOMBE[case]
    got = prevalence(*case)
    assert (got.wilson.low, got.wilson.high) == pytest.approx(of_wilson, abs=6e-5)  # four decimals
    assert (got.exact.low, got.exact.high) == pytest.approx(of_exact, abs=6e-5)
    assert wilson(*case) == got.wilson


def spread_of(counts):
    """Middle and 95 % interval of the belief about the spread between fields, with fields of equal area."""
    return spread_quantile(clumping_belief(counts, np.ones(counts.size)), np.array([0.5, 0.025, 0.975]))


def test_students_even_table_is_believed_to_be_even():
    counts = counts_of(STUDENT_EVEN)
    assert counts.size == 400
    assert counts.mean() == pytest.approx(4.68, abs=1e-9)
    assert counts.var() == pytest.approx(4.458, abs=5e-4)
    # variance below the mean. What 400 squares cannot tell from none: 1.96 sqrt(2 / 400) of the mean in the
    # variance, a spread of sqrt(0.139 / 4.68) = 0.17
    assert spread_of(counts)[2] < 0.18


def test_students_clumped_table_is_not():
    counts = counts_of(STUDENT_CLUMPED)
    assert counts.size == 400
    assert counts.mean() == pytest.approx(0.6825, abs=1e-9)
    assert counts.var() == pytest.approx(0.8117, abs=5e-5)
    # by moments, mean^2 / (variance - mean), k is 3.6
    middle, low, high = spread_of(counts)
    assert low > 0.15
    assert low < 1 / np.sqrt(0.6825**2 / (0.8117 - 0.6825)) < high
    assert middle == pytest.approx(1 / np.sqrt(3.6), abs=0.1)


def test_clumping_is_bliss_and_fishers():
    counts = counts_of(BLISS_FISHER)
    assert counts.mean() == pytest.approx(1.14667, abs=5e-6)
    # they have k = 1.02459; the belief's prior and its cells move the middle by a few hundredths
    middle, low, high = spread_of(counts)
    assert middle == pytest.approx(1 / np.sqrt(1.02459), abs=0.05)
    assert low < 1 / np.sqrt(1.02459) < high


@pytest.mark.parametrize(("se", "sp", "true"), [(0.9, 0.95, 0.2), (0.8, 0.99, 0.5), (0.95, 0.9, 0.0)])
def test_rogan_gladen_undoes_the_test(se, sp, true):
    # Rogan & Gladen 1978, Am. J. Epidemiol. 107:71-76: apparent = true Se + (1 - true)(1 - Sp)
    n = 100_000
    apparent = round(n * (true * se + (1 - true) * (1 - sp)))
    assert true_prevalence(apparent, n, se, sp).value == pytest.approx(true, abs=1e-4)


@pytest.mark.parametrize(
    ("groups", "expected"),
    [
        # Newcombe 1998, Stat. Med. 17:873-890, method 10 (from memory)
        ((56, 70, 48, 80), (0.2000, 0.0524, 0.3339)),
        ((9, 10, 3, 10), (0.6000, 0.1705, 0.8090)),
        ((5, 56, 0, 29), (0.0893, -0.0381, 0.1926)),
    ],
)
def test_difference_of_groups_is_newcombes(groups, expected):
    assert tuple(difference_of_groups(*groups)) == pytest.approx(expected, abs=6e-5)


def test_kappa_is_cohens_example():
    # Cohen 1960, Educ. Psychol. Meas. 20:37-46, two judges and three diagnoses, 200 cases (from memory)
    got = kappa(np.array([[88, 14, 18], [10, 40, 10], [2, 6, 12]]))
    assert got.observed == pytest.approx(0.70)
    assert got.expected == pytest.approx(0.41)
    assert got.value == pytest.approx(0.492, abs=5e-4)


def test_limits_of_agreement_are_bland_and_altmans():
    # 1986: mean difference -2.1, sd 38.8, limits at 2 sd -79.7 and 75.5, interval of the bias -22.0 to 17.8
    got = limits_of_agreement(WRIGHT, MINI)
    assert got.bias.value == pytest.approx(-2.1, abs=0.05)
    assert got.sd == pytest.approx(38.8, abs=0.05)
    assert (got.bias.low, got.bias.high) == pytest.approx((-22.0, 17.8), abs=0.1)
    assert got.bias.value - 2 * got.sd == pytest.approx(-79.7, abs=0.1)  # the paper rounds 1.96 to 2
    assert got.bias.value + 2 * got.sd == pytest.approx(75.5, abs=0.15)
    assert got.lower.value == pytest.approx(-79.7 + 0.04 * 38.8, abs=0.1)


def test_load_classes():
    # Altizer, Oberhauser & Brower 2000, Ecol. Entomol. 25:125-139 (class bounds from memory)
    bounds = {0: 0, 1: 1, 2: 2, 20: 2, 21: 3, 100: 3, 101: 4, 1000: 4, 1001: 5, 10**6: 5}
    assert {spores: load_class(spores) for spores in bounds} == bounds

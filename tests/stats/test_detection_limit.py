from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from sporecount.stats.captured import PrintArea, captured_share
from sporecount.stats.detection_limit import chance_to_find_none, hidden, hidden_load
from sporecount.stats.evidence import Evidence, scenarios
from sporecount.stats.overdispersion import PRIOR_SPREAD

PRINT = PrintArea(60.0, 60.0, 60.0)
FIELDS = Evidence(counts=np.zeros(6), areas_mm2=np.full(6, 2.0), recall=0.9, recall_u=0.03)


def found_on_drawn_prints(rng, load, k, prints=10_000, fields=6, tiles=30):
    """Spores found in the first fields of prints of `tiles` fields each, drawn tile by tile."""
    shape = np.broadcast_to(np.minimum(k, 1e9), prints)[:, None]  # so even that no print could tell
    weight = rng.gamma(shape, size=(prints, tiles))
    share = weight[:, :fields].sum(axis=1) / weight.sum(axis=1)
    recall = np.clip(0.9 + 0.03 * rng.standard_normal(prints), 0, 1)
    return rng.binomial(rng.binomial(load, share), recall)


@pytest.mark.parametrize("already", [0, 1, 4])
@pytest.mark.parametrize("k", [np.inf, 2.0, 0.7])
def test_limit_is_missed_by_one_drawn_print_in_twenty(k, already):
    counts = np.zeros(6)
    counts[0] = already
    load = hidden_load(replace(FIELDS, counts=counts, k=k), PRINT)
    rng = np.random.default_rng(31)
    missed = np.mean(found_on_drawn_prints(rng, int(load), k) <= already)
    missed_just_below = np.mean(found_on_drawn_prints(rng, int(load) - 1, k) <= already)
    # standard error of 0.05 among 10,000 is 0.0022; three of them
    assert missed <= 0.05 + 0.0066
    assert missed_just_below >= 0.05 - 0.0066  # and the limit is no larger than it must be


def test_limit_holds_on_average_over_the_clumping_it_expects():
    rng = np.random.default_rng(32)
    k = 1 / np.maximum(rng.rayleigh(PRIOR_SPREAD, 10_000), 0.02) ** 2
    load = hidden_load(FIELDS, PRINT)
    assert np.mean(found_on_drawn_prints(rng, int(load), k) == 0) == pytest.approx(0.05, abs=0.0066)


def test_limit_of_an_even_print_is_the_binomial_one():
    # a perfect search of a fifth of the print: 0.8^n <= 0.05
    sure = Evidence(counts=np.zeros(6), areas_mm2=np.full(6, 2.0), k=np.inf)
    assert hidden_load(sure, PRINT) == np.ceil(np.log(0.05) / np.log(0.8))


def test_nothing_hides_on_a_print_seen_whole_by_a_perfect_search():
    whole = Evidence(counts=np.zeros(30), areas_mm2=np.full(30, 2.0))
    assert hidden_load(whole, PRINT) == 1
    assert chance_to_find_none(whole, PRINT, 1) == pytest.approx(0, abs=1e-5)


def test_a_print_seen_whole_still_hides_what_the_search_misses():
    whole = Evidence(counts=np.zeros(30), areas_mm2=np.full(30, 2.0), recall=0.7)
    assert hidden_load(whole, PRINT) == np.ceil(np.log(0.05) / np.log(0.3))


def test_limit_falls_with_fields_and_rises_with_clumping_and_area():
    def limit(fields=6, k=2.0, area=PRINT):
        return hidden_load(Evidence(np.zeros(fields), np.full(fields, 2.0), k=k), area)

    assert limit(fields=12) < limit() < limit(fields=3)
    assert limit(k=np.inf) < limit() < limit(k=0.5)
    assert limit() < limit(area=PrintArea(120.0, 120.0, 120.0))
    assert limit() < limit(area=PrintArea(60.0, 40.0, 110.0))


def test_summary_carries_all_that_a_sentence_needs():
    got = hidden(FIELDS, PRINT)
    assert (got.found, got.fields, got.examined_mm2, got.examined_share) == (0, 6, 12.0, pytest.approx(0.2))
    assert got.even_load < got.load
    assert got.even_per_mm2 < got.per_mm2
    assert got.load / 60 == pytest.approx(got.per_mm2, rel=0.25)  # the finite print hides a little less
    assert chance_to_find_none(FIELDS, PRINT, got.load) <= 0.05
    assert chance_to_find_none(FIELDS, PRINT, got.load - 1) > 0.05


def test_many_found_are_bounded_by_their_density():
    many = Evidence(counts=[90, 80, 100], areas_mm2=[2.0, 2.0, 2.0], k=np.inf)
    assert hidden_load(many, PRINT) == pytest.approx(270 / 6 * 60, rel=0.15)


def test_captured_share_has_the_mean_and_spread_of_drawn_tiles():
    seen = replace(FIELDS, k=1.5, recall_u=0.0)
    captured = captured_share(seen, PRINT, scenarios(seen))
    weight = np.random.default_rng(33).gamma(1.5, size=(100_000, 30))
    share = 0.9 * weight[:, :6].sum(axis=1) / weight.sum(axis=1)
    beta = stats.beta(captured.a[0], captured.b[0])
    assert beta.mean() == pytest.approx(share.mean(), rel=0.01)
    assert beta.std() == pytest.approx(share.std(), rel=0.01)


def test_chances_of_all_counts_add_up():
    captured = captured_share(FIELDS, PRINT, scenarios(FIELDS))
    total = np.exp(captured.log_chance(np.arange(41)[:, None], np.asarray(40))).sum(axis=0)
    assert total == pytest.approx(np.ones(128), abs=1e-5)
    assert np.isneginf(captured.log_chance(np.asarray(5), np.asarray(4))).all()

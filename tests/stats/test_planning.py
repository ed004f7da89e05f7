import numpy as np
import pytest

from sporecount.errors import SettingsError
from sporecount.stats.captured import PrintArea
from sporecount.stats.detection_limit import chance_to_find_none
from sporecount.stats.evidence import Evidence
from sporecount.stats.planning import (
    empty_fields,
    fields_to_rule_out,
    gain_of_next_field,
    next_print,
    standing,
)

PRINT = PrintArea(60.0, 60.0, 60.0)
ONE = empty_fields(1, 2.0, recall=0.9, recall_u=0.03)


def seen(*counts):
    return Evidence(counts=counts, areas_mm2=np.full(len(counts), 2.0), recall=0.9, recall_u=0.03)


@pytest.mark.parametrize("lowest_class", [2, 3, 4, 5])
def test_plan_is_the_smallest_number_that_does(lowest_class):
    plan = fields_to_rule_out(lowest_class, ONE, PRINT)
    load = {2: 2, 3: 21, 4: 101, 5: 1001}[lowest_class]
    assert plan.possible
    assert plan.examined_mm2 == 2 * plan.fields
    assert chance_to_find_none(empty_fields(plan.fields, 2.0, 0.9, 0.03), PRINT, load) <= 0.05
    if plan.fields > 1:
        assert chance_to_find_none(empty_fields(plan.fields - 1, 2.0, 0.9, 0.03), PRINT, load) > 0.05


def test_plan_of_an_even_print_is_known_on_paper():
    # perfect search, fields of a thirtieth: (1 - m/30)^21 <= 0.05, m = 30 (1 - 0.05^(1/21)) = 3.99
    even = empty_fields(1, 2.0, k=np.inf)
    assert fields_to_rule_out(3, even, PRINT).fields == np.ceil(30 * (1 - 0.05 ** (1 / 21)))


def test_one_spore_cannot_be_ruled_out_by_a_search_that_misses_one_in_ten():
    plan = fields_to_rule_out(1, ONE, PRINT)
    assert not plan.possible
    assert plan.fields == 30
    assert plan.chance_missed == pytest.approx(0.1, abs=0.01)


def test_less_risk_asks_for_more_fields():
    fields = [fields_to_rule_out(3, ONE, PRINT, risk).fields for risk in (0.2, 0.05, 0.01)]
    assert fields == sorted(fields)
    assert fields[0] < fields[-1]


def test_session_stops_where_the_plan_said():
    plan = fields_to_rule_out(4, ONE, PRINT)
    assert standing(seen(*[0] * plan.fields), PRINT, 4).verdict == "below"
    if plan.fields > 1:
        before = standing(seen(*[0] * (plan.fields - 1)), PRINT, 4)
        assert before.verdict == "open"
        assert before.decidable
        assert before.fields_to_go == 1


def test_heavy_print_is_decided_and_borderline_is_open():
    heavy = standing(seen(40, 35), PRINT, 4)
    assert (heavy.verdict, heavy.fields_to_go) == ("at least", 0)
    assert heavy.probability > 0.99
    border = standing(seen(5, 2), PRINT, 4)
    assert border.verdict == "open"
    assert 0.05 < border.probability < 0.95
    assert border.fields_to_go >= 1


@pytest.mark.parametrize("load", [101, 60])
def test_stop_rule_errs_no_more_than_it_says(load):
    """Prints just at, and well below, heavy: verdicts after each field, wrong ones counted."""
    rng = np.random.default_rng(51)
    wrong = 0
    for _ in range(15):
        share = rng.dirichlet(np.full(30, 2.0))
        tiles = rng.binomial(rng.multinomial(load, share), 0.9)
        for count in (3, 8):
            verdict = standing(seen(*tiles[:count]), PRINT, 4).verdict
            if verdict != "open":
                wrong += verdict == ("below" if load >= 101 else "at least")
                break
    # fixed loads beside the border are the worst case, where 5 % need not hold; it must stay rare
    assert wrong <= 3


def test_a_further_field_gains_most_where_the_question_is_open():
    unseen = gain_of_next_field(None, ONE, PRINT, 4)
    border = gain_of_next_field(seen(5, 2), ONE, PRINT, 4)
    settled = gain_of_next_field(seen(40, 35), ONE, PRINT, 4)
    clean = gain_of_next_field(seen(0, 0, 0, 0, 0, 0), ONE, PRINT, 4)
    assert 0 <= settled.bits < 1e-3 < border.bits < unseen.bits < 1
    assert clean.bits < 1e-3
    assert clean.chance_of_spore < 0.1 < unseen.chance_of_spore < settled.chance_of_spore <= 1


def test_gain_is_the_mutual_information_on_paper():
    """All-or-nothing prior: class 0 or class 5 equally likely, and one field tells nearly for sure."""
    got = gain_of_next_field(None, empty_fields(1, 30.0, k=50.0), PRINT, 5, (1, 0, 0, 0, 0, 1))
    assert got.bits == pytest.approx(1.0, abs=0.01)
    assert got.chance_of_spore == pytest.approx(0.5, abs=0.01)


def test_prints_are_ordered_by_gain():
    prints = {"settled": seen(40, 35), "border": seen(5, 2), "new": None}
    order = next_print(prints, ONE, dict.fromkeys(prints, PRINT), 4)
    assert [name for name, _ in order] == ["new", "border", "settled"]
    assert [gain.bits for _, gain in order] == sorted((gain.bits for _, gain in order), reverse=True)


@pytest.mark.parametrize("lowest_class", [0, 6])
def test_a_class_that_needs_no_ruling_out_is_refused(lowest_class):
    with pytest.raises(SettingsError, match="lowest_class must be a number in"):
        fields_to_rule_out(lowest_class, ONE, PRINT)

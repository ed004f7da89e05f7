import numpy as np
import pytest

from sporecount.errors import SettingsError
from sporecount.stats.captured import PrintArea
from sporecount.stats.control import blank_print, known_print_agrees, recovery
from sporecount.stats.evidence import Evidence
from sporecount.stats.load import load_of_print


def test_an_empty_blank_is_clean_with_its_limit():
    got = blank_print(np.zeros(0), 8.0)
    assert (got.verdict, got.any_spore, got.counted, got.false_alone) == ("clean", 0, 0, 1)
    assert got.per_mm2.high == pytest.approx(3.689 / 8, abs=1e-3)  # Garwood 1936


def test_one_sure_spore_contaminates_the_session():
    assert blank_print(np.array([0.98]), 8.0).verdict == "contaminated"


def test_what_a_known_false_rate_explains_is_looked_at_again():
    got = blank_print(np.array([0.98]), 8.0, false_per_mm2=0.05)
    assert got.verdict == "look again"
    assert got.false_alone == pytest.approx(1 - np.exp(-0.4))
    assert blank_print(np.full(6, 0.98), 8.0, false_per_mm2=0.05).verdict == "contaminated"


def test_many_doubtful_objects_are_doubtful_together():
    assert blank_print(np.full(2, 0.01), 8.0).verdict == "clean"
    got = blank_print(np.full(20, 0.03), 8.0)
    assert got.verdict == "look again"
    assert got.any_spore == pytest.approx(1 - 0.97**20)


def test_a_session_of_clean_blanks_is_hardly_ever_blamed():
    rng = np.random.default_rng(91)
    blamed = [
        blank_print(np.full(rng.poisson(0.8), 0.9), 8.0, false_per_mm2=0.1).verdict == "contaminated"
        for _ in range(500)
    ]
    assert np.mean(blamed) <= 0.05 + 0.029  # three standard errors


def test_recovery_serves_as_recall():
    got = recovery(45, 50)
    assert got.share.value == 0.9
    assert got.share.low < got.recall < got.share.high
    assert Evidence(counts=[0], areas_mm2=[1.0], recall=got.recall, recall_u=got.recall_u).searched_mm2 < 1
    assert recovery(0, 5).recall > 0
    with pytest.raises(SettingsError, match="positives must be a number in"):
        recovery(6, 5)


def test_known_print_agrees_or_not():
    seen = Evidence(counts=[30, 34, 25], areas_mm2=[2.0, 2.0, 2.0], recall=0.95, k=5.0)
    load = load_of_print(seen, PrintArea(60.0, 50.0, 70.0))
    for known, agrees in (
        ((700, 1100), True), ((load.median, load.median), True), ((1, np.inf), True),
        ((5000, 7000), False), ((20, 90), False),
    ):  # fmt: skip
        assert known_print_agrees(load.low, load.high, *known) is agrees

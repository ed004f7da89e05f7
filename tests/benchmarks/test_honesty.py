"""The honesty figures are right where the answer is known on paper."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.benchmarks.honesty import as_text, how_honest, summary
from tests.recipes.scoring import PhotoScore

BLANK = PhotoScore(
    hits=0,
    misses=0,
    false=0,
    dropped=0,
    true_count=10,
    count=10,
    low=8,
    high=12,
    flag="clear",
    reasons=(),
    view_mm2=1.0,
    examined_mm2=1.0,
    truth={},
    probability=np.zeros(0),
    is_spore=np.zeros(0, bool),
    false_kinds={},
    places={},
)


def fields_that_keep_their_word(n: int) -> list[tuple[str, str, PhotoScore]]:
    """Objects called 0.8 of which 8 in 10 are spores; 1 of 20 intervals misses, 1 of 4 fields is in doubt."""
    p = np.full(10, 0.8)
    true = np.arange(10) < 8
    return [
        (
            "known",
            "ordinary",
            replace(
                BLANK,
                probability=p,
                is_spore=true,
                true_count=10 if k % 20 else 13,
                flag="recheck" if k % 4 == 1 else "clear",
            ),
        )
        for k in range(n)
    ]


def test_words_that_are_kept_score_as_kept() -> None:
    got = how_honest(fields_that_keep_their_word(40))
    assert got["calibration_error"] == pytest.approx(0.0, abs=1e-12)
    assert got["reliability"]["said"] == [pytest.approx(0.8)]
    assert got["reliability"]["seen"] == [pytest.approx(0.8)]
    assert got["reliability"]["n"] == [400]
    assert got["ordinary_clear"]["share"] == 0.75
    assert got["clear_inside"]["n"] == 30
    assert got["clear_inside"]["share"] == pytest.approx(28 / 30)
    assert got["inside"]["share"] == pytest.approx(38 / 40)
    # Wilson 1927, J. Am. Stat. Assoc. 22:209-212, by its formula
    z, n, share = 1.959964, 40, 0.95
    middle, half = share + z**2 / 2 / n, z * (share * (1 - share) / n + z**2 / 4 / n**2) ** 0.5
    assert got["inside"]["low"] == pytest.approx((middle - half) / (1 + z**2 / n), abs=1e-6)


def test_boasting_shows() -> None:
    boasting = [
        (recipe, name, replace(score, probability=np.full(10, 0.97), low=10, high=10, true_count=14))
        for recipe, name, score in fields_that_keep_their_word(8)
    ]
    got = how_honest(boasting)
    assert got["calibration_error"] == pytest.approx(0.17)
    assert got["clear_inside"]["share"] == 0.0


def test_hardly_possible_objects_do_not_water_it_down_and_unusable_fields_claim_nothing() -> None:
    sure_dirt = replace(BLANK, probability=np.full(900, 0.01), is_spore=np.zeros(900, bool), flag="unusable")
    got = how_honest([("known", "no_spores", sure_dirt)])
    assert got["objects"] == 0
    assert got["calibration_error"] is None
    assert got["inside"]["share"] is got["clear_inside"]["share"] is got["ordinary_clear"]["share"] is None


def test_the_table_has_a_line_for_each_recipe_and_set() -> None:
    ordinary = fields_that_keep_their_word(4)
    good = [("other", "good_focus", score) for _, _, score in ordinary]
    found = summary([*ordinary, *good])
    assert list(found["groups"]) == ["all", "known", "other", "known ordinary", "other good_focus"]
    assert [one["fields"] for one in found["groups"].values()] == [8, 4, 4, 4, 4]
    assert len(found["rows"]) == 8
    assert all(len(row) == len(found["columns"]) for row in found["rows"])
    text = as_text(found)
    assert "other good_focus" in text
    assert "0.800" in text

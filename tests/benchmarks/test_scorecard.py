"""The scorecard keeps its draws faithfully and judges a known detector rightly."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sporecount.simulate.truth import SimulatedPhoto
from tests.benchmarks import scorecard_draws
from tests.benchmarks.scorecard import draw_marks
from tests.benchmarks.scorecard_bars import bars_text, conditions_text, measure_bars, worst
from tests.benchmarks.scorecard_draws import draw, draw_or_load, recipe_stamp
from tests.recipes.scoring import PhotoScore, score_photo

RECIPE = "tests.recipes.wanderer"


@pytest.fixture(autouse=True)
def small_photos(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scorecard_draws, "SIZES_PX", ((320, 240), (400, 300)))


def knowing(photo: SimulatedPhoto, keep: float = 1.0) -> dict[str, Any]:
    """Answer from the truth, leaving out a share of the spores."""
    spores = [s for s in photo.spores if s.countable]
    spores = spores[: round(keep * len(spores))]
    n = len(spores)
    return {
        "x_px": np.array([s.x_px for s in spores]),
        "y_px": np.array([s.y_px for s in spores]),
        "probability": np.ones(n),
        "kind": np.full(n, "spore"),
        "count": n,
        "low": n,
        "high": n,
        "flag": "clear",
        "reasons": (),
        "examined_mm2": photo.rgb.shape[0] * photo.rgb.shape[1] * photo.um_per_px**2 / 1e6,
    }


def scores(keep: float) -> dict[str, list[PhotoScore]]:
    drawn = {name: [draw(RECIPE, name, 2, k) for k in range(2)] for name in ("good_focus", "no_spores")}
    return {name: [score_photo(q, knowing(q, keep)) for q in photos] for name, photos in drawn.items()}


def test_a_kept_photo_is_the_drawn_one(tmp_path: Path) -> None:
    stamp = recipe_stamp(RECIPE)
    first = draw_or_load(tmp_path, stamp, RECIPE, "ordinary", 4, 0)
    again = draw_or_load(tmp_path, stamp, RECIPE, "ordinary", 4, 0)
    fresh = draw(RECIPE, "ordinary", 4, 0)
    assert len(list(tmp_path.iterdir())) == 1
    for other in (again, fresh):
        assert np.array_equal(first.rgb, other.rgb)
        assert np.array_equal(first.kind_map, other.kind_map)
        assert (first.spores, first.um_per_px, first.objective) == (
            other.spores,
            other.um_per_px,
            other.objective,
        )
    assert not np.array_equal(first.rgb, draw(RECIPE, "ordinary", 5, 0).rgb[: first.rgb.shape[0]])


def test_who_knows_the_truth_meets_every_bar_and_who_leaves_out_half_does_not() -> None:
    rows = measure_bars(scores(1.0), {"half": scores(0.5)})
    assert all(row["met"] for row in rows)
    by_words = {row["bar"]: row for row in rows}
    assert by_words["good focus 10x: F1"]["ours"] == 1.0
    assert by_words["good focus 10x: F1"]["rivals"]["half"] < 0.8
    assert by_words["no spores: false per mm2"]["ours"] == 0.0
    assert "hard: F1" not in by_words
    assert "NO" not in bars_text(rows)
    half = {row["bar"]: row for row in measure_bars(scores(0.5), {})}
    assert not half["clear fields: truth in the interval"]["met"]


def test_tables_name_conditions_and_the_worst_come_first() -> None:
    half = scores(0.5)
    text = conditions_text("half", half)
    assert "10x" in text
    assert "single" in text
    first = worst(half, 2)[0]
    assert first[0] == "good_focus"
    assert first[2].misses > 0


def test_marks_leave_the_photo_alone() -> None:
    photo = draw(RECIPE, "good_focus", 2, 0)
    before = photo.rgb.copy()
    marked = draw_marks(photo.rgb, score_photo(photo, knowing(photo, 0.5)))
    assert np.array_equal(photo.rgb, before)
    assert marked.shape == photo.rgb.shape
    assert (marked != photo.rgb[..., ::-1]).any()

"""Whether probabilities, intervals and flags mean what they say, on held-back simulated photos.

    PYTHONPATH=. OMP_NUM_THREADS=1 python -m tests.benchmarks.honesty [--photos N] [--seed N] [--workers N]
        [--recipe MODULE,MODULE] [--sets NAME,NAME] [--cache DIR] [--json FILE]

Needs numpy, scipy, opencv, scikit-image and onnxruntime only. `notebooks/honesty.ipynb` draws the JSON file.
All figures are of simulated photos; they say nothing certain about real prints.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from sporecount.stats.calibration_error import expected_calibration_error, reliability
from sporecount.stats.intervals import wilson
from sporecount.steps.classify.network import model_id
from tests.benchmarks.scorecard import detect
from tests.benchmarks.scorecard_bars import COUNTABLE_SETS, ORDINARY_SETS
from tests.benchmarks.scorecard_draws import draw_or_load, recipe_stamp
from tests.recipes.scoring import PROBABILITY_FROM, PhotoScore, score_photo

RECIPES = ("tests.recipes.wanderer", "tests.recipes.trekker")
Task = tuple[Path, str, str, str, int, int]
Field = tuple[str, str, PhotoScore]
"""Recipe, set, score."""


def judge_one(task: Task) -> PhotoScore:
    """Draw or load one photo and count it."""
    cv2.setNumThreads(1)
    photo = draw_or_load(*task)
    return score_photo(photo, detect(photo.rgb, photo.um_per_px, photo.objective))


def share(truths: Sequence[bool]) -> dict[str, float | int | None]:
    """Give a share with Wilson's interval; None without any."""
    if not truths:
        return {"n": 0, "share": None, "low": None, "high": None}
    got = wilson(int(sum(truths)), len(truths))
    return {"n": len(truths), "share": float(np.mean(truths)), "low": got.low, "high": got.high}


def how_honest(fields: Sequence[Field]) -> dict[str, Any]:
    """Say how honest the counts of some fields were.

    Parameters
    ----------
    fields : sequence of (recipe, set, score)

    Returns
    -------
    dict
        `fields`; `clear_inside`, of the clear fields those with the truth in the interval; `inside`, of all
        usable ones; `ordinary_clear`, of the ordinary fields those that are clear; `calibration_error` and
        `reliability` of the objects of probability 0.05 and more, so that the many sure non-spores do not
        water them down.
    """
    scores = [score for _, _, score in fields]
    clear = [s for s in scores if s.flag == "clear"]
    p = np.concatenate([s.probability for s in scores]) if scores else np.zeros(0)
    t = np.concatenate([s.is_spore for s in scores]) if scores else np.zeros(0)
    judged = p >= PROBABILITY_FROM
    p, t = p[judged], t[judged].astype(float)
    bins = reliability(p, t)
    return {
        "fields": len(fields),
        "objects": len(p),
        "clear_inside": share([s.inside for s in clear]),
        "inside": share([s.inside for s in scores if s.flag != "unusable"]),
        "ordinary_clear": share([s.flag == "clear" for _, name, s in fields if name in ORDINARY_SETS]),
        "calibration_error": expected_calibration_error(p, t) if len(p) else None,
        "reliability": {
            "said": bins.said.tolist(),
            "seen": bins.seen.tolist(),
            "seen_low": bins.seen_low.tolist(),
            "seen_high": bins.seen_high.tolist(),
            "n": bins.n.tolist(),
        },
    }


def summary(fields: Sequence[Field]) -> dict[str, Any]:
    """Give `how_honest` for all fields, by recipe and by set within a recipe, and a row for each field."""
    groups: dict[str, list[Field]] = {"all": list(fields)}
    for one in fields:
        groups.setdefault(one[0], []).append(one)
    for one in fields:
        groups.setdefault(f"{one[0]} {one[1]}", []).append(one)
    return {
        "groups": {name: how_honest(group) for name, group in groups.items()},
        "columns": ["recipe", "set", "true", "count", "low", "high", "flag", "reasons"],
        "rows": [
            [recipe, name, s.true_count, s.count, s.low, s.high, s.flag, " ".join(s.reasons)]
            for recipe, name, s in fields
        ],
    }


def as_text(found: dict[str, Any]) -> str:
    """Give the figures as a table, and the reliability of all fields below it."""
    shares = {
        "clear_inside": "clear, truth inside",
        "inside": "usable, truth inside",
        "ordinary_clear": "ordinary clear",
    }
    lines = [f"{'':<32}{'fields':>7}{'ECE':>8}" + "".join(f"{words:>27}" for words in shares.values())]
    for name, one in found["groups"].items():
        error = one["calibration_error"]
        lines.append(
            f"{name.removeprefix('tests.recipes.'):<32}{one['fields']:>7}"
            + ("       -" if error is None else f"{error:8.3f}")
            + "".join(f"{_words(one[key]):>27}" for key in shares)
        )
    bins = found["groups"]["all"]["reliability"]
    lines += ["", f"{'said':>8}{'seen':>8}{'95 % interval':>18}{'objects':>9}"]
    lines += [
        f"{said:>8.3f}{seen:>8.3f}{f'{low:.3f}-{high:.3f}':>18}{n:>9}"
        for said, seen, low, high, n in zip(*bins.values(), strict=True)
    ]
    return "\n".join(lines)


def _words(one: dict[str, Any]) -> str:
    if not one["n"]:
        return "none"
    return f"{one['share']:.3f} ({one['low']:.2f}-{one['high']:.2f}) of {one['n']}"


def _rounded(value: Any) -> Any:
    """Four digits are enough for a figure, and keep the file small."""
    if isinstance(value, dict):
        return {key: _rounded(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_rounded(one) for one in value]
    return float(f"{value:.4g}") if isinstance(value, float) else value


def _run(tasks: Sequence[Task], workers: int) -> Iterable[PhotoScore]:
    if workers <= 1:
        yield from map(judge_one, tasks)
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield from pool.map(judge_one, tasks)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.honesty", description=__doc__)
    parser.add_argument("--photos", type=int, default=40, help="photos of each set and recipe")
    parser.add_argument("--sets", default=",".join(COUNTABLE_SETS), help="comma-separated names")
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--recipe", default=",".join(RECIPES), help="comma-separated modules with draw_photo")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--cache", type=Path, help="folder that keeps the drawn photos")
    parser.add_argument("--json", type=Path, help="file for the figures")
    return parser.parse_args()


def main() -> None:
    """Run it."""
    asked = _arguments()
    with tempfile.TemporaryDirectory() as spare:
        cache = asked.cache or Path(spare)
        cache.mkdir(parents=True, exist_ok=True)
        tasks = [
            (cache, recipe_stamp(recipe), recipe, name, asked.seed, k)
            for recipe in asked.recipe.split(",")
            for name in asked.sets.split(",")
            for k in range(asked.photos)
        ]
        fields: list[Field] = []
        for task, score in zip(tasks, _run(tasks, asked.workers), strict=True):
            fields.append((task[2], task[3], score))
            if len(fields) % 20 == 0:
                print(f"{len(fields)} of {len(tasks)} fields", file=sys.stderr, flush=True)
    found = {"model": model_id(), "seed": asked.seed, "photos_a_set": asked.photos, **summary(fields)}
    print(f"{len(fields)} simulated fields, model {found['model'][:40]}\n\n{as_text(found)}")
    if asked.json:
        asked.json.write_text(json.dumps(_rounded(found), separators=(",", ":")) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

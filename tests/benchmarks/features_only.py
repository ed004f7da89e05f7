"""Boosted trees on measured features alone, without the network, against the package's own sorting.

    PYTHONPATH=. OMP_NUM_THREADS=1 python -m tests.benchmarks.features_only [--train N] [--photos N]
        [--recipe MODULE,MODULE] [--sets NAME,NAME] [--workers N] [--cache DIR]

Needs scikit-learn. Both sort the candidates of the same detector. The trees are fitted here, on photos of
three styles that the package trains with, and both are judged on a recipe that neither saw. Simulated photos all.
"""

from __future__ import annotations

import argparse
import importlib.util
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from sporecount.records import Photo, Scale
from sporecount.settings import CountSettings
from sporecount.simulate.truth import SimulatedPhoto
from sporecount.steps.candidates import find_candidates
from sporecount.steps.classify.crops import FINE_PX, FINE_UM_PER_PX, CropSource
from sporecount.steps.flatten import flatten
from sporecount.steps.rescale import to_photo, to_working_grid
from sporecount.steps.round_view import find_round_view
from tests.benchmarks.scorecard import detect
from tests.benchmarks.scorecard_draws import draw, draw_or_load, recipe_stamp
from tests.recipes.scoring import MATCH_LENGTHS, PhotoScore, score_photo, summarise

STYLES = ("sporecount.simulate.photo", "sporecount.simulate.layered", "sporecount.simulate.collage")
TRAIN_SETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy")
RECIPES = ("tests.recipes.wanderer",)
SETS = ("good_focus", "ordinary", "hard", "no_spores")
SETTINGS = CountSettings()

Floats = NDArray[np.float32]

_SIDE = (np.arange(FINE_PX) - (FINE_PX - 1) / 2) * FINE_UM_PER_PX
_X, _Y = np.meshgrid(_SIDE, _SIDE)
_AWAY = np.hypot(_X, _Y)


@dataclass(frozen=True)
class Measured:
    """Candidates of a photo: places in the photo, a row of features each, and the seconds that the rows took."""

    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    rows: Floats
    seconds: float


def features(crops: Floats) -> Floats:
    """Measure what is in crops of optical density, shape (n, 3, px, px), without any learning.

    Contrast and colour of the middle over its surroundings; area, axes, compactness and fill of what is darker
    than half of it; steepness of its edge; a radial profile; unrest inside and around.
    """
    grey = crops.mean(axis=1)
    ring = np.median(crops[:, :, (_AWAY > 8) & (_AWAY < 12)], axis=2)
    over = crops - ring[:, :, None, None]
    middle = over[:, :, _AWAY < 2.5].mean(axis=2)
    depth = np.maximum(middle.mean(axis=1), 0.01)
    dark = grey - ring.mean(axis=1)[:, None, None]
    body = (dark > 0.5 * depth[:, None, None]) & (_AWAY < 10)
    weight = body / np.maximum(body.sum(axis=(1, 2)), 1)[:, None, None]
    centre_x, centre_y = (weight * _X).sum(axis=(1, 2)), (weight * _Y).sum(axis=(1, 2))
    dx, dy = _X - centre_x[:, None, None], _Y - centre_y[:, None, None]
    xx, yy, xy = ((weight * one).sum(axis=(1, 2)) for one in (dx * dx, dy * dy, dx * dy))
    half, root = (xx + yy) / 2, np.sqrt(np.maximum(((xx - yy) / 2) ** 2 + xy**2, 0))
    length, width = 4 * np.sqrt(half + root), 4 * np.sqrt(np.maximum(half - root, 1e-3))
    area = body.sum(axis=(1, 2)) * FINE_UM_PER_PX**2
    slope = np.hypot(*np.gradient(grey, FINE_UM_PER_PX, axis=(1, 2)))
    edge = np.percentile(np.where(_AWAY < 9, slope, 0).reshape(len(crops), -1), 95, axis=1)
    rings = (_AWAY / 1.5).astype(int)
    profile = [dark[:, rings == k].mean(axis=1) / depth for k in range(8)]
    columns = [
        *middle.T,
        *ring.T,
        middle[:, 2] / np.maximum(middle[:, 0], 0.02),
        middle[:, 1] / np.maximum(middle[:, 2], 0.02),
        length,
        width,
        length / width,
        area,
        area / np.maximum(np.pi / 4 * length * width, 1),
        np.hypot(centre_x, centre_y),
        edge / depth,
        np.std(dark[:, _AWAY < 4], axis=1) / depth,
        np.std(dark[:, (_AWAY > 8) & (_AWAY < 12)], axis=1) / depth,
        dark[:, _AWAY < 12].min(axis=1) / depth,
        *profile,
    ]
    return np.nan_to_num(np.column_stack(columns)).astype(np.float32)


def measure(photo: SimulatedPhoto) -> Measured:
    """Find the candidates of a photo and measure each."""
    cv2.setNumThreads(1)
    whole = Photo(rgb=photo.rgb, name="simulated")
    work = to_working_grid(whole, find_round_view(whole), Scale(photo.um_per_px), SETTINGS)
    flat = flatten(work)
    found = find_candidates(work, flat, SETTINGS)
    x, y = to_photo(work, found.row, found.col)
    start = time.perf_counter()
    source = CropSource(work, flat)
    parts = [
        features(source.cut_fine(found.row[k : k + 1024], found.col[k : k + 1024]))
        for k in range(0, max(len(found.row), 1), 1024)
    ]
    strongest = np.arange(len(x)) / max(len(x), 1)
    answers = [found.size_um, found.score, found.density, strongest, *found.answers.T]
    rows = np.column_stack([np.concatenate(parts), *answers]).astype(np.float32)
    return Measured(x, y, rows, time.perf_counter() - start)


def labelled(photo: SimulatedPhoto, got: Measured) -> tuple[Floats, NDArray[np.bool_]]:
    """Give rows and labels for learning; what lies on a spore that cannot be counted is left out."""
    if not photo.spores or not len(got.x_px):
        return got.rows, np.zeros(len(got.rows), bool)
    places = np.array([(one.x_px, one.y_px) for one in photo.spores])
    away, nearest = cKDTree(places).query(np.stack([got.x_px, got.y_px], axis=1))
    length = np.array([one.length_um for one in photo.spores])[nearest] / photo.um_per_px
    countable = np.array([one.countable for one in photo.spores])[nearest]
    on = away < 0.35 * length
    near = away < MATCH_LENGTHS * length
    use = ~near | (on & countable)
    return got.rows[use], (on & countable)[use]


def answer(got: Measured, probability: Floats, um_per_px: float, apart_um: float = 6.0) -> dict[str, Any]:
    """Keep the likeliest of candidates that lie on one another, and count those of 0.5 and more."""
    order = np.argsort(-probability, kind="stable")
    xy = np.stack([got.x_px, got.y_px], axis=1)[order]
    dropped = np.zeros(len(order), bool)
    if len(order):
        for one, other in sorted(cKDTree(xy).query_pairs(apart_um / um_per_px)):
            dropped[other] |= not dropped[one]
    keep = order[~dropped]
    counted = probability[keep] >= 0.5
    return {
        "x_px": got.x_px[keep],
        "y_px": got.y_px[keep],
        "probability": probability[keep],
        "kind": np.where(counted, "spore", "other"),
        "count": int(counted.sum()),
        "low": int(counted.sum()),
        "high": int(counted.sum()),
        "flag": "clear",
        "reasons": (),
        "examined_mm2": 1.0,
    }


def _learn(task: tuple[str, str, int, int]) -> tuple[Floats, NDArray[np.bool_]]:
    photo = draw(*task)
    return labelled(photo, measure(photo))


def _judge(
    trees: Any, task: tuple[Path, str, str, str, int, int]
) -> tuple[PhotoScore, PhotoScore, int, float, float]:
    photo = draw_or_load(*task)
    got = measure(photo)
    start = time.perf_counter()
    probability = trees.predict_proba(got.rows)[:, 1] if len(got.rows) else np.zeros(0)
    by_features = got.seconds + time.perf_counter() - start
    start = time.perf_counter()
    own = detect(photo.rgb, photo.um_per_px, photo.objective)
    whole = time.perf_counter() - start
    theirs = score_photo(photo, answer(got, probability, photo.um_per_px))
    return theirs, score_photo(photo, own), len(got.rows), by_features, whole


def main() -> None:
    """Fit, judge, print."""
    from sklearn.ensemble import HistGradientBoostingClassifier

    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.features_only", description=__doc__)
    parser.add_argument("--train", type=int, default=12, help="photos of each set and style to learn from")
    parser.add_argument("--photos", type=int, default=8, help="photos of each set and recipe to judge on")
    parser.add_argument("--recipe", default=",".join(RECIPES))
    parser.add_argument("--sets", default=",".join(SETS))
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--cache", type=Path, help="folder that keeps the drawn photos")
    asked = parser.parse_args()
    styles = [style for style in STYLES if importlib.util.find_spec(style)]
    lessons = [(style, name, 501, k) for style in styles for name in TRAIN_SETS for k in range(asked.train)]
    with (
        tempfile.TemporaryDirectory() as spare,
        ProcessPoolExecutor(asked.workers, mp_context=get_context("spawn")) as pool,
    ):
        cache = asked.cache or Path(spare)
        cache.mkdir(parents=True, exist_ok=True)
        rows, truths = zip(*pool.map(_learn, lessons), strict=True)
        x, t = np.concatenate(rows), np.concatenate(truths)
        trees = HistGradientBoostingClassifier(
            max_iter=400, learning_rate=0.06, l2_regularization=5.0, random_state=1
        )
        trees.fit(x, t)
        print(f"learnt from {len(lessons)} simulated photos, {len(x)} candidates, {int(t.sum())} on spores\n")
        print(f"{'':<24}{'features alone':>28}{'with the network':>36}")
        print(
            f"{'':<24}"
            + "".join(f"{'precision':>11}{'recall':>7}{'F1':>6}{who:>12}" for who in ("us", "us, all"))
        )
        for recipe in asked.recipe.split(","):
            for name in asked.sets.split(","):
                tasks = [(cache, recipe_stamp(recipe), recipe, name, 41, k) for k in range(asked.photos)]
                got = list(pool.map(partial(_judge, trees), tasks))
                objects = max(sum(one[2] for one in got), 1)
                cells = ""
                for which in (0, 1):
                    score = summarise([one[which] for one in got])
                    micro = 1e6 * sum(one[3 + which] for one in got) / objects
                    cells += (
                        f"{score['precision']:>11.3f}{score['recall']:>7.3f}{score['f1']:>6.3f}{micro:>12.0f}"
                    )
                print(f"{recipe.rpartition('.')[2] + ' ' + name:<24}{cells}")
        print(
            "\nus: microseconds a candidate, for features and trees; for the whole count from photo to tally"
        )


if __name__ == "__main__":
    main()

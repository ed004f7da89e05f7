"""Score the product and two rivals on held-back simulated photos, against the bars that it is held to.

    python -m tests.benchmarks.scorecard [--photos N] [--sets good_focus,ordinary] [--seed N]
        [--recipe MODULE] [--workers N] [--cache DIR] [--json FILE] [--pictures DIR] [--only NAME,NAME]

Accuracy here is accuracy on simulated photos of one recipe; it says nothing certain about real prints.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.scorecard_bars import (
    Scores,
    bars_text,
    conditions_text,
    measure_bars,
    summarise,
    summary_text,
    worst,
)
from tests.benchmarks.scorecard_draws import SETS, draw_or_load, recipe_stamp
from tests.recipes.rivals import RIVALS
from tests.recipes.scoring import PhotoScore, score_photo

Detector = Callable[[NDArray[np.uint8], float, float], dict[str, Any]]
OURS = "sporecount"


def detect(rgb: NDArray[np.uint8], um_per_px: float, objective: float) -> dict[str, Any]:
    """Count one photo by the product's public way.

    Parameters
    ----------
    rgb : ndarray of shape (H, W, 3), uint8
    um_per_px, objective : float
        True scale and magnification.

    Returns
    -------
    dict
        Arrays x_px, y_px, probability, kind ("spore" for the counted objects only); count, low, high,
        flag, reasons, examined_mm2; heavy_verdict of a print of this field alone.
    """
    from sporecount.chain import count_field
    from sporecount.records import KINDS, Photo, Scale
    from sporecount.settings import CountSettings
    from sporecount.steps.print_tally import tally_print

    scale = Scale(um_per_px=um_per_px, source="given", objective=objective)
    result, _ = count_field(Photo(rgb=rgb, name="simulated"), scale, CountSettings())
    likeliest = np.array(KINDS)[result.kinds.likeliest] if len(result.objects) else np.zeros(0, "<U11")
    kind = np.where(result.counted, "spore", np.where(likeliest == "spore", "other", likeliest))
    tally = result.tally
    return {
        "x_px": result.objects.x_px,
        "y_px": result.objects.y_px,
        "probability": result.kinds.spore,
        "kind": kind,
        "count": tally.spores,
        "low": tally.spores_low,
        "high": tally.spores_high,
        "flag": tally.flag,
        "reasons": tally.reasons,
        "examined_mm2": tally.examined_mm2,
        "heavy_verdict": tally_print([result], CountSettings()).heavy_verdict,
    }


DETECTORS: dict[str, Detector] = {OURS: detect, **RIVALS}


def score_one(
    task: tuple[Path, str, str, str, int, int, tuple[str, ...]],
) -> dict[str, tuple[PhotoScore, float]]:
    """Draw or load one photo and score each detector on it, with the seconds it took."""
    cache, stamp, recipe, name, seed, index, names = task
    cv2.setNumThreads(1)
    photo = draw_or_load(cache, stamp, recipe, name, seed, index)
    got: dict[str, tuple[PhotoScore, float]] = {}
    for one in names:
        start = time.perf_counter()
        answer = DETECTORS[one](photo.rgb, photo.um_per_px, photo.objective)
        got[one] = (score_photo(photo, answer), time.perf_counter() - start)
    return got


def draw_marks(rgb: NDArray[np.uint8], score: PhotoScore) -> NDArray[np.uint8]:
    """Mark hits (thin ring), misses (square), false detections (cross) and dropped ones (dot) in a copy."""
    out = np.ascontiguousarray(rgb[..., ::-1])
    reach = max(8, int(7.5 / score.notes["um_per_px"]))
    for kind, places in score.places.items():
        for x, y in np.round(places).astype(int):
            if kind == "hit":
                cv2.circle(out, (x, y), reach, (60, 160, 0), 1, cv2.LINE_AA)
            elif kind == "miss":
                cv2.rectangle(out, (x - reach, y - reach), (x + reach, y + reach), (220, 60, 0), 2)
            elif kind == "false":
                cv2.drawMarker(out, (x, y), (0, 0, 230), cv2.MARKER_TILTED_CROSS, 2 * reach, 2)
            else:
                cv2.circle(out, (x, y), 3, (160, 0, 160), -1)
    words = (
        f"hits {score.hits} (ring) misses {score.misses} (square) false {score.false} (cross) "
        f"said {score.count:g} [{score.low:g}, {score.high:g}] true {score.true_count} {score.flag}"
    )
    cv2.rectangle(out, (0, 0), (out.shape[1], 26), (255, 255, 255), -1)
    cv2.putText(out, words, (6, 18), cv2.FONT_HERSHEY_SIMPLEX, 0.5, (0, 0, 0), 1, cv2.LINE_AA)
    return out


def _jsonable(scores: dict[str, Scores], rows: list[dict[str, object]], facts: dict[str, Any]) -> str:
    body = {
        **facts,
        "bars": rows,
        "sets": {
            who: {name: summarise(group) for name, group in sets.items()} for who, sets in scores.items()
        },
    }
    return json.dumps(body, indent=1, default=float).replace("NaN", "null")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.scorecard", description=__doc__)
    parser.add_argument("--photos", type=int, default=20, help="photos of each set")
    parser.add_argument("--sets", default=",".join(SETS), help="comma-separated names")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--recipe", default="tests.recipes.wanderer", help="module with draw_photo")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--cache", type=Path, help="folder that keeps the drawn photos")
    parser.add_argument("--json", type=Path, help="file for the figures")
    parser.add_argument("--pictures", type=Path, help="folder for the ten worst photos")
    parser.add_argument("--only", default=",".join(DETECTORS), help="comma-separated detectors")
    return parser.parse_args()


def main() -> None:
    """Run the scorecard."""
    asked = _arguments()
    names, sets = tuple(asked.only.split(",")), asked.sets.split(",")
    with tempfile.TemporaryDirectory() as spare:
        cache = asked.cache or Path(spare)
        cache.mkdir(parents=True, exist_ok=True)
        stamp = recipe_stamp(asked.recipe)
        tasks = [
            (cache, stamp, asked.recipe, name, asked.seed, k, names)
            for name in sets
            for k in range(asked.photos)
        ]
        if asked.workers > 1:
            with ProcessPoolExecutor(asked.workers, mp_context=get_context("spawn")) as pool:
                results = list(pool.map(score_one, tasks))
        else:
            results = [score_one(task) for task in tasks]
        scores: dict[str, Scores] = {who: {name: [] for name in sets} for who in names}
        seconds = dict.fromkeys(names, 0.0)
        for task, got in zip(tasks, results, strict=True):
            for who, (score, took) in got.items():
                scores[who][task[3]].append(score)
                seconds[who] += took
        ours = scores.get(OURS)
        rows = measure_bars(ours, {who: scores[who] for who in names if who != OURS})
        print(f"simulated photos of {asked.recipe}, seed {asked.seed}, {asked.photos} a set\n")
        print(bars_text(rows), "\n")
        for who in names:
            print(summary_text(who, {name: summarise(group) for name, group in scores[who].items()}))
            print(f"{seconds[who] / len(tasks):.3f} s a photo\n")
        chosen = OURS if ours else names[0]
        print(conditions_text(chosen, scores[chosen]), "\n")
        print(f"{chosen}: the ten worst photos")
        for name, index, score in worst(scores[chosen]):
            print(
                f"  {name} {index}: hits {score.hits} misses {score.misses} false {score.false} "
                f"{score.false_kinds} said {score.count:g} [{score.low:g}, {score.high:g}] {score.flag} "
                f"{score.reasons} {score.notes}"
            )
            if asked.pictures:
                asked.pictures.mkdir(parents=True, exist_ok=True)
                photo = draw_or_load(cache, stamp, asked.recipe, name, asked.seed, index)
                cv2.imwrite(str(asked.pictures / f"{name}-{index}.png"), draw_marks(photo.rgb, score))
        if asked.json:
            facts = {
                "recipe": asked.recipe,
                "stamp": stamp,
                "seed": asked.seed,
                "photos": asked.photos,
                "seconds_per_photo": {who: seconds[who] / len(tasks) for who in names},
            }
            asked.json.write_text(_jsonable(scores, rows, facts), encoding="utf-8")


if __name__ == "__main__":
    main()

"""Error and honesty of calibrations over many drawn rulings, by objective; and what must give no number.

    python -m tests.benchmarks.calibration_sweep --per-class 300 --recipe phone --seed 7 --workers 2
    python -m tests.benchmarks.calibration_sweep --per-class 0 --few 0 --refusals 20

Needs numpy, scipy, cv2 and skimage only. The photos are simulated (`calibration_draws.py`); the round view is
found in them by the product, as for a user's photo. Seed 31 of the recipe "phone" is for measuring only: look
at other seeds when something is changed.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from sporecount.calibration import read_ruling
from sporecount.errors import CalibrationError
from sporecount.records import Photo
from sporecount.steps.round_view import find_round_view
from tests.benchmarks.calibration_draws import OBJECTIVES, draw
from tests.benchmarks.calibration_refusals import Trial, trials

BAR = 0.003  # QUALITY: within 0.3 % of the truth


@dataclass(frozen=True)
class Answer:
    """What the product said: code "read" or that of the refusal."""

    code: str
    um_per_px: float = float("nan")
    um_per_px_u: float = float("nan")
    warnings: tuple[str, ...] = ()
    seconds: float = 0.0


def ask(rgb: np.ndarray, division_um: float | None, objective: float | None) -> Answer:
    """Read a photo as the product does: find the round view, then the ruling."""
    start = time.perf_counter()
    view = find_round_view(Photo(rgb=rgb, name="simulated"))
    circle = (view.center_x_px, view.center_y_px, view.radius_px) if view.measurable else None
    try:
        reading = read_ruling(rgb, division_um=division_um, objective=objective, round_view=circle)
    except CalibrationError as refused:
        return Answer(refused.code, seconds=time.perf_counter() - start)
    return Answer(
        "read", reading.um_per_px, reading.um_per_px_u, reading.warnings, time.perf_counter() - start
    )


@dataclass(frozen=True)
class Row:
    """One ruling: what was drawn, the outcome, relative error and stated relative uncertainty."""

    told: str
    kind: str
    code: str
    error: float
    stated: float
    seconds: float


def read_one(task: tuple[float, str, int, int, int, bool]) -> Row:
    """Draw ruling `index` of an objective and read it."""
    objective, recipe, seed, index, width, few = task
    cv2.setNumThreads(1)
    rng = np.random.default_rng([seed, int(objective), int(few), index])
    one = draw(objective, recipe, rng, width, few=few)
    got = ask(one.rgb, one.ruling.division_um, objective)
    truth = one.rig.um_per_px
    return Row(
        f"{objective:g}x {index}: {one.told}",
        one.ruling.kind,
        got.code,
        got.um_per_px / truth - 1,
        got.um_per_px_u / truth,
        got.seconds,
    )


def try_one(trial: Trial) -> tuple[str, str, str]:
    """Make a picture that must give no number, or must be remarked on, and ask: group, name, outcome.

    Outcomes: "refused" with the code, "right" for a number that is right all the same, "remarked" for a wrong
    name that is said in words beside the number, "wrong" for a number that would spoil a season, "crashed".
    """
    cv2.setNumThreads(1)
    try:
        rgb, truth = trial.make()
        got = ask(rgb, trial.division_um, trial.objective)
    except Exception as fault:  # a fault of any kind is a row of the table, not the end of a long run
        return trial.group, trial.name, f"crashed: {fault!r}"
    if got.code != "read":
        return trial.group, trial.name, f"refused: {got.code}"
    if truth is not None and abs(got.um_per_px / truth - 1) < BAR:
        return trial.group, trial.name, "right"
    if trial.misnamed and any("field number" in text for text in got.warnings):
        return trial.group, trial.name, "remarked"
    return trial.group, trial.name, f"wrong: {got.um_per_px:.4g} um per px for {truth}"


def summary(rows: list[Row]) -> dict[str, float]:
    """Condense the rows of an objective."""
    error = np.array([abs(row.error) for row in rows if row.code == "read"])
    stated = np.array([row.stated for row in rows if row.code == "read"])
    empty = not len(error)
    return {
        "photos": len(rows),
        "read": len(error),
        "within_bar": 0.0 if empty else float(np.mean(error <= BAR)),
        "median_error": float("nan") if empty else float(np.median(error)),
        "error_95": float("nan") if empty else float(np.percentile(error, 95)),
        "largest": float("nan") if empty else float(error.max()),
        "inside_2u": 0.0 if empty else float(np.mean(error <= 2 * stated)),
        "median_u": float("nan") if empty else float(np.median(stated)),
        "seconds": float(np.median([row.seconds for row in rows])),
    }


HEAD = (
    "class        photos  read  within 0.3 %  median error  95th pct   largest  inside 2u  median u  seconds"
)


def table_line(name: str, one: dict[str, float]) -> str:
    """Write a row of the table under `HEAD`."""
    return (
        f"{name:<12s} {one['photos']:6.0f} {one['read']:5.0f} {100 * one['within_bar']:11.1f} % "
        f"{100 * one['median_error']:11.4f} % {100 * one['error_95']:7.4f} % {100 * one['largest']:7.3f} % "
        f"{100 * one['inside_2u']:8.1f} % {100 * one['median_u']:7.4f} % {one['seconds']:7.2f}"
    )


def _sweep(given: argparse.Namespace, few: bool, run: Callable[..., Iterator[Any]]) -> dict[str, Any]:
    count = given.few if few else given.per_class
    tasks = [
        (float(objective), given.recipe, given.seed, index, given.width, few)
        for objective in given.objective
        for index in range(count)
    ]
    rows: list[Row] = list(run(read_one, tasks))
    out: dict[str, Any] = {}
    for at, objective in enumerate(given.objective):
        mine = rows[at * count : (at + 1) * count]
        if mine:
            one = summary(mine)
            refused = Counter(f"{row.kind} {row.code}" for row in mine if row.code != "read")
            name = f"{objective:g}x{' few' if few else ''}"
            print(table_line(name, one), "  refused:" if refused else "", dict(refused) or "", flush=True)
            out[name] = {**one, "refused": dict(refused)}
    if given.tell:
        for row in rows:
            if row.code != "read" or abs(row.error) > min(BAR, 2 * row.stated):
                print(f"  {row.told}: {row.code}, error {100 * row.error:.4f} % u {100 * row.stated:.4f} %")
    return out


def _refusals(given: argparse.Namespace, run: Callable[..., Iterator[Any]]) -> dict[str, Any]:
    out: dict[str, Counter[str]] = {}
    bad = []
    for group, name, outcome in run(try_one, trials(given.refusals, given.seed, given.real)):
        out.setdefault(group, Counter())[outcome.partition(":")[0]] += 1
        if outcome.startswith(("wrong", "crashed")) or given.tell:
            bad.append(f"  {group}, {name}: {outcome}")
    outcomes = ("refused", "right", "remarked", "wrong", "crashed")
    head = "".join(f"{one:>9s}" for one in outcomes)
    print(f"\n{'must give no wrong number':<42s}    n{head}")
    for group, counts in out.items():
        row = "".join(f"{counts[one]:9d}" for one in outcomes)
        print(f"{group:<42s} {sum(counts.values()):4d}{row}")
    print(*bad, sep="\n", flush=True)
    return {group: dict(counts) for group, counts in out.items()}


def _runner(workers: int) -> tuple[Callable[..., Iterator[Any]], Callable[[], None]]:
    if workers <= 1:
        return map, lambda: None
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"))

    def run(function: Callable[..., Any], tasks: Iterable[Any]) -> Iterator[Any]:
        return pool.map(function, tasks, chunksize=2)

    return run, partial(pool.shutdown, wait=True)


def _arguments() -> argparse.Namespace:
    given = argparse.ArgumentParser(prog="python -m tests.benchmarks.calibration_sweep", description=__doc__)
    given.add_argument("--per-class", type=int, default=300, help="rulings of each objective")
    given.add_argument("--few", type=int, default=0, help="rulings of each objective with 5 to 8 divisions")
    given.add_argument("--refusals", type=int, default=0, help="pictures of each group of the refusal set")
    given.add_argument("--real", type=Path, help="folder of photos that show no ruling, for the refusal set")
    given.add_argument("--recipe", choices=["plain", "phone"], default="phone")
    given.add_argument("--seed", type=int, default=7)
    given.add_argument("--width", type=int, default=1600, help="of the photos, px")
    given.add_argument("--objective", type=float, nargs="*", default=OBJECTIVES)
    given.add_argument("--workers", type=int, default=1)
    given.add_argument("--json", type=Path, help="file for the figures")
    given.add_argument("--tell", action="store_true", help="list each photo that was refused or is off")
    return given.parse_args()


def main() -> None:
    """Print the tables."""
    given = _arguments()
    cv2.setNumThreads(1)
    run, close = _runner(given.workers)
    start = time.perf_counter()
    figures: dict[str, Any] = {"recipe": given.recipe, "seed": given.seed, "width": given.width}
    print(f"simulated rulings, recipe {given.recipe}, seed {given.seed}, {given.width} px wide\n{HEAD}")
    figures["rulings"] = {**_sweep(given, False, run), **_sweep(given, True, run)}
    if given.refusals:
        figures["refusals"] = _refusals(given, run)
    close()
    print(f"\n{time.perf_counter() - start:.0f} s with {given.workers} workers")
    if given.json:
        given.json.write_text(json.dumps(figures, indent=1).replace("NaN", "null"), encoding="utf-8")


if __name__ == "__main__":
    main()

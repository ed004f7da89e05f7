"""How far a count strays when the same photo is turned, mirrored, tinted, brightened or darkened.

    PYTHONPATH=. OMP_NUM_THREADS=1 python -m tests.benchmarks.steadiness [--recipe MODULE] [--set NAME]
        [--photos N] [--seed N] [--workers N]

The laws in `tests/test_chain.py` hold on three small photos, where one object more or less decides; here many
photos tell whether one model is steadier than another. What finds nothing is steady, too: look at the share of
countable spores beside it. Bright ground is clipped in the brighter variants, as by a phone. Simulated photos all.
"""

from __future__ import annotations

import argparse
import multiprocessing
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import cv2
import numpy as np

from sporecount.chain import count_field
from sporecount.records import Photo, Scale
from sporecount.settings import CountSettings
from tests.benchmarks.scorecard_draws import SETS, draw
from tests.steps.drawn import linear, srgb

TINTS = ((0.85, 1.0), (1.1, 1.0), (1.0, 0.85), (1.0, 1.1), (1.05, 0.9))
"""Factors on the light in red and in blue: lamps and white balances."""

GAINS = (0.6, 0.8, 1.2)
"""Factors on the light as a whole: exposures."""


def variants(rgb: np.ndarray) -> list[np.ndarray]:
    """Show a photo in its eight positions, under other lamps, and at other exposures; first as it is."""
    turned = [np.rot90(rgb, turns) for turns in range(4)]
    light = linear(rgb)
    factors = [(red, 1.0, blue) for red, blue in TINTS] + [(gain,) * 3 for gain in GAINS]
    return [*turned, *(one[:, ::-1] for one in turned), *(srgb(light * factor) for factor in factors)]


def counts_of(index: int, *, recipe: str, name: str, seed: int) -> tuple[np.ndarray, int]:
    """Count every variant of a photo; and how many of its spores a person could count."""
    cv2.setNumThreads(1)
    drawn = draw(recipe, name, seed, index)
    scale = Scale(drawn.um_per_px, 0.0, "given", drawn.objective)
    counts = [
        count_field(Photo(np.ascontiguousarray(one), "simulated"), scale, CountSettings())[0].tally.spores
        for one in variants(drawn.rgb)
    ]
    return np.array(counts), sum(one.countable for one in drawn.spores)


def strays(counts: np.ndarray) -> float:
    """Standard deviation of a photo's counts over the root of their mean (at least 1): 1 for Poisson counts."""
    return float(counts.std() / np.sqrt(max(counts.mean(), 1.0)))


def main() -> None:
    """Print a line a photo, and the mean."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--recipe", default="tests.recipes.wanderer", help="module with draw_photo")
    parser.add_argument("--set", default="ordinary", choices=SETS)
    parser.add_argument("--photos", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    wish = parser.parse_args()
    work = partial(counts_of, recipe=wish.recipe, name=wish.set, seed=wish.seed)
    print(f"simulated photos of {wish.recipe}, {wish.set}, seed {wish.seed}\n")
    print("photo  countable  as it is    mean      sd  least  most   sd / root of mean")
    shares, found, there = [], 0.0, 0
    with ProcessPoolExecutor(wish.workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        for index, (counts, countable) in enumerate(pool.map(work, range(wish.photos))):
            shares.append(strays(counts))
            found, there = found + float(counts.mean()), there + countable
            print(
                f"{index:5d} {countable:10d} {counts[0]:9d} {counts.mean():7.1f} {counts.std():7.2f}"
                f" {counts.min():6d} {counts.max():5d} {shares[-1]:11.3f}",
                flush=True,
            )
    print(
        f"\nmean of the last column: {np.mean(shares):.3f}; counted {found:.0f} where {there} are countable"
    )


if __name__ == "__main__":
    main()

"""Draw and harvest many simulated photos at once."""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor

import cv2
import numpy as np

from sporecount.steps.classify.training.harvest import Harvest, draw, harvest_photo, join

STYLES = (
    "sporecount.simulate.photo",
    "sporecount.simulate.layered",
    "sporecount.simulate.collage",
    "sporecount.simulate.relief",
)
"""Independent renderers; `tests/recipes` holds one more, which training never sees."""

PRESETS = {
    "ordinary": 0.36,
    "hard": 0.26,
    "good_focus": 0.08,
    "heavy": 0.12,
    "no_spores": 0.14,
    "scan_4x": 0.04,
}


def gather(
    photos: int, *, styles: Sequence[str], seed: int, mine: bool, workers: int, seconds: float
) -> tuple[Harvest, int]:
    """Draw and harvest on all workers until the number or the time is reached.

    Returns
    -------
    harvest : Harvest
    drawn : int
        Photos that it was made from.
    """
    end = time.monotonic() + seconds
    parts = []
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context, initializer=_one_thread) as pool:
        tasks = ((number, seed, tuple(styles), mine, end) for number in range(photos))
        for part in pool.map(_one, tasks, chunksize=1):
            if part is not None:
                parts.append(part)
                if len(parts) % 200 == 0:
                    print(f"{len(parts)} photos", flush=True)
    return join(parts), len(parts)


def _one_thread() -> None:
    cv2.setNumThreads(1)


def _one(task: tuple[int, int, tuple[str, ...], bool, float]) -> Harvest | None:
    number, seed, styles, mine, end = task
    if time.monotonic() > end:
        return None
    rng = np.random.default_rng([seed, number])
    style = styles[number % len(styles)]
    preset = str(rng.choice(list(PRESETS), p=np.array(list(PRESETS.values())) / sum(PRESETS.values())))
    width, height = (int(side) for side in rng.integers(640, 1150, 2))
    try:
        simulated = draw(style, int(rng.integers(2**62)), preset, width, height)
        return harvest_photo(simulated, number, rng, mine=mine)
    except Exception as fault:  # one photo that fails must not cost the others; it is named
        print(f"photo {number} ({style}, {preset}): {fault!r}", flush=True)
        return None

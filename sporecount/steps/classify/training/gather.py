"""Draw and harvest many simulated photos at once, into a folder from which every network is fitted."""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Collection, Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import fields
from pathlib import Path

import cv2
import numpy as np

from sporecount.files.whole import written_whole
from sporecount.steps.classify.training.harvest import Harvest, draw, harvest_photo

STYLES = (
    "sporecount.simulate.photo",
    "sporecount.simulate.layered",
    "sporecount.simulate.collage",
    "sporecount.simulate.relief",
    "sporecount.simulate.aperture",
    "sporecount.simulate.panes",
    "sporecount.simulate.condenser",
    "sporecount.simulate.slices",
    "sporecount.simulate.painted",
    "sporecount.simulate.thickness",
    "sporecount.simulate.bands",
    "sporecount.simulate.chords",
    "sporecount.simulate.stamps",
    "sporecount.simulate.waves",
    "sporecount.simulate.distances",
    "sporecount.simulate.rays",
    "sporecount.simulate.shading",
    "sporecount.simulate.heights",
    "sporecount.simulate.depths",
    "sporecount.simulate.bending",
    "sporecount.simulate.grounds",
    "sporecount.simulate.phases",
    "sporecount.simulate.outlines",
    "sporecount.simulate.films",
    "sporecount.simulate.pigments",
    "sporecount.simulate.primitives",
    "sporecount.simulate.curves",
    "sporecount.simulate.lightbox",
    "sporecount.simulate.lamps",
)
"""Independent renderers; `tests/recipes` holds more, which the networks never see."""

PRESETS = {
    "ordinary": 0.33,
    "hard": 0.24,
    "good_focus": 0.07,
    "heavy": 0.12,
    "no_spores": 0.19,
    "scan_4x": 0.05,
}


def gather(
    folder: Path,
    photos: int,
    *,
    styles: Sequence[str],
    seed: int,
    mine: bool,
    workers: int,
    seconds: float,
) -> None:
    """Draw and harvest on all workers until the number or the time is reached; one file of crops a photo.

    Photos whose file is there already are not drawn again.
    """
    folder.mkdir(parents=True, exist_ok=True)
    end = time.monotonic() + seconds
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context, initializer=_one_thread) as pool:
        tasks = ((folder, number, seed, tuple(styles), mine, end) for number in range(photos))
        for done, _ in enumerate(pool.map(_one, tasks, chunksize=1), 1):
            if done % 200 == 0 and time.monotonic() < end:
                print(f"{done} photos", flush=True)


def load(folder: Path, *, without: Collection[str] = ()) -> Harvest:
    """Read all crops of a folder, in the order of their photos.

    Parameters
    ----------
    folder : Path
    without : collection of str
        Columns that stay empty, of shape (n, 0): each kind of crop takes gigabytes.

    Raises
    ------
    FileNotFoundError
        For a folder without crops.
    """
    files = sorted(folder.glob("*.npz"))
    if not files:
        raise FileNotFoundError(f"no crops in {folder}: draw them first, see --help")
    with ThreadPoolExecutor(8) as pool:
        counts = list(pool.map(_count, files))
        ends = np.cumsum(counts)
        first = _read(files[0])
        whole = {
            one.name: np.empty(
                (ends[-1], 0) if one.name in without else (ends[-1], *getattr(first, one.name).shape[1:]),
                getattr(first, one.name).dtype,
            )
            for one in fields(Harvest)
        }

        def fill(number: int) -> None:
            with np.load(files[number]) as part:
                for name, column in whole.items():
                    if name not in without:
                        column[ends[number] - counts[number] : ends[number]] = part[name]

        list(pool.map(fill, range(len(files))))
    return Harvest(**whole)


def _count(file: Path) -> int:
    with np.load(file) as kept:
        return len(kept["label"])


def _read(file: Path) -> Harvest:
    with np.load(file) as kept:
        return Harvest(**{one.name: kept[one.name] for one in fields(Harvest)})


def _one_thread() -> None:
    cv2.setNumThreads(1)


def _one(task: tuple[Path, int, int, tuple[str, ...], bool, float]) -> None:
    folder, number, seed, styles, mine, end = task
    file = folder / f"{number:06d}.npz"
    if file.exists() or time.monotonic() > end:
        return
    rng = np.random.default_rng([seed, number])
    style = styles[number % len(styles)]
    preset = str(rng.choice(list(PRESETS), p=np.array(list(PRESETS.values())) / sum(PRESETS.values())))
    width, height = (int(side) for side in rng.integers(640, 1150, 2))
    try:
        simulated = draw(style, int(rng.integers(2**62)), preset, width, height)
        harvest = harvest_photo(simulated, number, rng, mine=mine)
    except Exception as fault:  # one photo that fails must not cost the others; it is named
        print(f"photo {number} ({style}, {preset}): {fault!r}", flush=True)
        return
    with written_whole(file, settled=False) as target:
        np.savez(target, **{one.name: getattr(harvest, one.name) for one in fields(Harvest)})

"""Whole simulated photos with their truth, drawn once into a folder: for all that learns from what is found."""

from __future__ import annotations

import argparse
import json
import multiprocessing
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from pathlib import Path

import cv2
import numpy as np

from sporecount.files.whole import written_whole
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth
from sporecount.steps.classify.training.card import note_draw
from sporecount.steps.classify.training.harvest import draw

PRESETS = {
    "ordinary": 0.27,
    "hard": 0.19,
    "good_focus": 0.10,
    "heavy": 0.07,
    "no_spores": 0.30,
    "scan_4x": 0.07,
}

CROWDED = {
    "ordinary": 0.36,
    "hard": 0.26,
    "good_focus": 0.13,
    "heavy": 0.20,
    "no_spores": 0.02,
    "scan_4x": 0.03,
}
"""Shares of the presets where much is to be learnt from spores that overlap."""

_LOG_SIDES_PX = (np.log(650), np.log(1900))
"""Small and large photos: the likeliest of thousands of look-alikes outdoes that of a hundred."""

REACH = 0.6
"""Distance from a spore's centre, in its lengths, up to which an object is that spore."""


def away_in_lengths(
    spores: Sequence[SporeTruth], x_px: np.ndarray, y_px: np.ndarray, um_per_px: float
) -> np.ndarray:
    """Distance of each object from each spore's centre, in lengths of the spore, shape (spores, objects)."""
    table = np.array([(one.x_px, one.y_px, one.length_um) for one in spores])
    return np.hypot(table[:, :1] - x_px, table[:, 1:2] - y_px) * um_per_px / table[:, 2:]


def asked_photos(description: str, **flags: str) -> tuple[argparse.Namespace, list[Path]]:
    """Read the command line of a fit to drawn photos, with some flags and their help, and list those photos.

    Ends the program where there are none of a style that was named.
    """
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("--photos-in", type=Path, required=True, help="folder of drawn photos")
    parser.add_argument("--unseen", nargs="+", required=True, help="styles that the networks never saw")
    parser.add_argument("--workers", type=int, default=multiprocessing.cpu_count())
    parser.add_argument("--out", type=Path, default=Path("sporecount/steps/classify"))
    for flag, told in flags.items():
        parser.add_argument(f"--{flag}", action="store_true", help=told)
    wish = parser.parse_args()
    paths = sorted(wish.photos_in.glob("*.npz"))
    if missing := {*wish.unseen} - {style_of(path) for path in paths}:
        parser.error(f"no photos of {', '.join(sorted(missing))} in {wish.photos_in}: draw them first")
    return wish, paths


def style_of(path: Path) -> str:
    """Style of a photo, by its file."""
    return path.stem.rsplit("-", 1)[0]


def draw_photos(
    folder: Path,
    photos: int,
    *,
    styles: Sequence[str],
    seed: int,
    workers: int,
    seconds: float,
    crowded: bool = False,
) -> None:
    """Draw so many photos of each style into a folder, those that are there already left as they are.

    Parameters
    ----------
    folder : Path
    photos : int
        Of each style.
    styles : sequence of str
        Modules with `draw_photo`.
    seed : int
    workers : int
    seconds : float
        Begin no photo after about so long.
    crowded : bool
        Draw the presets in the shares of `CROWDED` instead of `PRESETS`.
    """
    note_draw(folder, {"styles": list(styles), "photos": photos, "seed": seed, "crowded": crowded})
    end = time.monotonic() + seconds
    presets = CROWDED if crowded else PRESETS
    tasks = [(folder, style, presets, seed, number, end) for number in range(photos) for style in styles]
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        for done, _ in enumerate(pool.map(_draw_one, tasks), 1):
            if done % 200 == 0:
                print(f"{done} photos", flush=True)


def _draw_one(task: tuple[Path, str, dict[str, float], int, int, float]) -> None:
    folder, style, presets, seed, number, end = task
    cv2.setNumThreads(1)
    path = folder / f"{style}-{number:05d}.npz"
    if path.exists() or time.monotonic() > end:
        return
    rng = np.random.default_rng([seed, number])
    preset = str(rng.choice(list(presets), p=list(presets.values())))
    width, height = np.exp(rng.uniform(*_LOG_SIDES_PX, 2)).astype(int).tolist()
    try:
        photo = draw(style, int(rng.integers(2**62)), preset, width, height)
    except Exception as fault:  # one photo that fails must not cost the others; it is named
        print(f"photo {number} ({style}, {preset}): {fault!r}", flush=True)
        return
    keep_photo(photo, path)


def keep_photo(photo: SimulatedPhoto, path: Path) -> None:
    """Write a photo and its truth, whole or not at all."""
    facts = {
        "um_per_px": photo.um_per_px,
        "objective": photo.objective,
        "scales": photo.scales,
        "notes": photo.notes,
        "spores": [asdict(one) for one in photo.spores],
    }
    fast = [cv2.IMWRITE_PNG_COMPRESSION, 1]
    with written_whole(path, settled=False) as target:
        np.savez(
            target,
            rgb=cv2.imencode(".png", photo.rgb[..., ::-1], fast)[1],
            kind_map=cv2.imencode(".png", photo.kind_map, fast)[1],
            facts=json.dumps(facts, default=float),
        )


def read_photo(path: Path) -> SimulatedPhoto:
    """Read what `keep_photo` wrote."""
    with np.load(path) as kept:
        facts = json.loads(str(kept["facts"]))
        facts["spores"] = tuple(SporeTruth(**one) for one in facts["spores"])
        return SimulatedPhoto(
            rgb=np.ascontiguousarray(np.asarray(cv2.imdecode(kept["rgb"], cv2.IMREAD_COLOR))[..., ::-1]),
            kind_map=np.asarray(cv2.imdecode(kept["kind_map"], cv2.IMREAD_GRAYSCALE)),
            **facts,
        )

"""The photos that a scorecard is made on: drawn once, kept on disk, drawn anew when their recipe changes."""

from __future__ import annotations

import hashlib
import importlib
from pathlib import Path

import numpy as np

from sporecount.simulate.truth import SimulatedPhoto
from sporecount.steps.classify.training.photos import keep_photo, read_photo

SETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
SIZES_PX = ((1200, 900), (1280, 960), (1440, 1080), (1600, 1200))


def recipe_stamp(recipe: str) -> str:
    """Give a short hash of the source files in the folder of a recipe's module."""
    where = Path(str(importlib.import_module(recipe).__file__)).parent
    return hashlib.sha256(b"".join(one.read_bytes() for one in sorted(where.rglob("*.py")))).hexdigest()[:12]


def draw(recipe: str, name: str, seed: int, index: int) -> SimulatedPhoto:
    """Draw photo `index` of a set; the same arguments give the same photo."""
    rng = np.random.default_rng([seed, SETS.index(name), index])
    width, height = SIZES_PX[int(rng.integers(len(SIZES_PX)))]
    module = importlib.import_module(recipe)
    return module.draw_photo(
        rng, width_px=width, height_px=height, objective=10.0 if name == "good_focus" else None, preset=name
    )


def draw_or_load(cache: Path, stamp: str, recipe: str, name: str, seed: int, index: int) -> SimulatedPhoto:
    """Load a photo from the cache, or draw it and keep it there."""
    file = cache / f"{recipe}-{stamp}-{name}-{seed}-{index}.npz"
    if not file.exists():
        keep_photo(draw(recipe, name, seed, index), file)
    return read_photo(file)

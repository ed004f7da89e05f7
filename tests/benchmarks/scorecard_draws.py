"""The photos that a scorecard is made on: drawn once, kept on disk, drawn anew when their recipe changes."""

from __future__ import annotations

import hashlib
import importlib
import json
from dataclasses import asdict
from pathlib import Path

import cv2
import numpy as np

from sporecount.simulate.truth import SimulatedPhoto, SporeTruth

SETS = ("good_focus_10x", "mixed", "hard", "no_spores", "heavy", "scan_4x")
SIZES_PX = ((1200, 900), (1280, 960), (1440, 1080), (1600, 1200))


NAMES_IN_PACKAGE = {"good_focus_10x": ("good_focus", 10.0), "mixed": ("ordinary", None)}
"""What the package's own simulator calls these sets, with the objective to ask for."""


def recipe_stamp(recipe: str) -> str:
    """Give a short hash of the source files in the folder of a recipe's module."""
    where = Path(str(importlib.import_module(recipe).__file__)).parent
    return hashlib.sha256(b"".join(one.read_bytes() for one in sorted(where.rglob("*.py")))).hexdigest()[:12]


def draw(recipe: str, name: str, seed: int, index: int) -> SimulatedPhoto:
    """Draw photo `index` of a set; the same arguments give the same photo."""
    rng = np.random.default_rng([seed, SETS.index(name), index])
    width, height = SIZES_PX[int(rng.integers(len(SIZES_PX)))]
    module = importlib.import_module(recipe)
    preset, objective = name, None
    if recipe.startswith("sporecount.simulate"):
        preset, objective = NAMES_IN_PACKAGE.get(name, (name, None))
    return module.draw_photo(
        rng, width_px=width, height_px=height, um_per_px=None, objective=objective, preset=preset
    )


def draw_or_load(cache: Path, stamp: str, recipe: str, name: str, seed: int, index: int) -> SimulatedPhoto:
    """Load a photo from the cache, or draw it and keep it there."""
    file = cache / f"{recipe}-{stamp}-{name}-{seed}-{index}.npz"
    if file.exists():
        with np.load(file) as kept:
            facts = json.loads(str(kept["facts"]))
            return SimulatedPhoto(
                rgb=np.ascontiguousarray(cv2.imdecode(kept["rgb"], cv2.IMREAD_COLOR)[..., ::-1]),
                um_per_px=facts["um_per_px"],
                objective=facts["objective"],
                spores=tuple(SporeTruth(**one) for one in facts["spores"]),
                kind_map=cv2.imdecode(kept["kind_map"], cv2.IMREAD_GRAYSCALE),
                scales=facts["scales"],
                notes=facts["notes"],
            )
    photo = draw(recipe, name, seed, index)
    facts = {
        "um_per_px": photo.um_per_px,
        "objective": photo.objective,
        "scales": photo.scales,
        "notes": photo.notes,
        "spores": [asdict(one) for one in photo.spores],
    }
    fast = [cv2.IMWRITE_PNG_COMPRESSION, 1]
    part = file.with_suffix(".part.npz")
    np.savez(
        part,
        rgb=cv2.imencode(".png", photo.rgb[..., ::-1], fast)[1],
        facts=json.dumps(facts, default=float),
        kind_map=cv2.imencode(".png", photo.kind_map, fast)[1],
    )
    part.replace(file)
    return photo

"""The card or glass under the tape, and the glue's ridges and the tape's edge as relief."""

from __future__ import annotations

import cv2
import numpy as np

from tests.recipes.voyager.conditions import GROUNDS, Conditions
from tests.recipes.voyager.layout import Feature
from tests.recipes.voyager.stage import Stage, empty_stage
from tests.recipes.voyager.textures import rough_ground, turbulence


def bare_ground(rng: np.random.Generator, shape: tuple[int, int], conditions: Conditions) -> Stage:
    """Card with its felt of fibres, or almost clean glass."""
    passes, returns, grain = GROUNDS[conditions.ground]
    um = conditions.um_per_px
    cloud = turbulence(rng, shape, 60 / um, 4)
    felt = turbulence(rng, shape, max(9 / um, 1.5), 2, stretch=4)
    felt = np.maximum(felt, turbulence(rng, shape[::-1], max(9 / um, 1.5), 2, stretch=4).T)
    span = int(np.clip(shape[0] * um * 0.4, 60, 500))
    rough = rough_ground(rng, shape, str(rng.choice(["gravel", "grass"])), span)
    mixed = 0.5 * cloud + 0.45 * (felt - felt.mean()) + 0.25 * cv2.GaussianBlur(rough, (0, 0), 1.0)
    # thick card out of focus blurs its own felt
    soft_px = rng.uniform(0.5, 3.0) / um
    mixed = cv2.GaussianBlur(mixed, (0, 0), max(soft_px, 0.4)) * np.float32(
        grain * rng.uniform(0.4, 1.2) * 0.6
    )
    density = mixed[..., None] - np.log10(np.array(passes, np.float32))
    sent_back = np.array(returns, np.float32) * (1 - np.float32(0.9) * mixed[..., None])
    return empty_stage(shape, um, density.astype(np.float32), sent_back.astype(np.float32))


def lay_glue(rng: np.random.Generator, stage: Stage, features: list[Feature], strength: float) -> None:
    """Draw ridges and tape edges: a lens of glue, dark on its flanks and bright on its crest."""
    shape = stage.kind.shape
    for feature in features:
        if feature.kind not in ("ridge", "edge"):
            continue
        line = np.zeros(shape, np.uint8)
        points = np.round(feature.path_um / stage.um_per_px * 8).astype(np.int32)[:, None]
        cv2.polylines(line, [points], False, 255, 1, cv2.LINE_8, 3)
        away_um = cv2.distanceTransform(255 - line, cv2.DIST_L2, 3) * np.float32(stage.um_per_px)
        half_um = rng.uniform(2, 7) if feature.kind == "ridge" else rng.uniform(1, 2.5)
        near = np.minimum(away_um / half_um, 6)
        flank = np.exp(-((near - 1.3) ** 2) * 3) - 0.6 * np.exp(-(near**2) * 2)
        fade = np.clip(0.6 + 0.5 * turbulence(rng, shape, 80 / stage.um_per_px, 2), 0.1, 1.2)
        amount = (0.05 + 0.2 * strength) * rng.uniform(0.4, 1.0)
        lens = (amount * flank * fade).astype(np.float32)
        stage.density += lens[..., None]
        stage.sent_back *= 1 - 0.6 * lens[..., None]
        stage.height_um += np.exp(-(near**2)) * np.float32(2 * strength)

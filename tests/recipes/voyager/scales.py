"""The library of scales of one photo, and the pieces torn out of these very scales."""

from __future__ import annotations

import cv2
import numpy as np

from tests.recipes.voyager.bodies import Body, edge_cover, even, make_body, tint
from tests.recipes.voyager.spores import SporeLook
from tests.recipes.voyager.textures import (
    Floats,
    ridges,
    rough_disc,
    rough_ground,
    signed_distance_px,
    turbulence,
)

_COLOURS = {
    "black": (tint(0.95, 1.0, 1.05), (0.8, 1.7)),
    "brown": (tint(0.7, 1.0, 1.3), (0.4, 0.9)),
    "orange": (tint(0.25, 0.85, 1.9), (0.25, 0.6)),
    "pale": (tint(0.85, 0.98, 1.17), (0.07, 0.2)),
}


def _blade(rng: np.random.Generator, rows: int, cols: int, wing: bool) -> tuple[Floats, Floats]:
    """Signed distance (px) to the outline of a blade with toothed end and stalk, and the way along it 0 to 1."""
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    along = (x - 0.06 * cols) / (0.88 * cols)
    across = (y - (rows - 1) / 2) / (rows / 2 * 0.9)
    shoulder = rng.uniform(0.12, 0.45)
    width = np.sin(np.pi / 2 * np.clip(along / shoulder, 0, 1)) ** rng.uniform(0.5, 0.9)
    tip = rng.uniform(0.62, 0.92)
    width *= np.sqrt(np.clip(1 - np.clip((along - tip) / (1.06 - tip), 0, 1) ** 2, 0, 1)) * 0.94
    teeth, depth = int(rng.integers(0, 7)), rng.uniform(0.05, 0.2)
    end = 1.0 - depth * (0.5 - 0.5 * np.cos(across * np.pi * teeth)) * (np.abs(across) < 0.95)
    bend = rng.normal(0, 0.05) * (along - 0.5) ** 2 * (2 if wing else 1)
    blade = (np.abs(across - bend) < width) & (along > 0.05) & (along < end)
    stalk = (np.abs(across) < rng.uniform(0.05, 0.1)) & (along > -0.04) & (along < 0.2)
    return signed_distance_px(blade | stalk), np.clip(along, 0, 1).astype(np.float32)


def scale_variant(rng: np.random.Generator, um_per_px: float, colour: str) -> tuple[Body, float, float]:
    """Make a scale; return it with its length and width in µm."""
    wing = rng.random() < 0.4
    length_um = float(rng.uniform(70, 300) if wing else rng.uniform(75, 125))
    width_um = float(rng.uniform(30, 75) if wing else rng.uniform(38, 60))
    grain_um = max(0.7 * um_per_px, length_um / 480)
    rows, cols = even(width_um / 0.9 / grain_um), even(length_um / 0.92 / grain_um)
    distance_px, along = _blade(rng, rows, cols, wing)
    pigment, dark = _COLOURS[colour]
    pitch_um = rng.uniform(1.6, 3.0)
    crest = ridges(rng, (rows, cols), pitch_um / grain_um, 0.25 * pitch_um / grain_um)
    rib = ridges(rng, (rows, cols), rng.uniform(0.9, 1.6) / grain_um, 0.2 / grain_um, across=True)
    density = 0.72 + 0.42 * crest + 0.2 * rib * (1 - crest)
    density *= 1 + 0.1 * turbulence(rng, (rows, cols), 20 / grain_um, 3, stretch=3)
    density *= 1 + 0.05 * rough_ground(rng, (rows, cols), str(rng.choice(["grass", "gravel"])), 300)
    density *= 1 + rng.normal(0, 0.25) * (along - 0.5) + 0.35 * np.exp(-np.abs(distance_px) * grain_um / 1.2)
    if rng.random() < 0.3:
        # pigment that wore off in patches
        density *= 1 - 0.5 * np.clip(turbulence(rng, (rows, cols), 30 / grain_um) - 0.6, 0, 1)
    cover = edge_cover(distance_px)
    strength = rng.uniform(*dark)
    warm = pigment * np.exp(rng.normal(0, 0.05, 3))
    sheet = (strength * np.clip(density, 0.1, 3) * cover)[..., None] * warm
    gloss = 0.75 if colour != "pale" else 0.4
    # through a pale scale a spore beneath is still plainly seen
    hides = strength > 0.16
    body = make_body("scale", grain_um, sheet, cover, gloss=gloss, height_um=2.0, hides=hides)
    return body, length_um, width_um


def torn_piece(rng: np.random.Generator, scale: Body, size_um: float, look: SporeLook | None) -> Body:
    """Tear a piece out of a scale; with a spore's look it takes on about that colour and darkness."""
    whole = scale.levels[0]
    aspect = float(rng.uniform(1.0, 2.2))
    rough = 0.06 if look and rng.random() < 0.4 else rng.uniform(0.12, 0.4)
    side = even(max(size_um * 1.25 / scale.grain_um, 40))
    distance_px = rough_disc(rng, side, rough, aspect=aspect)
    if rng.random() < 0.7:
        # a scale breaks along its ridges: one or two straight sides
        y, x = np.mgrid[:side, :side].astype(np.float32) / side - 0.5
        turn = rng.uniform(0, 6.3)
        cut_px = (rng.uniform(0.1, 0.3) - np.cos(turn) * x - np.sin(turn) * y) * side
        distance_px = np.minimum(distance_px, cut_px.astype(np.float32))
    grain_um = size_um / (0.8 * side)
    span = max(6, min(round(side * grain_um / scale.grain_um), *whole.shape[:2]))
    solid = np.argwhere(whole[..., 3] > 0.9)
    y0, x0 = solid[rng.integers(len(solid))] - span // 2
    y0, x0 = (int(np.clip(v, 0, n - span)) for v, n in zip((y0, x0), whole.shape[:2], strict=True))
    cut = cv2.resize(whole[y0 : y0 + span, x0 : x0 + span], (side, side), interpolation=cv2.INTER_CUBIC)
    cover = edge_cover(distance_px) * np.clip(cut[..., 3], 0, 1)
    density = np.clip(cut[..., :3], 0, 3)
    if look is not None:
        grey = density.mean(axis=2, keepdims=True)
        grey = grey / max(float(grey.max()) * 0.6, 1e-3)
        density = grey * look.density * rng.uniform(0.5, 1.3) * look.pigment * np.exp(rng.normal(0, 0.1, 3))
        density = density * (1 + rng.uniform(0, 0.5) * np.exp(-np.abs(distance_px) / 3))[..., None]
    sheet = density * cover[..., None]
    return make_body("scale piece", grain_um, sheet, cover, gloss=0.4, height_um=1.5, hides=scale.hides)

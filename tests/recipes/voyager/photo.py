"""A whole photo: library, layout, stage, camera, truth."""

from __future__ import annotations

import numpy as np

from sporecount.simulate.truth import SimulatedPhoto
from tests.recipes.voyager.bodies import KIND, Body, Placed
from tests.recipes.voyager.camera import develop, round_view, seen_light
from tests.recipes.voyager.conditions import PRESETS, Conditions, draw_conditions
from tests.recipes.voyager.ground import bare_ground, lay_glue
from tests.recipes.voyager.judge import judge
from tests.recipes.voyager.layout import (
    Feature,
    SporePlan,
    View,
    drift,
    glue_ridge,
    outline,
    settle_spores,
    tape_edge,
)
from tests.recipes.voyager.litter import COMPACT, STRANDS
from tests.recipes.voyager.scales import scale_variant, torn_piece
from tests.recipes.voyager.spores import ASPECT, LENGTH_UM, SporeLook, draw_look, spore_variant
from tests.recipes.voyager.stage import lay

_PRINT_MM2 = 0.9
"""Area of the view to which numbers of spores and of dirt refer; a smaller view holds less."""
_COUNTS = {
    "good_focus": (5, 80),
    "ordinary": (0, 60),
    "hard": (5, 150),
    "heavy": (300, 2000),
    "scan_4x": (5, 250),
}


def _scales(
    rng: np.random.Generator, view: View, conditions: Conditions, crowd: float
) -> tuple[list[Placed], list[Feature], list[Body]]:
    """Lay scales in shingled rows and singly; return them, their outlines, and the library."""
    mix = rng.dirichlet([0.8, 1.0, 0.7, 0.8])
    colours = rng.choice(["black", "brown", "orange", "pale"], size=5, p=mix)
    library = [scale_variant(rng, conditions.um_per_px, str(colour)) for colour in colours]
    placed: list[Placed] = []
    features: list[Feature] = []
    wanted = int(rng.poisson(26 * conditions.crowding * min(crowd, 2.5)) + (rng.random() < 0.5))
    while len(placed) < wanted:
        shingle = int(rng.integers(2, 9)) if rng.random() < 0.4 else 1
        at, turn = view.anywhere(rng, 1, 30.0)[0], rng.uniform(0, 360)
        pick = int(rng.integers(len(library)))
        side = np.radians(turn + 90)
        for step in range(shingle):
            if rng.random() < 0.3:
                pick = int(rng.integers(len(library)))
            body, length_um, width_um = library[pick]
            size = rng.uniform(0.8, 1.2)
            squeeze = size * rng.uniform(0.75, 1.1)
            angle = turn + rng.normal(0, 7)
            away_um = step * width_um * 0.62
            x, y = at + away_um * np.array([np.cos(side), np.sin(side)]) + rng.normal(0, 4, 2)
            depth = 1.0 + 0.3 * step / 9 + rng.uniform(0, 0.01)
            strength = rng.uniform(0.8, 1.2)
            placed.append(Placed(body, x, y, angle, size, squeeze, strength, depth))
            axes = (0.52 * length_um * size, 0.52 * width_um * squeeze)
            if rng.random() < 0.6:
                features.append(outline("scale", x, y, axes, angle))
    return placed, features, [scale[0] for scale in library]


def _dirt(
    rng: np.random.Generator,
    view: View,
    conditions: Conditions,
    features: list[Feature],
    scales: list[Body],
    look: SporeLook,
    crowd: float,
) -> list[Placed]:
    """Lay torn pieces, loose dirt and strands in drifts of their own along the same features."""
    pieces = [torn_piece(rng, scales[i % 5], rng.uniform(8, 19), look) for i in range(7)]
    pieces += [torn_piece(rng, scales[i % 5], float(np.exp(rng.uniform(1.4, 4.1))), None) for i in range(8)]
    makers = rng.choice(len(COMPACT), size=12, p=[share for _, share in COMPACT])
    loose = [COMPACT[i][0](rng, look) for i in makers]
    placed: list[Placed] = []
    for library, mean in ((pieces, 150.0), (loose, 80.0)):
        wanted = int(rng.poisson(mean * conditions.crowding * crowd**0.8 * rng.gamma(2, 0.5)) + 3)
        favour = rng.dirichlet(np.full(len(library), 0.6))
        while wanted > 0:
            for x, y in drift(rng, view, features, min(wanted, int(rng.integers(1, 12)))):
                body = library[int(rng.choice(len(library), p=favour))]
                size = float(np.exp(rng.normal(0, 0.2)))
                squeeze = float(size * rng.uniform(0.75, 1.25))
                strength, depth = float(np.exp(rng.normal(0, 0.2))), float(rng.uniform(0.5, 1.9))
                placed.append(Placed(body, x, y, rng.uniform(0, 360), size, squeeze, strength, depth))
                wanted -= 1
    for name, mean in (("hair", 5.0), ("fibre", 4.0), ("thread", 2.0), ("line", 0.5)):
        few = rng.poisson(mean * conditions.crowding * max(min(crowd, 2.0), 0.12))
        for x, y in view.anywhere(rng, int(few), 20.0):
            body = STRANDS[name](rng, conditions.um_per_px)
            depth = float(rng.uniform(0.2, 1.1) if rng.random() < 0.75 else rng.uniform(1.9, 2.0))
            placed.append(Placed(body, x, y, rng.uniform(0, 360), depth=depth))
    return placed


def _spores(
    rng: np.random.Generator, conditions: Conditions, plans: list[SporePlan], look: SporeLook
) -> list[Placed]:
    """Cut-outs for the planned spores, each stretched to its own length and width."""
    grain_um = float(np.clip(0.6 * conditions.um_per_px, 0.09, 0.3))
    library = [spore_variant(rng, look, grain_um) for _ in range(min(24, 4 + len(plans)))]
    uneven = rng.uniform(0.12, 0.35)
    placed = []
    for number, plan in enumerate(plans):
        body = library[int(rng.integers(len(library)))]
        # turned about or not: no two ends are alike
        turn = plan.angle_deg + 180 * int(rng.integers(2))
        strength = float(np.clip(np.exp(rng.normal(0, uneven)), 0.35, 1.8))
        stretch, squeeze = plan.length_um / LENGTH_UM, plan.width_um * ASPECT / LENGTH_UM
        depth = plan.depth + number * 1e-6
        placed.append(Placed(body, plan.x_um, plan.y_um, turn, stretch, squeeze, strength, depth, number))
    return placed


def _features(rng: np.random.Generator, view: View, conditions: Conditions, crowd: float) -> list[Feature]:
    """Lines of the glue where things gather: ridges, the tape's edge, rings round bubbles."""
    features = [glue_ridge(rng, view) for _ in range(int(rng.poisson(0.4 + 2.2 * conditions.glue)))]
    if rng.random() < 0.2:
        features.append(tape_edge(rng, view))
    for x, y in view.anywhere(rng, int(rng.poisson(1.2 * min(crowd, 2)))):
        radius_um = rng.uniform(14, 60)
        features.append(
            outline("ring", x, y, (radius_um, radius_um * rng.uniform(0.8, 1)), rng.uniform(0, 180))
        )
    return features


def draw_photo(
    rng: np.random.Generator,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str,
) -> SimulatedPhoto:
    """Draw a photo from textured cut-outs made at their own magnification and laid out in drifts and shingles.

    No network and no tree learns from it; the recall expected of a field does.

    Parameters
    ----------
    rng : Generator
        Source of all chance.
    width_px, height_px : int
        Size of the photo.
    um_per_px, objective : float, optional
        Kept where given, else drawn for the preset.
    preset : str
        One of `PRESETS`.

    Returns
    -------
    SimulatedPhoto
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}")
    conditions = draw_conditions(rng, preset, um_per_px, objective)
    um, shape = conditions.um_per_px, (height_px, width_px)
    view = View((width_px - 1) * um, (height_px - 1) * um)
    crowd = width_px * height_px * um**2 / (_PRINT_MM2 * 1e6)
    look = draw_look(rng)

    glue = _features(rng, view, conditions, crowd)
    scales, outlines, scale_library = _scales(rng, view, conditions, crowd)
    features = glue + outlines
    placed = scales + _dirt(rng, view, conditions, features, scale_library, look, crowd)
    plans: list[SporePlan] = []
    if preset != "no_spores":
        low, high = _COUNTS[preset]
        n = low + (high - low) * rng.random() ** 1.7
        heavy = preset == "heavy"
        # scattered spores are what the eye steers a view to: a small one holds more than its share
        share = min(crowd, 1.5) if heavy else min(crowd, 1.5) ** 0.5
        fewest = 14 if heavy else low
        plans = settle_spores(rng, view, features, max(fewest, int(rng.poisson(n * share))), heavy)
    spores = _spores(rng, conditions, plans, look)

    stage = bare_ground(rng, shape, conditions)
    lay_glue(rng, stage, glue, conditions.glue)
    whole_px = [0.0] * len(plans)
    for one in sorted(placed + spores, key=lambda p: p.depth):
        pixels = lay(stage, one)
        if one.spore >= 0:
            whole_px[one.spore] = pixels
    stop = round_view(shape, conditions)
    if stop is not None:
        stage.owner[stop < 0.5] = -1
        stage.kind[stop < 0.5] = KIND["other"]
    light = seen_light(rng, stage, conditions)
    truth = judge(plans, whole_px, stage, light, conditions)
    rgb = develop(rng, light, conditions)
    middles = np.array([(s.x_um, s.y_um) for s in scales]).reshape(-1, 2)
    notes = {
        "style": "voyager",
        "preset": preset,
        "light": "above" if conditions.through < 0.5 else "below",
        "through": round(conditions.through, 3),
        "ground": conditions.ground,
        "focus_um": round(conditions.focus_um, 3),
        "tilt_um": round(conditions.tilt_um, 3),
        "curve_um": round(conditions.curve_um, 3),
        "spore_colour": look.colour,
        "jpeg": conditions.jpeg,
    }
    seen = int(view.holds(middles).sum())
    return SimulatedPhoto(rgb, um, conditions.objective, truth, stage.kind, seen, notes)

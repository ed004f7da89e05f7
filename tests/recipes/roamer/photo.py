"""One photo, from its conditions to its truth."""

from __future__ import annotations

import numpy as np

from sporecount.simulate.truth import SimulatedPhoto, SporeTruth
from tests.recipes.roamer.bodies import Litter, after_spores, before_spores
from tests.recipes.roamer.camera import shoot
from tests.recipes.roamer.ground import card, glue, lamp, rule_lines
from tests.recipes.roamer.judge import judge
from tests.recipes.roamer.picture import take
from tests.recipes.roamer.settings import PRESETS, draw_settings
from tests.recipes.roamer.sheets import KIND, Stack
from tests.recipes.roamer.spores import Spores, draw_spores, lay_spores

MOST_BLUR = 0.22
"""Share of its length by which a countable spore may be blurred at most."""


def shares_visible(
    stack: Stack, spores: Spores, pixels: np.ndarray, top: float
) -> tuple[np.ndarray, np.ndarray]:
    """Share of each outline that nothing hides, and that of it which lies on or under a scale."""
    count = len(spores.x_px)
    veil = (1 - top) * np.clip(stack.high.density.mean(2) / 0.6, 0, 1) + top * stack.high.alpha
    mine = stack.owner >= 0
    who = stack.owner[mine]
    open_ = np.bincount(who, weights=1 - veil[mine], minlength=count)[:count]
    scaly = (stack.scale_below | (stack.kind == KIND["scale"]))[mine]
    shown = np.maximum(np.bincount(who, minlength=count)[:count], 1)
    on = np.bincount(who, weights=scaly, minlength=count)[:count]
    return np.clip(open_ / np.maximum(pixels, 1), 0, 1), on / shown


def draw_photo(
    rng: np.random.Generator,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str,
) -> SimulatedPhoto:
    """Draw a tape print as a stack of thin lenses, absorbers and shadow-casting bodies.

    No network and no tree learns from it; the recall expected of a field does.

    Parameters
    ----------
    rng : numpy.random.Generator
        All that is random comes from it.
    width_px, height_px : int
        Size of the photo.
    um_per_px : float, optional
        Kept if given, else drawn for the objective.
    objective : float, optional
        Kept if given, else by the preset.
    preset : str
        One of "good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x".

    Returns
    -------
    SimulatedPhoto

    Raises
    ------
    ValueError
        If the preset is unknown.
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, not {preset!r}")
    settings = draw_settings(rng, preset, um_per_px, objective)
    shape = (height_px, width_px)
    stack = Stack(shape, settings.um_per_px)
    ground = card(rng, settings, shape)
    if settings.ground not in ("glass", "dark card") and rng.random() < 0.12:
        rule_lines(rng, stack)
    litter = Litter(rng, stack, settings)
    before_spores(litter)
    stack.scale_below = stack.kind == KIND["scale"]
    spores = draw_spores(rng, settings, shape)
    pixels = lay_spores(rng, stack, spores, settings)
    after_spores(litter)
    glue(rng, stack, settings)
    light, framed = lamp(rng, shape)
    picture = take(stack, settings, ground, light)
    dim = float(rng.uniform(0.35, 0.8) if preset == "hard" else rng.uniform(0.6, 0.95))
    if settings.dark_card:
        dim *= 0.6
    old = bool(rng.random() < (0.6 if preset == "hard" else 0.35))
    rgb, noise = shoot(rng, picture.light, float(rng.choice([0.0, rng.uniform(-0.06, 0.16)])), dim, old)
    verdict = judge(stack, spores, picture.light, rgb)
    visible, on_scale = shares_visible(stack, spores, pixels, settings.top)
    truths = []
    for i, (x, y) in enumerate(zip(spores.x_px, spores.y_px, strict=True)):
        inside = bool(0 <= x <= width_px - 1 and 0 <= y <= height_px - 1)
        at = (int(np.clip(round(y), 0, height_px - 1)), int(np.clip(round(x), 0, width_px - 1)))
        blur_um = float(picture.blur_um[at])
        sharp = blur_um <= MOST_BLUR * spores.length_um[i]
        lit = light[at] > 0.2
        truths.append(
            SporeTruth(
                x_px=float(x),
                y_px=float(y),
                length_um=float(spores.length_um[i]),
                width_um=float(spores.width_um[i]),
                angle_deg=float(np.degrees(spores.angle_rad[i]) % 180),
                visible=float(visible[i]),
                blur_um=blur_um,
                contrast=float(verdict.contrast[i]),
                on_scale=bool(on_scale[i] > 0.5),
                clump=int(spores.clump[i]),
                countable=bool(inside and sharp and lit and visible[i] >= 0.5 and verdict.seen[i]),
            )
        )
    notes = {
        "style": "roamer",
        "preset": preset,
        "light": settings.light,
        "ground": settings.ground,
        "defocus_um": round(settings.blur_um, 3),
        "tilt_um": [round(tilt, 3) for tilt in settings.tilt_um],
        "condenser": round(settings.condenser, 3),
        "light_deg": round(float(np.degrees(settings.light_rad)), 1),
        "heart_um": round(settings.heart_um, 2),
        "hue": spores.hue,
        "noise": round(noise, 4),
        "old_phone": old,
        "round_view": framed,
    }
    return SimulatedPhoto(
        rgb, settings.um_per_px, settings.objective, tuple(truths), stack.kind, litter.scales, notes
    )

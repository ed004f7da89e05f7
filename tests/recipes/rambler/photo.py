"""One photo from first to last: ground, things, light, lens, phone, record."""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from sporecount.simulate.truth import SimulatedPhoto
from tests.recipes.rambler.canvas import Canvas
from tests.recipes.rambler.clutter import draw_lines
from tests.recipes.rambler.ground import draw_ground, draw_light, round_view
from tests.recipes.rambler.lens import blur_by_map, colour_fringes, focus_map, variance_map
from tests.recipes.rambler.phone import draw_phone, take_photo
from tests.recipes.rambler.plan import PRESETS, Plan, draw_plan
from tests.recipes.rambler.record import record_spores
from tests.recipes.rambler.scales import draw_pieces, draw_scales
from tests.recipes.rambler.specks import draw_specks
from tests.recipes.rambler.spores import Spores, move_onto_scales, paint_spore, place_spores

WHITE = 0.97
"""The brightest ground that a photo shows: phones keep most of the ground from burning out."""


def draw_photo(
    rng: Generator,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str,
) -> SimulatedPhoto:
    """Draw a photo of a tape print as flat shapes blended onto textured paper, then blurred by a map.

    No network and no tree learns from it; the recall expected of a field does.

    Parameters
    ----------
    rng : numpy.random.Generator
    width_px, height_px : int
    um_per_px : float, optional
        Drawn for the objective if left out.
    objective : float, optional
        Magnification; drawn for the preset if left out.
    preset : str
        One of `PRESETS`.

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
    plan = draw_plan(rng, width_px, height_px, um_per_px, objective, preset)
    canvas = draw_ground(rng, plan)
    focus_um = focus_map(rng, plan)
    variance = variance_map(rng, plan, focus_um)
    spores, whole_px, scales = _draw_things(rng, canvas, plan, focus_um)

    lamp = draw_light(rng, plan)
    view = round_view(rng, plan)
    disc = bool(rng.random() < 0.4)
    scene = canvas.scene * lamp
    ground = float(np.percentile(canvas.tint * lamp[::8, ::8], 98))
    # exposure is meant for the photo, so it passes the tone curve backwards
    scene *= np.float32(min(plan.exposure ** (2.2 / 2), WHITE) / ground)
    if view is not None:
        scene *= np.maximum(view, np.float32(0.01))[..., None]
        dark = view < 0.5
        canvas.owner[dark], canvas.kind[dark] = -1, 0
    light = blur_by_map(scene, variance, disc=disc)
    light = colour_fringes(rng, light, preset)
    phone = draw_phone(rng, plan)
    rgb = take_photo(rng, phone, light)
    return SimulatedPhoto(
        rgb=rgb,
        um_per_px=float(plan.um_per_px),
        objective=float(plan.objective),
        spores=record_spores(canvas, light, variance, spores, whole_px, plan.um_per_px, phone.seen_noise),
        kind_map=canvas.kind,
        scales=scales,
        notes={
            "style": "rambler",
            "preset": preset,
            "light": plan.light,
            "blend": plan.blend,
            "paper": plan.paper,
            "texture": plan.texture,
            "scale_look": plan.scale_look,
            "spore_ink": plan.spore.ink,
            "defocus_um": round(plan.defocus_um, 3),
            "tilt_um": round(plan.tilt_um, 3),
            "blur": "disc" if disc else "gaussian",
            "round_view": view is not None,
            "jpeg_quality": phone.quality,
        },
    )


def _draw_things(
    rng: Generator, canvas: Canvas, plan: Plan, focus_um: np.ndarray
) -> tuple[Spores, np.ndarray, int]:
    """Draw all that lies on the ground, from below upwards; some spores lie beneath the scales."""
    spores = place_spores(rng, plan)
    whole_px = np.zeros(len(spores))
    first_lies_low = rng.random(len(spores)) < rng.choice((0.0, 0.08, 0.25))
    lit = float(rng.uniform(0.05, 0.25)) if plan.light in ("oblique", "top") else 0.0

    def paint(chosen: np.ndarray) -> None:
        for which in np.flatnonzero(chosen).tolist():
            row = int(np.clip(round(spores.y_px[which]), 0, plan.height_px - 1))
            col = int(np.clip(round(spores.x_px[which]), 0, plan.width_px - 1))
            whole_px[which] = paint_spore(rng, canvas, plan, spores, which, float(focus_um[row, col]), lit)

    draw_lines(rng, canvas, plan, 0.6)
    paint(first_lies_low)
    scales = draw_scales(rng, canvas, plan)
    draw_pieces(rng, canvas, plan)
    draw_specks(rng, canvas, plan, 0.75)
    move_onto_scales(rng, plan, spores, ~first_lies_low, canvas.scale_here)
    paint(~first_lies_low)
    draw_specks(rng, canvas, plan, 0.25)
    draw_lines(rng, canvas, plan, 0.4)
    return spores, whole_px, scales

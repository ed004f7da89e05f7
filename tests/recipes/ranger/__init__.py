"""Simulated tape-print photos from one wide world draw each, every body a radial function on its patch.

The networks that look do not learn from it.
"""

from __future__ import annotations

import numpy as np

from sporecount.simulate.truth import SimulatedPhoto
from tests.recipes.ranger.canvas import Canvas
from tests.recipes.ranger.debris import amounts, lay_grains
from tests.recipes.ranger.ground import ground_density
from tests.recipes.ranger.judge import judge
from tests.recipes.ranger.optics import blur_by_map, fringe, illumination, smear, variance_map, view_circle
from tests.recipes.ranger.phone import develop, draw_phone
from tests.recipes.ranger.scales import lay_pieces, lay_scales
from tests.recipes.ranger.spores import paint, place
from tests.recipes.ranger.threads import lay_threads
from tests.recipes.ranger.world import PRESETS, World, draw_world

__all__ = ["PRESETS", "draw_photo"]
BENEATH = 0.12
"""Share of the spores that lie beneath the scales."""


def _notes(world: World) -> dict[str, str | float | bool]:
    """Tell how it was drawn, JSON-ready."""
    light = "above" if world.top_share > 0.65 else "mixed" if world.top_share > 0 else "below"
    return {
        "style": "ranger",
        "preset": world.preset,
        "light": light,
        "ground": world.ground,
        "kernel": world.kernel,
        "defocus_um": round(world.defocus_um, 3),
        "tilt_um": round(world.tilt_um, 3),
        "motion_um": round(world.motion_um, 3),
        "profile": world.spore.profile_name,
        "spore_length_um": round(world.spore.length_um, 3),
        "spore_density": round(world.spore.density, 3),
        "round_view": world.round_view,
    }


def draw_photo(
    rng: np.random.Generator,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str,
) -> SimulatedPhoto:
    """Draw a photo of its own world: one wide draw sets what its bodies, light, lens and phone share.

    The networks that look do not learn from it.

    Parameters
    ----------
    rng : numpy.random.Generator
    width_px, height_px : int
        Size of the photo.
    um_per_px : float, optional
        Scale; drawn for the objective if not given.
    objective : float, optional
        Magnification; drawn for the preset if not given.
    preset : str
        One of `PRESETS`.

    Returns
    -------
    SimulatedPhoto

    Raises
    ------
    ValueError
        For another preset.
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}")
    world = draw_world(rng, width_px, height_px, um_per_px, objective, preset)
    canvas = Canvas(ground_density(rng, world), world.um_per_px, world.top_share)
    lay_threads(rng, canvas, world, ("ink", "fibre", "scratch", "glue"))
    drawn = amounts(rng, world)
    beneath_share = rng.uniform(0.5, 0.95)
    lay_grains(rng, canvas, world, drawn, beneath_share)
    # The scales' places are needed for the spores along their edges, so spores beneath go on a second pass:
    # they are placed after, but those of them that a scale covers are laid first.
    scale_state = rng.bit_generator.state
    scales = lay_scales(rng, Canvas(canvas.density.copy(), world.um_per_px, world.top_share), world)
    after = rng.spawn(1)[0]
    spores = place(after, world, scales)
    beneath = after.random(len(spores)) < BENEATH
    for k in np.flatnonzero(beneath):
        paint(after, canvas, world, spores[k], int(k))
    rng.bit_generator.state = scale_state
    lay_scales(rng, canvas, world)
    lay_pieces(rng, canvas, world, drawn["piece"])
    for k in np.flatnonzero(~beneath):
        paint(after, canvas, world, spores[k], int(k))
    rest = {name: number - round(number * beneath_share) for name, number in drawn.items()}
    lay_grains(rng, canvas, world, rest, 1.0)
    lay_threads(rng, canvas, world, ("hair", "thread"))

    view = view_circle(rng, world)
    canvas.kind[view <= 0.5] = 0
    canvas.owner[view <= 0.5] = -1
    glare = np.float32(rng.uniform(0.01, 0.06))
    light = (10 ** -np.clip(canvas.density, -0.3, 3) + glare) * illumination(rng, world)
    light *= np.maximum(view, np.float32(0.01))[..., None]
    variance = variance_map(rng, world)
    light = blur_by_map(light.astype(np.float32), variance, world.kernel)
    motion_px = world.motion_um / world.um_per_px
    light = fringe(rng, smear(rng, light, motion_px), world)
    phone = draw_phone(rng, world, light)
    truth = judge(spores, canvas, world, light, variance + np.float32(motion_px**2 / 2), phone, view)
    rgb = develop(rng, phone, light)
    return SimulatedPhoto(
        rgb, world.um_per_px, world.objective, truth, canvas.kind, len(scales), _notes(world)
    )

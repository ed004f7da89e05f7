"""One photo, from the world on the tape to the saved picture."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.truth import SimulatedPhoto
from tests.recipes.drifter.canvas import HIGH, LOW, Canvas
from tests.recipes.drifter.ground import draw_ground
from tests.recipes.drifter.judge import judge
from tests.recipes.drifter.optics import eyepiece, glow_through_lens, through_lens
from tests.recipes.drifter.phone import develop
from tests.recipes.drifter.scales import scatter_scales
from tests.recipes.drifter.spores import draw_spore, plan_spores
from tests.recipes.drifter.style import PRESETS, Array, Light, Style, draw_style
from tests.recipes.drifter.things import scatter_things


def draw_photo(
    rng: np.random.Generator,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str,
) -> SimulatedPhoto:
    """Draw one photo: spectral absorbances blurred by the disc of each wavelength and height, then a cheap phone.

    The networks that look do not learn from it.

    Parameters
    ----------
    rng : numpy.random.Generator
        All that is drawn comes from it.
    width_px, height_px : int
        Size of the photo.
    um_per_px : float, optional
        Scale on the tape; drawn for the objective where it is left out.
    objective : float, optional
        Magnification; by the preset where it is left out.
    preset : {"good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x"}
        What kind of photo.

    Returns
    -------
    SimulatedPhoto
        The photo with its truth.

    Raises
    ------
    ValueError
        If the preset is not known.
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, not {preset!r}")
    style = draw_style(rng, preset, um_per_px, objective)
    canvas = Canvas(width_px, height_px, style.um_per_px, style.light.top > 0)
    ground = draw_ground(rng, canvas, style)
    spores = plan_spores(rng, canvas, style)
    for number, spore in enumerate(spores):
        if spore.under:
            draw_spore(rng, canvas, style, spore, number)
    scales = scatter_scales(rng, canvas, preset)
    scatter_things(rng, canvas, preset, over=False)
    for number, spore in enumerate(spores):
        if not spore.under:
            draw_spore(rng, canvas, style, spore, number)
    scatter_things(rng, canvas, preset, over=True)
    light, lit = eyepiece(_gather(canvas, style, ground), style.lens, style.light)
    rgb = develop(rng, light, style.phone)
    return SimulatedPhoto(
        rgb=rgb,
        um_per_px=style.um_per_px,
        objective=style.objective,
        spores=judge(canvas, style, spores, rgb, lit),
        kind_map=np.ascontiguousarray(
            canvas.kind[canvas.fine // 2 :: canvas.fine, canvas.fine // 2 :: canvas.fine]
        ),
        scales=scales,
        notes=_notes(style),
    )


def _gather(canvas: Canvas, style: Style, ground: Array) -> Array:
    """Sum the light from below and from above at each wavelength."""
    lens, lamp = style.lens, style.light
    passed = through_lens(canvas, lens, LOW, 0.0) * through_lens(canvas, lens, HIGH, lens.high_um)
    rows, cols = passed.shape[1:]
    across = np.linspace(-1, 1, cols, dtype=np.float32)[None, :]
    down = np.linspace(-1, 1, rows, dtype=np.float32)[:, None]
    even = np.clip(1 + lamp.slope[0] * across + lamp.slope[1] * down, 0.3, 2)
    below = ground * passed * np.asarray(lamp.lamp, np.float32)[:, None, None]
    if lamp.relief:
        below = below * _relief(passed, lamp)
    total = (1 - lamp.top) * below
    if lamp.top:
        above = ground * passed**2 * _shadow(passed, style) + glow_through_lens(canvas, lens)
        total = total + lamp.top * above * np.asarray(lamp.top_lamp, np.float32)[:, None, None]
    return np.asarray(total * even, np.float32)


def _relief(passed: Array, lamp: Light) -> Array:
    """Oblique light: slopes towards the lamp are brighter."""
    mean = passed.mean(axis=0)
    slope = np.cos(lamp.direction_rad) * cv2.Sobel(mean, -1, 1, 0, ksize=3, scale=0.125)
    slope += np.sin(lamp.direction_rad) * cv2.Sobel(mean, -1, 0, 1, ksize=3, scale=0.125)
    return np.asarray(1 + np.clip(lamp.relief * slope, -0.25, 0.25), np.float32)


def _shadow(passed: Array, style: Style) -> Array:
    """What lies on the tape keeps some of a lamp's light, from above and aside, off the ground beneath it."""
    shift_px = 3.0 / style.um_per_px
    way = style.light.direction_rad
    matrix = np.array([[1, 0, shift_px * np.cos(way)], [0, 1, shift_px * np.sin(way)]])
    rows, cols = passed.shape[1:]
    moved = cv2.warpAffine(passed.mean(axis=0), matrix, (cols, rows), borderMode=cv2.BORDER_REPLICATE)
    wide = max(int(4.0 / style.um_per_px), 1) * 2 + 1
    return np.asarray(0.75 + 0.25 * cv2.blur(moved, (wide, wide)), np.float32)


def _notes(style: Style) -> dict[str, str | float]:
    lens, lamp = style.lens, style.light
    return {
        "style": "drifter",
        "preset": style.preset,
        "ground": style.ground,
        "light": lamp.kind,
        "top_light": lamp.top,
        "focus_um": lens.focus_um,
        "tilt_um": float(np.hypot(*lens.tilt_um)),
        "axial_um": max(abs(a) for a in lens.axial_um),
        "round_view": lamp.round_view,
        "spore_look": style.spore.name,
        "spore_density": style.spore.density,
        "jpeg_quality": style.phone.quality,
    }

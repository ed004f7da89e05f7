"""Simulated photos of tape prints: one photo, or the photos of one print, with exact truth."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import cv2
import numpy as np

from sporecount.simulate.account import PaintedSpore, spore_truth
from sporecount.simulate.camera import Phone, develop, draw_phone, through_eyepiece
from sporecount.simulate.canvas import Canvas, View, cut
from sporecount.simulate.optics import Focus, draw_focus, expose
from sporecount.simulate.painters import paint
from sporecount.simulate.ranges import PRESETS, PrintRanges
from sporecount.simulate.sample import PrintSample, draw_sample, log_between
from sporecount.simulate.scene import Scene, draw_print_scene
from sporecount.simulate.things import KIND
from sporecount.simulate.truth import SimulatedPhoto

PIXEL_UM = {4.0: (1.0, 2.5), 10.0: (0.3, 1.2), 20.0: (0.16, 0.6), 40.0: (0.08, 0.35)}
"""um per px of phone photos through each objective, as drawn."""

TRUTH_VERSION = 1


def draw_photo(
    rng: np.random.Generator,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str = "ordinary",
    spores: int | None = None,
    light: str | None = None,
    ranges: PrintRanges | None = None,
) -> SimulatedPhoto:
    """Draw a simulated photo of a tape print.

    Parameters
    ----------
    rng : numpy.random.Generator
        All chance comes from here: the same state gives the same photo.
    width_px, height_px : int
    um_per_px : float, optional
        Scale at the centre; drawn to fit the objective when missing (`PIXEL_UM`).
    objective : float, optional
        Magnification, 4 to 40; drawn, or taken to fit `um_per_px`, when missing.
    preset : str
        A name in `PRESETS`.
    spores : int, optional
        Spores placed on the photo's rectangle (those beyond the round view are in the truth, not countable).
    light : str, optional
        "below" or "above"; drawn when missing.
    ranges : PrintRanges, optional
        Instead of the preset's.

    Returns
    -------
    SimulatedPhoto

    Raises
    ------
    ValueError
        For an unknown preset.
    """
    table = ranges or preset_ranges(preset)
    objective, um_per_px = draw_scale(rng, preset, objective, um_per_px)
    sample = draw_sample(rng, table, light=light)
    phone = draw_phone(rng, table)
    focus = draw_focus(rng, table, objective)
    view = lay_view(width_px, height_px, um_per_px, phone, focus)
    wide, high = width_px * um_per_px, height_px * um_per_px
    if spores is None:
        spores = draw_number(rng, table, sample, wide * high)
    gain = float(np.clip(0.08 / (wide * high * 1e-6), 1.0, 3.0))
    scene = draw_print_scene(
        rng, sample, table, (-wide / 2, -high / 2, wide, high), spores=spores, rate_gain=gain
    )
    return render_photo(rng, scene, sample, view, focus, phone, notes={"preset": preset, "style": "physical"})


def render_photo(
    rng: np.random.Generator,
    scene: Scene,
    sample: PrintSample,
    view: View,
    focus: Focus,
    phone: Phone,
    *,
    notes: dict[str, Any] | None = None,
) -> SimulatedPhoto:
    """Photograph a scene. Only noise and dirt are drawn from `rng`; everything else is given."""
    canvas = Canvas(view, above=sample.light == "above")
    painted: list[PaintedSpore] = []
    on_scale: list[bool] = []
    scaled = np.zeros(canvas.shape, bool)
    scales = 0
    for thing in scene.things:
        result = paint(canvas, thing)
        if result is None:
            continue
        box, cover = result
        if thing.kind == KIND["spore"]:
            grid, _ = cut(canvas.shape, box)
            painted.append(PaintedSpore(thing, box, cover, canvas.clear[grid].copy()))
        elif thing.kind == KIND["scale"]:
            grid, own = cut(canvas.shape, box)
            scaled[grid] |= cover[own] > 0.5
            full = 0.5 * thing.look["length_um"] * thing.look["width_um"] / view.work_um**2
            scales += bool((cover > 0.5).sum() > 0.5 * full)
    for spore in painted:
        grid, own = cut(canvas.shape, spore.box)
        on_scale.append(bool((scaled[grid] & (spore.cover[own] > 0.5)).any()))
    light, blur_um = expose(canvas, sample, focus)
    light, seen = through_eyepiece(rng, light, phone, (view.height_px, view.width_px))
    small = canvas.shape[::-1]
    green = (
        light[..., 1]
        if light.shape[:2] == canvas.shape
        else cv2.resize(light[..., 1], small, interpolation=cv2.INTER_AREA)
    )
    green, seen_work = green.copy(), cv2.resize(seen, small, interpolation=cv2.INTER_AREA)
    rgb = develop(rng, light, phone)
    spores = spore_truth(
        canvas,
        scene,
        painted,
        light=green,
        blur_um=blur_um,
        seen=seen_work,
        on_scale=on_scale,
        phone=phone,
        rgb=rgb,
    )
    kind = cv2.resize(canvas.kind, (view.width_px, view.height_px), interpolation=cv2.INTER_NEAREST)
    facts = {
        "light": sample.light,
        "support": sample.support,
        "k1": view.k1,
        "round_view": list(phone.circle) if phone.circle else None,
        "defocus_height": list(focus.height),
        "spore_length_um": sample.spore_length_um,
        "spore_ratio": sample.spore_ratio,
        "amber": list(sample.amber),
        "jpeg_quality": phone.jpeg_quality,
        "noise": phone.noise,
    }
    return SimulatedPhoto(
        rgb=rgb,
        um_per_px=view.um_per_px,
        objective=focus.objective,
        spores=spores,
        kind_map=kind,
        scales=scales,
        notes={**facts, **(notes or {})},
    )


def truth_to_json(photo: SimulatedPhoto, name: str) -> dict[str, Any]:
    """Truth of a photo as a JSON-ready table, marked as simulated."""
    return {
        "schema_version": TRUTH_VERSION,
        "simulated": True,
        "photo": name,
        "width_px": int(photo.rgb.shape[1]),
        "height_px": int(photo.rgb.shape[0]),
        "um_per_px": photo.um_per_px,
        "objective": photo.objective,
        "countable_spores": sum(s.countable for s in photo.spores),
        "scales": photo.scales,
        "spores": [
            {k: round(v, 4) if isinstance(v, float) else v for k, v in asdict(s).items()}
            for s in photo.spores
        ],
        "notes": photo.notes,
    }


def preset_ranges(preset: str) -> PrintRanges:
    """Ranges of a preset; ValueError for an unknown name."""
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}; got {preset!r}")
    return PRESETS[preset]


def draw_scale(
    rng: np.random.Generator, preset: str, objective: float | None, um_per_px: float | None
) -> tuple[float, float]:
    """Objective and um per px, each drawn to fit the other where it is missing."""
    if objective is None:
        if um_per_px is not None:
            objective = next(
                (m for m, top in ((40.0, 0.2), (20.0, 0.3), (10.0, 1.25)) if um_per_px <= top), 4.0
            )
        elif preset == "scan_4x":
            objective = 4.0
        else:
            objective = float(rng.choice([4, 10, 20, 40], p=[0.03, 0.73, 0.08, 0.16]))
    if um_per_px is None:
        nearest = min(PIXEL_UM, key=lambda m: abs(np.log(m / objective)))
        um_per_px = log_between(rng, PIXEL_UM[nearest]) * nearest / objective
    return float(objective), float(um_per_px)


def lay_view(width_px: int, height_px: int, um_per_px: float, phone: Phone, focus: Focus) -> View:
    """View at the print's origin; drawn on a coarser grid where the optics leave nothing finer."""
    zoom = min(1.0, um_per_px / (0.8 * focus.best_um))
    return View(
        width_px,
        height_px,
        um_per_px,
        0.0,
        0.0,
        phone.k1,
        max(round(width_px * zoom), 16),
        max(round(height_px * zoom), 16),
    )


def spore_area(sample: PrintSample) -> float:
    """Rough outline area of a sample's spore, um2."""
    return 0.75 * sample.spore_length_um**2 / sample.spore_ratio


def draw_number(rng: np.random.Generator, table: PrintRanges, sample: PrintSample, area_um2: float) -> int:
    """Draw how many spores lie on a rectangle of `area_um2`."""
    if rng.random() < table.no_spore_share:
        return 0
    return min(
        round(log_between(rng, table.spores)), int(table.spore_cover_max * area_um2 / spore_area(sample))
    )

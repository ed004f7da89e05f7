"""Simulated photos of tape prints: one photo, or the photos of one print, with exact truth."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

import cv2
import numpy as np

from sporecount.simulate.account import PaintedSpore, cut, spore_truth
from sporecount.simulate.camera import Phone, develop, draw_phone, through_eyepiece
from sporecount.simulate.canvas import Canvas, View
from sporecount.simulate.optics import Focus, draw_focus, expose
from sporecount.simulate.painters import paint
from sporecount.simulate.ranges import PRESETS, PrintRanges
from sporecount.simulate.sample import PrintSample, draw_sample, log_between
from sporecount.simulate.scene import KIND, Scene, draw_print_scene
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
        Spores placed on the rectangle of the photo (those beyond the round view are in the truth, not countable).
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
    table = ranges or _table(preset)
    objective, um_per_px = _draw_scale(rng, preset, objective, um_per_px)
    sample = draw_sample(rng, table, light=light)
    phone = draw_phone(rng, table)
    focus = draw_focus(rng, table, objective)
    view = _view(width_px, height_px, um_per_px, phone, focus)
    wide, high = width_px * um_per_px, height_px * um_per_px
    if spores is None:
        spores = _draw_number(rng, table, sample, wide * high)
    gain = float(np.clip(0.08 / (wide * high * 1e-6), 1.0, 3.0))
    scene = draw_print_scene(rng, sample, table, (-wide / 2, -high / 2, wide, high), spores=spores, rate_gain=gain)
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
            grid, _ = cut(canvas.shape, box)
            scaled[grid] |= cover > 0.5
            full = 0.5 * thing.look["length_um"] * thing.look["width_um"] / view.work_um**2
            scales += bool((cover > 0.5).sum() > 0.5 * full)
    for spore in painted:
        grid, own = cut(canvas.shape, spore.box)
        on_scale.append(bool((scaled[grid] & (spore.cover[own] > 0.5)).any()))
    light, blur_um = expose(canvas, sample, focus)
    light, seen = through_eyepiece(rng, light, phone, (view.height_px, view.width_px))
    small = canvas.shape[::-1]
    green = light[..., 1] if light.shape[:2] == canvas.shape else cv2.resize(light[..., 1], small, interpolation=cv2.INTER_AREA)
    green, seen_work = green.copy(), cv2.resize(seen, small, interpolation=cv2.INTER_AREA)
    rgb = develop(rng, light, phone)
    spores = spore_truth(
        canvas, scene, painted, light=green, blur_um=blur_um, seen=seen_work, on_scale=on_scale, phone=phone, rgb=rgb
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


@dataclass(frozen=True)
class SimulatedPrint:
    """The photos of one simulated print.

    Parameters
    ----------
    photos : tuple of SimulatedPhoto
    places_um : ndarray of shape (n, 2)
        Place of each photo's centre on the print, x and y in um.
    same_place_as : tuple of int
        For each photo the number of the first photo of the same place (itself if it is the first).
    spores_in_view : int
        Different spores in the photos together, each counted once.
    covered_mm2 : float
        Area of print in the photos together, each spot counted once (rectangles, round view not cut out).
    """

    photos: tuple[SimulatedPhoto, ...]
    places_um: np.ndarray
    same_place_as: tuple[int, ...]
    spores_in_view: int
    covered_mm2: float


def draw_session(
    rng: np.random.Generator,
    *,
    photos: int,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float = 10.0,
    preset: str = "ordinary",
    spores_per_mm2: float | None = None,
    light: str | None = None,
    overlap_share: float = 0.0,
    refocus_share: float = 0.0,
    sample: PrintSample | None = None,
    phone: Phone | None = None,
    ranges: PrintRanges | None = None,
) -> SimulatedPrint:
    """Draw the photos of one print: the same spores, butterfly, card, light, eyepiece and phone throughout.

    Parameters
    ----------
    rng : numpy.random.Generator
    photos : int
        At least 1.
    width_px, height_px, um_per_px, objective, preset, light, ranges
        As in `draw_photo`.
    spores_per_mm2 : float, optional
        Mean density over the print; each place varies around it (gamma, shape 3). Drawn when missing.
    overlap_share : float
        Chance that a photo overlaps the one before it (30 to 70 % of the view).
    refocus_share : float
        Chance that a photo shows the same place as the one before it at another focus.
    sample, phone : optional
        To join several prints to one session, pass the `phone` of the first.

    Returns
    -------
    SimulatedPrint
    """
    table = ranges or _table(preset)
    objective, um_per_px = _draw_scale(rng, preset, objective, um_per_px)
    sample = sample or draw_sample(rng, table, light=light)
    phone = phone or draw_phone(rng, table)
    wide, high = width_px * um_per_px, height_px * um_per_px
    if spores_per_mm2 is None:
        spores_per_mm2 = _draw_number(rng, table, sample, wide * high) / (wide * high * 1e-6)
    places, same, groups = _walk(rng, photos, wide, high, overlap_share, refocus_share)
    out: list[SimulatedPhoto] = [None] * photos  # type: ignore[list-item]
    seen_spores, covered = 0, 0.0
    for members in groups:
        centres = places[members]
        low, size = centres.min(0) - (wide / 2, high / 2), np.ptp(centres, axis=0) + (wide, high)
        area_mm2 = float(size[0] * size[1]) * 1e-6
        number = int(rng.poisson(spores_per_mm2 * rng.gamma(3, 1 / 3) * area_mm2)) if spores_per_mm2 else 0
        number = min(number, int(table.spore_cover_max * area_mm2 * 1e6 / _spore_area(sample)))
        scene = draw_print_scene(
            rng, sample, table, (float(low[0]), float(low[1]), float(size[0]), float(size[1])), spores=number
        )
        base = draw_focus(rng, table, objective)
        in_view = np.zeros(len(scene.things), bool)
        grid_um = max(wide, high) / 200
        map_shape = (int(np.ceil(size[1] / grid_um)) + 1, int(np.ceil(size[0] / grid_um)) + 1)
        map_seen = np.zeros(map_shape, bool)
        for i in members:
            focus = base if same[i] == i else replace(draw_focus(rng, table, objective), seed=base.seed)
            held = replace(phone, circle=_nudge(rng, phone.circle))
            view = replace(
                _view(width_px, height_px, um_per_px, phone, focus), x_um=float(places[i, 0]), y_um=float(places[i, 1])
            )
            notes = {"preset": preset, "style": "physical", "place_um": [view.x_um, view.y_um], "same_place_as": same[i]}
            out[i] = render_photo(rng, scene, sample, view, focus, held, notes=notes)
            for j, thing in enumerate(scene.things):
                inside = abs(thing.x_um - view.x_um) < wide / 2 and abs(thing.y_um - view.y_um) < high / 2
                in_view[j] |= thing.kind == KIND["spore"] and inside
            left, top = ((places[i] - (wide / 2, high / 2) - low) / grid_um).astype(int)
            map_seen[top : top + round(high / grid_um), left : left + round(wide / grid_um)] = True
        seen_spores += int(in_view.sum())
        covered += float(map_seen.sum()) * grid_um**2 * 1e-6
    return SimulatedPrint(tuple(out), places, tuple(same), seen_spores, covered)


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
        "spores": [{k: round(v, 4) if isinstance(v, float) else v for k, v in asdict(s).items()} for s in photo.spores],
        "notes": photo.notes,
    }


def _table(preset: str) -> PrintRanges:
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}; got {preset!r}")
    return PRESETS[preset]


def _draw_scale(
    rng: np.random.Generator, preset: str, objective: float | None, um_per_px: float | None
) -> tuple[float, float]:
    if objective is None:
        if um_per_px is not None:
            objective = next((m for m, top in ((40.0, 0.2), (20.0, 0.3), (10.0, 1.25)) if um_per_px <= top), 4.0)
        elif preset == "scan_4x":
            objective = 4.0
        else:
            objective = float(rng.choice([4, 10, 20, 40], p=[0.03, 0.73, 0.08, 0.16]))
    if um_per_px is None:
        nearest = min(PIXEL_UM, key=lambda m: abs(np.log(m / objective)))
        um_per_px = log_between(rng, PIXEL_UM[nearest]) * nearest / objective
    return float(objective), float(um_per_px)


def _view(width_px: int, height_px: int, um_per_px: float, phone: Phone, focus: Focus) -> View:
    """View at the print's origin; drawn on a coarser grid where the optics leave nothing finer."""
    zoom = min(1.0, um_per_px / (0.8 * focus.best_um))
    return View(
        width_px, height_px, um_per_px, 0.0, 0.0, phone.k1, max(round(width_px * zoom), 16), max(round(height_px * zoom), 16)
    )


def _spore_area(sample: PrintSample) -> float:
    return 0.75 * sample.spore_length_um**2 / sample.spore_ratio


def _draw_number(rng: np.random.Generator, table: PrintRanges, sample: PrintSample, area_um2: float) -> int:
    if rng.random() < table.no_spore_share:
        return 0
    return min(round(log_between(rng, table.spores)), int(table.spore_cover_max * area_um2 / _spore_area(sample)))


def _walk(
    rng: np.random.Generator, photos: int, wide: float, high: float, overlap: float, refocus: float
) -> tuple[np.ndarray, list[int], list[np.ndarray]]:
    """Places of the photos on the print, which repeat a place, and which hang together."""
    places, same, groups = [np.zeros(2)], [0], [[0]]
    for i in range(1, photos):
        chance = rng.random()
        if chance < refocus:
            places.append(places[-1] + rng.normal(0, 0.004, 2) * (wide, high))
            same.append(same[-1])
            groups[-1].append(i)
            continue
        same.append(i)
        if chance < refocus + overlap:
            heading = rng.uniform(0, 2 * np.pi)
            places.append(places[-1] + rng.uniform(0.3, 0.7) * np.array([wide * np.cos(heading), high * np.sin(heading)]))
            groups[-1].append(i)
        else:
            places.append(np.array([i * 4.0 * wide, 0.0]))
            groups.append([i])
    return np.array(places), same, [np.array(g) for g in groups]


def _nudge(rng: np.random.Generator, circle: tuple[float, float, float] | None) -> tuple[float, float, float] | None:
    if circle is None:
        return None
    move = rng.normal(0, 0.006, 2)
    return (circle[0] + float(move[0]), circle[1] + float(move[1]), circle[2])

"""A whole photo, from the laid sheets to the finished picture and its truth."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.bending import clutter, microscope
from sporecount.simulate.bending.microscope import LUMA, Phone
from sporecount.simulate.bending.plan import Plan, draw_plan
from sporecount.simulate.bending.sheet import KIND, Array, Sheet
from sporecount.simulate.bending.spores import (
    SporeLook,
    Spores,
    SporeSheet,
    draw_look,
    lay_spore,
    place_spores,
    touching,
)
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth

NOTED = ("from_above", "lamp", "ground", "ruled", "brightness", "focus_um", "tilt_um")
MARGIN_PX = 20
"""Finished pixels around the view, for blur, the fringe of the lens, and things cut by the edge."""


def _lay_low(rng: np.random.Generator, on: Sheet, plan: Plan, margin: float) -> int:
    """Scales and what lies among them; the number of whole scales in the view."""
    rows, cols = on.kinds.shape
    looks = [clutter.draw_scale_look(rng) for _ in range(int(rng.integers(1, 4)))]
    # Scales come off together: some prints have them strewn, some in drifts.
    drift = rng.uniform(0, 1, (3, 2)) * (cols, rows)
    gather = rng.uniform(0, 0.8)
    tears = rng.beta(1.2, 3)
    whole = 0
    for _ in range(plan.things["scale"]):
        x, y = rng.uniform(0, cols), rng.uniform(0, rows)
        if rng.random() < gather:
            x, y = drift[int(rng.integers(3))] + rng.normal(0, 90 / on.px_um, 2)
        look = looks[int(rng.integers(len(looks)))]
        kept = clutter.lay_scale(rng, on, look, float(x), float(y), bool(rng.random() < tears))
        whole += kept and margin < x < cols - margin and margin < y < rows - margin
    for _ in range(plan.things["flake"]):
        look = looks[int(rng.integers(len(looks)))]
        clutter.lay_flake(rng, on, look, rng.uniform(0, cols), rng.uniform(0, rows))
    for name in ("droplet", "pollen", "dust", "mould", "stub"):
        for _ in range(plan.things[name]):
            clutter.lay_thing(rng, on, name, rng.uniform(0, cols), rng.uniform(0, rows))
    return int(whole)


def _lay_spores(look: SporeLook, spores: Spores, below: int, low: Sheet) -> tuple[SporeSheet, Array]:
    """Lay the lower spores, dim them by the scales over them, and lay the upper ones; with what is left clear."""
    sheet = Sheet.bare((low.kinds.shape[0], low.kinds.shape[1]), low.px_um)
    on = SporeSheet(sheet, np.full(low.kinds.shape, -1, np.int32), np.zeros(low.kinds.shape, np.uint8))
    for k in range(below):
        lay_spore(on, look, spores, k)
    sheet.absorb *= low.clear[..., None]
    sheet.relief *= low.clear
    for k in range(below, len(spores.x)):
        lay_spore(on, look, spores, k)
    return on, np.where(on.owner < below, low.clear, 1).astype(np.float32)


def _reduce(layer: NDArray, fine: int) -> NDArray:
    """Shrink a layer of light by averaging, a layer of numbers by its middle pixel."""
    if fine == 1:
        return layer
    if layer.dtype == np.float32:
        size = (layer.shape[1] // fine, layer.shape[0] // fine)
        return np.asarray(cv2.resize(layer, size, interpolation=cv2.INTER_AREA))
    return layer[fine // 2 :: fine, fine // 2 :: fine]


def _truth(
    plan: Plan, phone: Phone, look: SporeLook, spores: Spores, fine: int, maps: dict[str, NDArray]
) -> tuple[SporeTruth, ...]:
    """Say what each spore shows in the finished photo; the maps have the margin, and are not yet bent.

    Contrast is not taken from how a spore was drawn: the same photo is lit once with and once without spores.
    """
    n, shape, owner = len(spores.x), phone.view.shape, maps["owner"]
    if not n:
        return ()
    lamp = np.pad((phone.light @ LUMA) * phone.view * np.float32(phone.exposure), MARGIN_PX, mode="edge")
    # What one sees is told from density, yet in the dark the steps of the file and the sensor's floor count.
    floor = np.float32(0.002)
    bare, full = (maps["without"] @ LUMA) * lamp + floor, (maps["with"] @ LUMA) * lamp + floor
    density = np.log10(bare / full)
    log_bare = np.log10(bare)
    span = (max(3, round(2 * look.length_um / plan.um_per_px)),) * 2
    rough = cv2.blur((log_bare - cv2.blur(log_bare, span)) ** 2, span)
    noise = phone.noise(bare) / np.maximum(bare, 1e-4) / np.float32(np.log(10))

    mine = owner >= 0
    who = owner[mine]
    pixels = np.maximum(np.bincount(who, minlength=n), 1)

    def mean(values: NDArray) -> NDArray[np.float64]:
        return np.asarray(np.bincount(who, values[mine].astype(float), minlength=n) / pixels)

    contrast = mean(density)
    strength = np.sqrt(mean(density**2))
    crowd = mean(maps["stack"])
    ground, grain = np.sqrt(np.maximum(mean(rough), 0)), mean(noise)
    inner = owner[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX]
    shown_px = np.bincount(inner[(phone.view > 0.5) & (inner >= 0)], minlength=n)
    groups = touching(spores, plan.um_per_px / fine)
    x, y = ((p + 0.5) / fine - 0.5 - MARGIN_PX for p in (spores.x, spores.y))
    result = []
    for k in range(n):
        length, wide = float(spores.length_um[k]), float(spores.width_um[k])
        col, row = round(float(x[k])), round(float(y[k]))
        place = tuple(np.clip((row + MARGIN_PX, col + MARGIN_PX), 0, np.array(owner.shape) - 1))
        area_px = look.area_um2(length, wide) / plan.um_per_px**2
        visible = float(min(1.0, shown_px[k] / area_px))
        blur = float(np.hypot(maps["blur_um"][place], plan.um_per_px / np.sqrt(12)))
        inside = 0 <= col < shape[1] and 0 <= row < shape[0] and phone.view[row, col] > 0.5
        on_scale = bool(maps["scaled"][place])
        # Noise averages out over a spore, texture of its own size does not.
        needed = max(0.075 if on_scale else 0.05, 0.9 * ground[k], 6 * grain[k] / np.sqrt(area_px))
        # In a pile, one must be able to follow most of the outline.
        followed = visible >= 0.5 if groups[k] < 4 else visible >= 0.6 and crowd[k] < 1.7
        countable = inside and followed and blur <= 0.22 * length and strength[k] >= needed
        # Spores that touch keep a gap between them only where the blur leaves one.
        countable = countable and (groups[k] < 4 or blur <= 0.16 * length)
        result.append(
            SporeTruth(
                x_px=float(x[k]),
                y_px=float(y[k]),
                length_um=length,
                width_um=wide,
                angle_deg=float(np.degrees(spores.angle[k]) % 180),
                visible=visible,
                blur_um=blur,
                contrast=float(contrast[k]),
                on_scale=on_scale,
                clump=int(groups[k]),
                countable=bool(countable),
            )
        )
    return tuple(result)


def draw_photo(
    rng: np.random.Generator,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str,
) -> SimulatedPhoto:
    """Draw a simulated photo of a tape print, with its truth.

    Parameters
    ----------
    rng : numpy.random.Generator
    width_px, height_px : int
    um_per_px, objective : float, optional
        Drawn where they are not given.
    preset : str
        One of `plan.PRESETS`.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    shape = (height_px, width_px)
    plan = draw_plan(rng, shape, um_per_px, objective, preset)
    fine = 2 if plan.um_per_px > 1.0 else 1
    whole = (height_px + 2 * MARGIN_PX, width_px + 2 * MARGIN_PX)
    px_um = plan.um_per_px / fine
    sheet = Sheet.bare((whole[0] * fine, whole[1] * fine), px_um)
    clutter.lay_ground(rng, sheet, plan.ground, plan.glue, plan.ruled)
    scales = _lay_low(rng, sheet, plan, MARGIN_PX * fine)
    look = draw_look(rng)
    spores = place_spores(rng, look, plan, MARGIN_PX * fine, (width_px * fine, height_px * fine), px_um)
    on, clear = _lay_spores(look, spores, round(plan.beneath * len(spores.x)), sheet)
    low_kinds, scaled = sheet.kinds.copy(), np.isin(sheet.kinds, (KIND["scale"], KIND["scale piece"]))
    sheet.kinds[:] = 0
    sheet.clear[:] = 1
    for name in ("hair", "fibre", "bubble"):
        for _ in range(plan.things[name]):
            x, y = rng.uniform(0, 1, 2) * sheet.kinds.shape[::-1]
            clutter.lay_thing(rng, sheet, name, float(x), float(y))
    # What one cannot see through hides a spore from the map and from its owner's share.
    owner = np.where(clear * sheet.clear > 0.4, on.owner, -1).astype(np.int32)
    kinds = np.where(owner >= 0, np.uint8(KIND["spore"]), np.where(sheet.kinds > 0, sheet.kinds, low_kinds))

    optics = microscope.draw_optics(rng, plan)
    phone = microscope.draw_phone(rng, shape, plan)
    focus_um = microscope.focus_map(rng, whole, plan)
    variance = microscope.variance_map(focus_um, plan, float(rng.uniform(0.2, 0.8)))
    fine_focus = (
        np.asarray(cv2.resize(focus_um, None, fx=fine, fy=fine), np.float32) if fine > 1 else focus_um
    )

    def seen(absorb: Array, relief: Array) -> Array:
        light = microscope.shine(absorb, relief, fine_focus, px_um, optics)
        return microscope.blur_by_map(_reduce(light, fine), variance / np.float32(plan.um_per_px**2))

    without = with_them = seen(sheet.absorb, sheet.relief)
    if len(spores.x):
        through = sheet.clear[..., None]
        with_them = seen(
            sheet.absorb + on.sheet.absorb * through, sheet.relief + on.sheet.relief * sheet.clear
        )
    maps = {name: _reduce(m, fine) for name, m in (("owner", owner), ("stack", on.stack), ("scaled", scaled))}
    maps |= {"blur_um": np.sqrt(variance), "without": without, "with": with_them}
    inner = (slice(MARGIN_PX, -MARGIN_PX),) * 2
    shown = microscope.through_lens(phone, with_them)[inner]
    kind_map = _reduce(kinds, fine)[inner]
    return SimulatedPhoto(
        rgb=microscope.develop(rng, shown, phone),
        um_per_px=plan.um_per_px,
        objective=plan.objective,
        spores=_truth(plan, phone, look, spores, fine, maps),
        kind_map=np.where(phone.view > 0.5, kind_map, 0).astype(np.uint8),
        scales=scales,
        notes={
            "style": "bending",
            "preset": preset,
            **{name: getattr(plan, name) for name in NOTED},
            "round_view": phone.round_view,
            "spore_colour": look.colour,
            "spore_length_um": look.length_um,
            **{f"laid_{name}": number for name, number in plan.things.items()},
        },
    )

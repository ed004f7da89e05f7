"""A whole photo, from the bare ground to the finished picture and its truth."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import SimulatedPhoto, SporeTruth
from tests.recipes.wanderer import things
from tests.recipes.wanderer.canvas import Array, Canvas
from tests.recipes.wanderer.ground import draw_ground
from tests.recipes.wanderer.phone import Phone, blur_by_map, develop, draw_phone, lamp_field, variance_map
from tests.recipes.wanderer.plan import Plan, draw_plan
from tests.recipes.wanderer.spores import (
    LUMA,
    SporeLook,
    Spores,
    draw_look,
    lay_spores,
    place_spores,
    touching,
)

MARGIN_PX = 16
"""Finished pixels around the view, so that blur and things cut by its edge look natural."""


def _size(rng: np.random.Generator, middle: float, spread: float, low: float, high: float) -> float:
    return float(np.clip(middle * np.exp(rng.normal(0, spread)), low, high))


def _lay_middle(rng: np.random.Generator, canvas: Canvas, plan: Plan, fine: float) -> int:
    """Scales and small things between the lower and the upper spores; the number of whole scales in the view."""
    rows, cols = canvas.kinds.shape
    edge = MARGIN_PX * fine
    looks = [things.draw_scale_look(rng) for _ in range(int(rng.integers(1, 4)))]
    whole = 0
    for _ in range(plan.things["scale"]):
        x, y = rng.uniform(0, cols), rng.uniform(0, rows)
        look = looks[int(rng.integers(len(looks)))]
        kept = things.lay_scale(rng, canvas, look, x, y)
        whole += kept and edge < x < cols - edge and edge < y < rows - edge
    for _ in range(plan.things["piece"]):
        look = looks[int(rng.integers(len(looks)))]
        piece_um = _size(rng, 14, 0.6, 4, 60)
        things.lay_scale(rng, canvas, look, rng.uniform(0, cols), rng.uniform(0, rows), piece_um)
    rounds = (
        ("dust", things.lay_dust, 2.5, 0.6, 0.8, 14.0),
        ("droplet", things.lay_droplet, 5.0, 0.5, 1.5, 22.0),
        ("pollen", things.lay_pollen, 9.0, 0.35, 4.5, 20.0),
    )
    for name, lay, middle, spread, low, high in rounds:
        for _ in range(plan.things[name]):
            radius = _size(rng, middle, spread, low, high)
            lay(rng, canvas, rng.uniform(0, cols), rng.uniform(0, rows), radius)
    return whole


def _lay_upper(rng: np.random.Generator, canvas: Canvas, plan: Plan) -> None:
    """Mould, threads and the tape's bubbles on top of everything."""
    rows, cols = canvas.kinds.shape
    for _ in range(plan.things["mould"]):
        things.lay_mould(rng, canvas, rng.uniform(0, cols), rng.uniform(0, rows))
    for name in ("hair", "fibre"):
        for _ in range(plan.things[name]):
            things.lay_thread(rng, canvas, rng.uniform(0, cols), rng.uniform(0, rows), name)
    for _ in range(plan.things["bubble"]):
        radius = _size(rng, 7, 0.6, 2, 60)
        things.lay_bubble(rng, canvas, rng.uniform(0, cols), rng.uniform(0, rows), radius)


def _truth(
    plan: Plan,
    phone: Phone,
    look: SporeLook,
    spores: Spores,
    canvas: Canvas,
    owner: NDArray[np.int32],
    picture: Array,
    variance_um2: Array,
    view: Array,
    fine: float,
    below: int,
) -> tuple[SporeTruth, ...]:
    """What each spore shows in the finished photo; `owner` is cut to the view.

    The first `below` spores lie beneath the scales.
    """
    rows, cols = view.shape
    number = len(spores.x)
    seen_px = np.bincount(owner[owner >= 0], minlength=number)
    groups = touching(spores, canvas.px_um)
    sigmas, shown = look.shown()
    luma = float((look.tint * LUMA).sum())
    height, width = canvas.scaled.shape
    result = []
    for k in range(number):
        x, y = (spores.x[k] + 0.5) / fine - 0.5 - MARGIN_PX, (spores.y[k] + 0.5) / fine - 0.5 - MARGIN_PX
        col, row = int(np.clip(round(x), 0, cols - 1)), int(np.clip(round(y), 0, rows - 1))
        length, wide = float(spores.length_um[k]), float(spores.width_um[k])
        area_um2 = look.area_um2(length, wide)
        visible = min(1.0, float(seen_px[k]) * canvas.px_um**2 / area_um2)
        # The last pixel averages over its own square as well.
        blur = float(np.sqrt(variance_um2[row, col] + spores.soft_um[k] ** 2 + plan.um_per_px**2 / 12))
        contrast = float(spores.strength[k] * luma * np.interp(blur, sigmas, shown))
        at = int(np.clip(spores.y[k], 0, height - 1)), int(np.clip(spores.x[k], 0, width - 1))
        on_scale = bool(canvas.scaled[at])
        if k < below:
            contrast *= float(canvas.clear[at])
        light = float(picture[row, col] @ LUMA) * phone.level
        pixels = area_um2 / plan.um_per_px**2
        # Noise averages out over a spore; a fixed share guards against ground texture and scale ridges.
        needed = max(0.1 if on_scale else 0.05, 5 * phone.noise_od(light) / np.sqrt(pixels))
        if light < 0.05:
            # Nearly black in the finished picture: steps of 8 bits and JPEG eat what the sensor saw.
            needed *= 3
        inside = -0.5 <= x <= cols - 0.5 and -0.5 <= y <= rows - 0.5 and view[row, col] > 0.5
        result.append(
            SporeTruth(
                x_px=float(x),
                y_px=float(y),
                length_um=length,
                width_um=wide,
                angle_deg=float(np.degrees(spores.angle[k]) % 180),
                visible=visible,
                blur_um=blur,
                contrast=contrast,
                on_scale=on_scale,
                clump=int(groups[k]),
                countable=bool(inside and visible >= 0.5 and blur <= 0.22 * length and contrast >= needed),
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
    fine = 1.5 if width_px * height_px > 500_000 else 2.0
    # Even sides, so that one and a half times is a whole number.
    coarse = tuple(n + 2 * MARGIN_PX + n % 2 for n in shape)
    size = (int(coarse[0] * fine), int(coarse[1] * fine))
    px_um = plan.um_per_px / fine
    canvas = Canvas(draw_ground(rng, size, px_um, plan), px_um, plan.from_above)
    look = draw_look(rng, plan)
    spores = place_spores(
        rng, look, plan, (MARGIN_PX * fine, MARGIN_PX * fine, width_px * fine, height_px * fine), px_um
    )
    below = round(plan.beneath * len(spores.x))
    lay_spores(canvas, look, spores, range(below))
    scales = _lay_middle(rng, canvas, plan, fine)
    lay_spores(canvas, look, spores, range(below, len(spores.x)))
    _lay_upper(rng, canvas, plan)

    clipped = np.clip(canvas.light, 0, 1.5)
    scene = np.asarray(cv2.resize(clipped, coarse[::-1], interpolation=cv2.INTER_AREA), np.float32)
    inner = (slice(MARGIN_PX, MARGIN_PX + height_px), slice(MARGIN_PX, MARGIN_PX + width_px))
    variance_um2 = variance_map(rng, (coarse[0], coarse[1]), plan)
    scene = blur_by_map(scene, variance_um2 / np.float32(plan.um_per_px**2))[inner]
    phone = draw_phone(rng, shape, plan)
    lamp, view = lamp_field(phone, shape)
    scene = scene * (lamp * view)[..., None]
    ys = ((np.arange(height_px) + MARGIN_PX + 0.5) * fine).astype(int)
    xs = ((np.arange(width_px) + MARGIN_PX + 0.5) * fine).astype(int)
    kinds = canvas.kinds[np.ix_(ys, xs)] * (view > 0.5)
    first = int(MARGIN_PX * fine)
    owner = canvas.owner[first : first + int(height_px * fine), first : first + int(width_px * fine)].copy()
    owner[cv2.resize(view, owner.shape[::-1], interpolation=cv2.INTER_NEAREST) < 0.5] = -1
    return SimulatedPhoto(
        rgb=develop(rng, scene, phone),
        um_per_px=float(plan.um_per_px),
        objective=plan.objective,
        spores=_truth(
            plan, phone, look, spores, canvas, owner, scene, variance_um2[inner], view, fine, below
        ),
        kind_map=kinds.astype(np.uint8),
        scales=int(scales),
        notes={
            "style": "wanderer",
            "preset": preset,
            "from_above": plan.from_above,
            "dim": plan.dim,
            "ground": plan.ground,
            "round_view": phone.round_view is not None,
            "defocus_um": plan.defocus_um,
            "tilt_um": plan.tilt_um,
            "spore_length_um": plan.length_um,
            "quality": phone.quality,
            **{f"laid_{name}": number for name, number in plan.things.items()},
        },
    )

"""A whole photo, from its plan to the stored picture and its truth."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.heights import bodies, phone
from sporecount.simulate.heights import spores as lemons
from sporecount.simulate.heights.plan import Array, Plan, draw_plan, height_map
from sporecount.simulate.heights.stage import Stage, draw_ground
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth

MARGIN_PX = 16
"""Finished pixels around the view, so that blur and things cut by its edge look natural."""
OUTLINE_SHARE = 0.55
"""In a group, this share of a spore's outline must show a step of light for it to be countable."""


def _lay_all(
    rng: np.random.Generator, stage: Stage, look: lemons.SporeLook, plan: Plan, fine: float
) -> tuple[lemons.Spores, int]:
    """Lay all things, the lowest first; the spores, and the whole scales in the view."""
    rows, cols = stage.shape
    edge = MARGIN_PX * fine
    looks = [bodies.draw_scale_look(rng) for _ in range(int(rng.integers(1, 5)))]
    beds = rng.uniform(0, 1, (plan.counts["scale"], 3)) * [cols, rows, 0] + [0, 0, 60 / stage.px_um]
    box = (edge, edge, cols - 2 * edge, rows - 2 * edge)
    spores = lemons.place_spores(rng, look, plan, box, stage.px_um, beds)
    for k in np.flatnonzero(spores.below):
        lemons.lay_spore(stage, look, spores, int(k))
    whole = 0
    for x, y, _ in beds:
        kept = bodies.lay_scale(rng, stage, looks[int(rng.integers(len(looks)))], x, y)
        whole += kept and edge < x < cols - edge and edge < y < rows - edge
    for _ in range(plan.counts["piece"]):
        size_um = float(np.clip(15 * np.exp(rng.normal(0, 0.6)), 4, 70))
        kind = looks[int(rng.integers(len(looks)))]
        bodies.lay_scale(rng, stage, kind, rng.uniform(0, cols), rng.uniform(0, rows), size_um)
    for name, kind_name in (("dust", "dust"), ("droplet", "other"), ("pollen", "pollen")):
        for _ in range(plan.counts[name]):
            blob = bodies.draw_blob(rng, name)
            bodies.lay_blob(rng, stage, blob, rng.uniform(0, cols), rng.uniform(0, rows), kind_name)
    for k in np.flatnonzero(~spores.below):
        lemons.lay_spore(stage, look, spores, int(k))
    for _ in range(plan.counts["mould"]):
        bodies.lay_mould(rng, stage, rng.uniform(0, cols), rng.uniform(0, rows))
    for name in ("hair", "fibre"):
        for _ in range(plan.counts[name]):
            bodies.lay_thread(rng, stage, rng.uniform(0, cols), rng.uniform(0, rows), name)
    for _ in range(plan.counts["bubble"]):
        blob = bodies.draw_blob(rng, "bubble")
        bodies.lay_blob(rng, stage, blob, rng.uniform(0, cols), rng.uniform(0, rows), "bubble")
    return spores, int(whole)


def _followed(
    spores: lemons.Spores,
    x: lemons.Numbers,
    y: lemons.Numbers,
    px: float,
    green: Array,
    blur_um: lemons.Numbers,
) -> Array:
    """Step of light, in optical density, across 20 places of each spore's outline: shape (n, 20)."""
    turn = np.linspace(0, 2 * np.pi, 20, endpoint=False)
    c, s = np.cos(spores.angle)[:, None], np.sin(spores.angle)[:, None]
    dark = np.log10(np.maximum(green, 1e-3))
    found = []
    for sign in (-1, 1):
        away = 1 + sign * np.clip(blur_um / spores.width_um, 0.12, 0.4)[:, None] * 1.5
        u = away * np.cos(turn) * spores.length_um[:, None] / 2 / px
        v = away * np.sin(turn) * spores.width_um[:, None] / 2 / px
        col = np.clip(np.rint(x[:, None] + u * c - v * s), 0, green.shape[1] - 1).astype(int)
        row = np.clip(np.rint(y[:, None] + u * s + v * c), 0, green.shape[0] - 1).astype(int)
        found.append(dark[row, col])
    return np.asarray(np.abs(found[1] - found[0]), np.float32)


def _truth(
    spores: lemons.Spores,
    stage: Stage,
    owner: NDArray[np.int32],
    shown: Array,
    variance: Array,
    view: Array,
    camera: phone.Phone,
    fine: float,
    full_um2: lemons.Numbers,
) -> tuple[SporeTruth, ...]:
    """Tell what each spore shows; `shown` is the blurred, lit scene, its last channel green without spores."""
    n, (rows, cols), px = len(spores.x), view.shape, stage.px_um * fine
    x, y = ((at + 0.5) / fine - 0.5 - MARGIN_PX for at in (spores.x, spores.y))
    col, row = np.clip(np.rint(x), 0, cols - 1).astype(int), np.clip(np.rint(y), 0, rows - 1).astype(int)
    lost = np.log10(np.maximum(shown[..., 3], 1e-4)) - np.log10(np.maximum(shown[..., 1], 1e-4))
    lost_fine = cv2.resize(lost, owner.shape[::-1], interpolation=cv2.INTER_LINEAR)
    mine = (owner >= 0) & (cv2.resize(view, owner.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0.5)
    who, seen_od = owner[mine], lost_fine[mine]
    number = np.bincount(who, minlength=n)
    safe = np.maximum(number, 1)
    contrast = np.bincount(who, seen_od, minlength=n) / safe
    striking = np.sqrt(np.bincount(who, seen_od**2, minlength=n) / safe)
    visible = np.minimum(1, number * stage.px_um**2 / full_um2)
    blur = np.sqrt(variance[row, col] + px**2 / 12)
    clump = lemons.touching(spores, stage.px_um)
    on_scale = stage.scaled[
        np.clip(spores.y, 0, stage.shape[0] - 1).astype(int),
        np.clip(spores.x, 0, stage.shape[1] - 1).astype(int),
    ]
    light = camera.exposed(shown[..., 1])[row, col]
    grain = camera.noise_od(light)
    # Noise averages out over a spore; the fixed share guards against ridges of scales and grain of paper.
    needed = np.maximum(np.where(on_scale, 0.07, 0.045), 6 * grain / np.sqrt(full_um2 / px**2))
    needed[light < 0.03] *= 3
    steps = _followed(spores, x, y, px, shown[..., 1], blur) > np.maximum(0.03, 1.2 * grain)[:, None]
    clear = (clump == 1) | (steps.mean(1) >= OUTLINE_SHARE)
    inside = (x >= -0.5) & (x <= cols - 0.5) & (y >= -0.5) & (y <= rows - 0.5) & (view[row, col] > 0.5)
    sure = inside & clear & (visible >= 0.5) & (blur <= 0.22 * spores.length_um) & (striking >= needed)
    turned = np.degrees(spores.angle) % 180
    outline = (x, y, spores.length_um, spores.width_um, turned)
    columns = (*outline, visible, blur, contrast, on_scale, clump, sure)
    return tuple(SporeTruth(*row) for row in zip(*(c.tolist() for c in columns), strict=True))


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

    Scale and objective are drawn where they are not given. An unknown preset raises ValueError.
    """
    shape = (height_px, width_px)
    plan = draw_plan(rng, shape, um_per_px, objective, preset)
    px = plan.um_per_px
    # Drawn finer than shown where a spore's wall would be lost.
    fine = 1.0 if px <= 0.45 else 1.5 if px <= 0.8 else 2.0
    # Even sides, so that one and a half times is a whole number.
    coarse = (height_px + 2 * MARGIN_PX + height_px % 2, width_px + 2 * MARGIN_PX + width_px % 2)
    size = (int(coarse[0] * fine), int(coarse[1] * fine))
    z_um = height_map(rng, coarse, plan)
    stage = Stage(draw_ground(rng, size, px / fine, plan), z_um, px / fine, plan)
    look = lemons.draw_look(rng, plan)
    spores, scales = _lay_all(rng, stage, look, plan, fine)
    inner = (slice(MARGIN_PX, MARGIN_PX + height_px), slice(MARGIN_PX, MARGIN_PX + width_px))
    variance = phone.variance_um2(z_um, plan)
    scene = np.asarray(cv2.resize(stage.finish(), coarse[::-1], interpolation=cv2.INTER_AREA), np.float32)
    scene = phone.blur_by_map(scene, variance / np.float32(px**2))[inner]
    camera = phone.draw_phone(rng, plan)
    lamp, view, is_round = phone.lamp_field(rng, shape, plan)
    scene = scene * (lamp * view)[..., None]
    camera = camera.meter(scene[..., 1])
    ys = ((np.arange(height_px) + MARGIN_PX + 0.5) * fine).astype(int)
    xs = ((np.arange(width_px) + MARGIN_PX + 0.5) * fine).astype(int)
    first = int(MARGIN_PX * fine)
    owner = stage.owner[first : first + int(height_px * fine), first : first + int(width_px * fine)]
    full_um2 = lemons.area_share(look) * spores.length_um * spores.width_um
    told = ("preset", "above", "condenser", "lamp", "ground", "dim", "z_mid_um", "z_tilt_um", "glue")
    notes = {"style": "heights", "round_view": is_round, "quality": camera.quality}
    notes |= {name: getattr(plan, name) for name in told} | {
        "core": look.core,
        "rim": look.rim,
        "bend": look.bend,
    }
    notes |= {f"laid_{name}": number for name, number in plan.counts.items()}
    return SimulatedPhoto(
        rgb=phone.develop(rng, scene[..., :3], camera),
        um_per_px=float(px),
        objective=float(plan.objective),
        spores=_truth(spores, stage, owner, scene, variance[inner], view, camera, fine, full_um2),
        kind_map=(stage.kinds[np.ix_(ys, xs)] * (view > 0.5)).astype(np.uint8),
        scales=scales,
        notes=notes,
    )

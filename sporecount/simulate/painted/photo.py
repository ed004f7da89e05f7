"""A whole photo, from the ground to the phone, and the verdict on every spore."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.painted.lemons import draw_look, outline, paint_spore, seat, touching
from sporecount.simulate.painted.litter import scatter, size_of
from sporecount.simulate.painted.paint import Canvas, place
from sporecount.simulate.painted.phone import Shot, shoot, to_photo, warp
from sporecount.simulate.painted.sitting import Sitting, draw_ground, draw_sitting
from sporecount.simulate.painted.wings import draw_sort, paint_piece, paint_scale, scale_outline
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth


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
        One of `sitting.PRESETS`; ValueError for another.

    Notes
    -----
    The map of kinds is distorted together with the picture, so that both agree with the places of the truth.
    """
    sitting = draw_sitting(rng, (height_px, width_px), um_per_px, objective, preset)
    px, extent = sitting.um_per_px, np.array([width_px, height_px])
    ground, ground_kind = draw_ground(rng, sitting)
    canvas = Canvas(ground, sitting.focus, px, float(rng.choice([1.0, 2.2])), bool(rng.random() < 0.6))
    sorts = [draw_sort(rng, sitting.from_above) for _ in range(int(rng.integers(2, 5)))]
    common = rng.dirichlet(np.full(len(sorts), 0.8))
    scales = []
    for x, y in rng.uniform(-0.02, 1.02, (sitting.things["scale"], 2)) * extent:
        sort = sorts[int(rng.choice(len(sorts), p=common))]
        scales.append((sort, scale_outline(rng, sort), float(x), float(y), float(rng.uniform(0, 6.3))))
    looks = draw_look(rng, sitting.from_above)
    spores = seat(rng, looks[0], sitting, [place(one[1] / px, *one[2:]) for one in scales])
    beneath = rng.random(len(spores)) < rng.uniform(0, 0.3)
    seen = np.zeros((len(spores), 4))

    def strew(numbers: NDArray) -> None:
        for k in numbers:
            seen[k] = paint_spore(rng, canvas, looks, spores[k], int(k), max(sitting.sharp_um / px, 0.3))

    strew(np.flatnonzero(beneath))
    whole = sum(paint_scale(rng, canvas, *one) for one in scales)
    for x, y in rng.uniform(0, 1, (sitting.things["piece"], 2)) * extent:
        sort = sorts[int(rng.integers(len(sorts)))]
        paint_piece(rng, canvas, sort, float(x), float(y), size_of(rng, 15, 0.55, 4, 70))
    for name in ("speck", "dust", "droplet"):
        scatter(rng, canvas, name, sitting.things[name])
    strew(np.flatnonzero(~beneath))
    for name in ("pollen", "mould", "hair end", "hair", "fibre", "fold", "bubble"):
        scatter(rng, canvas, name, sitting.things[name])
    shot = shoot(rng, np.clip(canvas.light, 0, 2) ** np.float32(2.2 / canvas.power), sitting)
    kinds = np.where(shot.in_view, warp(canvas.kinds, shot.bend), 0)
    # fmt: off
    return SimulatedPhoto(
        rgb=shot.rgb, um_per_px=float(px), objective=float(sitting.objective),
        spores=_judge(canvas, sitting, shot, looks[0]["point"], spores, seen),
        kind_map=kinds.astype(np.uint8), scales=int(whole),
        notes={
            "style": "painted", "preset": preset, "ground": ground_kind, "from_above": sitting.from_above,
            "dim": sitting.dim, "defocus_um": sitting.focus.middle_um, "tilt_um": list(sitting.focus.tilt_um),
            "spore_length_um": looks[0]["length_um"],
            **shot.notes,
            **{f"laid_{name}": number for name, number in sitting.things.items()},
        },
    )
    # fmt: on


def _judge(canvas: Canvas, sitting: Sitting, shot: Shot, point: float, spores: NDArray, seen: NDArray
           ) -> tuple[SporeTruth, ...]:  # fmt: skip
    """Tell for every spore that reaches into the photo how well it shows."""
    if len(spores) == 0:
        return ()
    rows, cols = sitting.shape
    owner = np.where(shot.in_view, warp(canvas.owner.astype(np.float32), shot.bend), -1).astype(int)
    mine = owner >= 0
    owned = np.bincount(owner[mine], minlength=len(spores))
    shows = np.bincount(owner[mine], warp(canvas.shows, shot.bend)[mine], len(spores))
    through = shows / np.maximum(owned, 1)
    at = to_photo(spores[:, :2], sitting.shape, shot.bend)
    groups = touching(spores)
    truths = []
    for k, (scene_x, scene_y, a, b, angle) in enumerate(spores):
        x, y = float(at[k, 0]), float(at[k, 1])
        if not (-a < x < cols - 1 + a and -a < y < rows - 1 + a):
            continue
        area = cv2.contourArea(outline(point, a, b).astype(np.float32))
        visible = min(float(owned[k]) / area, 1.0)
        length_um = float(2 * a * sitting.um_per_px)
        blur_um = math.hypot(shot.soft_px * sitting.um_per_px, float(seen[k, 3]))
        density, strength = (float(value) for value in seen[k, :2] * through[k])
        row, col = int(np.clip(round(y), 0, rows - 1)), int(np.clip(round(x), 0, cols - 1))
        # The eye averages over a spore, but it needs a few hundredths of density, and more on restless ground.
        piled = groups[k] > 3
        needed = max(
            0.04, 1.6 * shot.grain / math.sqrt(min(area, 40) / 10), (0.6 if piled else 0.45) * seen[k, 2]
        )
        inside = -0.5 <= x <= cols - 0.5 and -0.5 <= y <= rows - 0.5 and bool(shot.in_view[row, col])
        # In a pile more of the outline must be there, and sharper, to be followed.
        followed = visible >= (0.65 if piled else 0.5) and blur_um <= (0.17 if piled else 0.22) * length_um
        countable = bool(inside and followed and strength > needed and shot.rgb[row, col].max() > 14)
        scene_at = (int(np.clip(round(scene_y), 0, rows - 1)), int(np.clip(round(scene_x), 0, cols - 1)))
        one = SporeTruth(
            x_px=x, y_px=y, length_um=length_um, width_um=float(2 * b * sitting.um_per_px),
            angle_deg=float(np.degrees(angle) % 180), visible=visible, blur_um=blur_um, contrast=density,
            on_scale=bool(canvas.scale_here[scene_at]), clump=int(groups[k]), countable=countable,
        )  # fmt: skip
        truths.append(one)
    return tuple(truths)

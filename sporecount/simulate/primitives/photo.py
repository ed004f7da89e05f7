"""A whole photo: the ground, what lies on it from below to the top, the camera, and the truth of the spores."""

from __future__ import annotations

from functools import partial

import numpy as np

from sporecount.simulate.primitives import things
from sporecount.simulate.primitives.camera import Camera, blur_by_map, develop, lamp_and_view, variance_map
from sporecount.simulate.primitives.ground import LUMA, Array, Sheet, draw_ground
from sporecount.simulate.primitives.spores import Look, Spores, followed, lay_spores, place_spores, touching
from sporecount.simulate.primitives.style import Plan
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth

MARGIN_PX = 24
"""Around the view, so that blur and things cut by its edge look natural."""


def _spot(rng: np.random.Generator, sheet: Sheet) -> tuple[float, float]:
    rows, cols = sheet.kinds.shape
    return float(rng.uniform(0, cols)), float(rng.uniform(0, rows))


def _lay_scales(rng: np.random.Generator, sheet: Sheet, plan: Plan) -> int:
    """Whole and torn scales and their flakes; the number of whole scales whose middle is in the view."""
    rows, cols = sheet.kinds.shape
    looks = [things.ScaleLook(rng) for _ in range(int(rng.integers(1, 5)))]
    reach = 60 / plan.um_per_px
    mean = plan.covered * (rows + 2 * reach) * (cols + 2 * reach) * plan.um_per_px**2 / (150 * 70)
    whole = 0
    patch, patchy = np.array(_spot(rng, sheet)), rng.random() < 0.4
    for _ in range(min(rng.poisson(mean), 160)):
        x, y = rng.uniform(-reach, cols + reach), rng.uniform(-reach, rows + reach)
        if patchy and rng.random() < 0.6:
            x, y = patch + rng.normal(0, 90 / plan.um_per_px, 2)
        kept = things.lay_scale(rng, sheet, looks[int(rng.integers(len(looks)))], x, y)
        whole += kept > 0.7 and MARGIN_PX < x < cols - MARGIN_PX and MARGIN_PX < y < rows - MARGIN_PX
    for _ in range(plan.litter["flake"]):
        size = float(np.clip(7 * np.exp(rng.normal(0, 0.6)), 2, 45))
        things.lay_scale(rng, sheet, looks[int(rng.integers(len(looks)))], *_spot(rng, sheet), size)
    return int(whole)


def _lay_litter(rng: np.random.Generator, sheet: Sheet, plan: Plan, names: tuple[str, ...]) -> None:
    middle_um = {"dust": (2.2, 0.6), "droplet": (4.5, 0.45), "pollen": (10.0, 0.35), "bubble": (5.5, 0.7)}
    for name in names:
        for _ in range(plan.litter[name]):
            x, y = _spot(rng, sheet)
            if name in ("hair", "fibre"):
                things.lay_thread(rng, sheet, x, y, name, stub=rng.random() < 0.4)
            elif name == "mould":
                things.lay_mould(rng, sheet, x, y)
            else:
                middle, spread = middle_um[name]
                radius = float(np.clip(middle * np.exp(rng.normal(0, spread)), 0.7, 45))
                radius = max(radius, 5.5) if name == "pollen" else radius
                lay = things.lay_dust if name == "dust" else partial(things.lay_round, kind=name)
                lay(rng, sheet, x, y, radius)


def _truth(
    plan: Plan, camera: Camera, look: Look, spores: Spores, sheet: Sheet, frame: tuple[Array, Array, Array]
) -> tuple[SporeTruth, ...]:
    """Tell what each spore shows; `frame` holds the blur in um, light and round view without the margin."""
    blur_um, scene, view = frame
    rows, cols = view.shape
    inner = slice(MARGIN_PX, MARGIN_PX + rows), slice(MARGIN_PX, MARGIN_PX + cols)
    owner = sheet.owner[inner].copy()
    owner[view < 0.5] = -1
    seen = np.bincount(owner[owner >= 0], minlength=len(spores.x))
    at_x = np.clip(np.round(spores.x - MARGIN_PX), 0, cols - 1).astype(int)
    at_y = np.clip(np.round(spores.y - MARGIN_PX), 0, rows - 1).astype(int)
    blur = blur_um[at_y, at_x]
    groups = touching(look, spores, plan.um_per_px)
    outline = followed(look, spores, plan.um_per_px, blur)
    result = []
    for k in range(len(spores.x)):
        x, y = float(spores.x[k] - MARGIN_PX), float(spores.y[k] - MARGIN_PX)
        row, col = int(at_y[k]), int(at_x[k])
        length, width = float(spores.length_um[k]), float(spores.width_um[k])
        visible = min(1.0, float(seen[k] / max(1.0, spores.whole_px[k])))
        clear = float(sheet.clear[inner][row, col] / spores.clear[k])
        contrast = float(spores.contrast[k]) * min(1.0, clear)
        on_scale = bool(sheet.scaled[inner][row, col])
        light = float(scene[row, col] @ LUMA)
        pixels = length * width / plan.um_per_px**2
        # Noise averages out over a spore; the fixed part stands for the texture of ground and scales.
        needed = max(0.09 if on_scale else 0.05, 6 * camera.noise_od(light) / np.sqrt(pixels))
        needed *= 3 if light < 0.04 else 1
        inside = -0.5 <= x <= cols - 0.5 and -0.5 <= y <= rows - 0.5 and view[row, col] > 0.5
        sharp = blur[k] <= (0.22 if groups[k] < 2 else 0.19) * length
        plain = inside and visible >= 0.5 and sharp and contrast >= needed and outline[k] >= 0.55
        result.append(
            SporeTruth(
                x_px=x,
                y_px=y,
                length_um=length,
                width_um=width,
                angle_deg=float(np.degrees(spores.angle[k]) % 180) % 180,
                visible=visible,
                blur_um=float(blur[k]),
                contrast=contrast,
                on_scale=on_scale,
                clump=int(groups[k]),
                countable=bool(plain),
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
        One of `style.PRESETS`.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    plan = Plan(rng, (height_px, width_px), um_per_px, objective, preset)
    shape = (height_px + 2 * MARGIN_PX, width_px + 2 * MARGIN_PX)
    inner = slice(MARGIN_PX, MARGIN_PX + height_px), slice(MARGIN_PX, MARGIN_PX + width_px)
    solid = float(rng.uniform(0.55, 0.9) if plan.from_above else rng.uniform(0, 0.12))
    sheet = Sheet(draw_ground(rng, shape, plan.um_per_px, plan.ground), plan.um_per_px, solid)
    variance_um2 = variance_map(rng, shape, plan)
    look = Look(rng, plan)
    spores = place_spores(rng, look, plan, (MARGIN_PX, MARGIN_PX, shape[1] - MARGIN_PX, shape[0] - MARGIN_PX))
    below = round(plan.beneath * len(spores.x))
    lay_spores(rng, sheet, look, spores, range(below), variance_um2)
    scales = _lay_scales(rng, sheet, plan)
    _lay_litter(rng, sheet, plan, ("dust", "droplet", "pollen"))
    lay_spores(rng, sheet, look, spores, range(below, len(spores.x)), variance_um2)
    _lay_litter(rng, sheet, plan, ("mould", "hair", "fibre", "bubble"))

    variance_px2 = variance_um2 / np.float32(plan.um_per_px**2)
    scene = blur_by_map(np.clip(sheet.light, 0, 1.6), variance_px2, plan.disc)[inner]
    lamp, view, is_round = lamp_and_view(rng, (height_px, width_px), plan)
    scene = scene * (lamp * view)[..., None]
    # The last pixel averages over its own square as well.
    blur_um = np.sqrt(variance_um2[inner] + plan.um_per_px**2 / 12)
    camera = Camera(rng, (height_px, width_px), plan)
    notes = {
        "style": "primitives",
        "painter": look.painter,
        "round_view": is_round,
        "quality": camera.quality,
    }
    return SimulatedPhoto(
        rgb=develop(rng, scene, camera),
        um_per_px=float(plan.um_per_px),
        objective=plan.objective,
        spores=_truth(plan, camera, look, spores, sheet, (blur_um, scene, view)),
        kind_map=(sheet.kinds[inner] * (view > 0.5)).astype(np.uint8),
        scales=scales,
        notes={**vars(plan), **notes},
    )

"""A whole photo: the sheets filled, blurred one by one, multiplied, lit and developed; and its truth."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.depths import debris
from sporecount.simulate.depths.phone import Phone, develop, draw_phone, lamp_field
from sporecount.simulate.depths.plan import Plan, draw_plan
from sporecount.simulate.depths.sheets import LUMA, SHEETS, Array, Canvas, blur_by_map
from sporecount.simulate.depths.spores import SporeLook, Spores, draw_look, lay_spores, place_spores, touching
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth

Rng = np.random.Generator
Focus = dict[str, Array]
Box = tuple[slice, slice]
MARGIN_UM = 13.0
"""Around the view, so that blur and things cut by its edge look natural and no spore leaves the canvas."""


def draw_focus(rng: Rng, plan: Plan, shape: tuple[int, int]) -> Focus:
    """Draw each sheet's defocus over the canvas, um of blur: a tilted, bulging plane at its depth."""
    yy, xx = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    way = rng.uniform(0, 2 * np.pi)
    plane = plan.defocus_um + plan.tilt_um * 0.7 * (xx * np.cos(way) + yy * np.sin(way))
    plane = plane + 0.3 * plan.tilt_um * rng.normal() * (xx**2 + yy**2 - 0.6)
    gap = float(rng.uniform(0.0, 0.4) if plan.preset == "good_focus" else rng.uniform(0.1, 0.7))
    deep = float(rng.uniform(0.3, 1.0) if plan.ground == "glass" else rng.uniform(1.5, 8.0))
    above = float(rng.uniform(0.2, 1.0) if rng.random() < 0.6 else rng.uniform(1.0, 4.0))
    offsets = {"ground": -deep, "under": -gap, "scales": -gap / 2, "upper": 0.0, "tape": above}
    # Beyond this nothing can be told any more, and wider discs cost time.
    widest = min(9.0, 14 * plan.um_per_px)
    return {k: np.minimum(np.abs(plane + off), widest).astype(np.float32) for k, off in offsets.items()}


def _fill(rng: Rng, canvas: Canvas, plan: Plan, spores: Spores, look: SporeLook, focus: Focus) -> int:
    """Lay everything from the ground up; the number of whole scales."""
    debris.lay_ground(rng, canvas, plan)
    looks = [debris.draw_scale_look(rng) for _ in range(int(rng.integers(1, 4)))]
    pick = rng.integers(len(looks), size=plan.things["scale"])
    whole = sum(debris.lay_scale(rng, canvas, looks[k]) for k in pick)
    for _ in range(plan.things["piece"]):
        size = float(np.clip(8 * np.exp(rng.normal(0, 0.6)), 3, 50))
        debris.lay_scale(rng, canvas, looks[int(rng.integers(len(looks)))], size)
    count = len(spores.x)
    below = round(plan.beneath * count)
    sharp_um = np.float32(plan.objective_blur_um)
    lay_spores(canvas, look, spores, range(below), "under", np.hypot(focus["under"], sharp_um))
    # Spores fall on dirt and dirt on spores: half of it comes before them.
    first = {name: plan.things[name] // 2 for name in debris.LAYERS}
    for name, number in first.items():
        for _ in range(number):
            debris.LAYERS[name](rng, canvas)
    lay_spores(canvas, look, spores, range(below, count), "upper", np.hypot(focus["upper"], sharp_um))
    for name, number in first.items():
        for _ in range(plan.things[name] - number):
            debris.LAYERS[name](rng, canvas)
    for name in ("hair",) * plan.things["hair"] + ("fibre",) * plan.things["fibre"]:
        debris.lay_thread(rng, canvas, name)
    for _ in range(plan.things["bubble"]):
        debris.lay_bubble(rng, canvas)
    return whole


def _truth(
    plan: Plan, phone: Phone, spores: Spores, canvas: Canvas, focus: Focus, inner: Box, pictures: list[Array]
) -> tuple[SporeTruth, ...]:
    """Tell what each spore shows; `pictures` of the view: its light, what the eyepiece shows, roughness."""
    light, view, rough = pictures
    (rows, cols), margin = view.shape, inner[0].start
    owner = np.where(view > 0.5, canvas.owner[inner], -1)
    seen_px = np.bincount(owner[owner >= 0], minlength=len(spores.x))
    groups, followed = touching(spores, canvas.px_um)
    below = round(plan.beneath * len(spores.x))
    blurs = {name: np.hypot(focus[name][inner], plan.objective_blur_um) for name in ("under", "upper")}
    mean_light = light.mean()
    result = []
    for k in range(len(spores.x)):
        x, y = float(spores.x[k]) - margin, float(spores.y[k]) - margin
        at = int(np.clip(round(y), 0, rows - 1)), int(np.clip(round(x), 0, cols - 1))
        length, width = float(spores.length_um[k]), float(spores.width_um[k])
        visible = min(1.0, float(seen_px[k]) / float(spores.drawn_px[k]))
        # A pixel averages over its own square, too.
        sheet_um = blurs["under" if k < below else "upper"][at]
        blur = float(np.linalg.norm([sheet_um, spores.soft_um[k], plan.um_per_px / np.sqrt(12)]))
        # Stray light lifts the dark more than the bright.
        both = float(light[at]) * np.array([10 ** float(spores.contrast[k]), 1.0])
        kept = (1 - phone["glare"]) * both + phone["glare"] * float(mean_light) + 1e-6
        contrast = float(np.log10(kept[0] / kept[1]))
        pixels = 0.7 * length * width / plan.um_per_px**2
        level = float(kept[1]) * phone["level"]
        needed = max(0.065, 7 * phone.noise_od(level) / np.sqrt(pixels), min(0.16, float(rough[at])))
        soft = blur / length
        needed *= 1 + 8 * max(0.0, soft - 0.1)  # a soft smudge must be the plainer to be called a spore
        if level < 0.03:
            needed *= 2  # nearly black: steps of 8 bits and JPEG eat what the sensor saw
        inside = -0.5 <= x <= cols - 0.5 and -0.5 <= y <= rows - 0.5 and view[at] > 0.5
        # In a pile the outline must be followed for the most part, and the more so the less sharp it is.
        on_scale = bool(canvas.scaled[at[0] + margin, at[1] + margin])
        alone = groups[k] == 1 or followed[k] >= 0.55 + 2.5 * max(0.0, soft - 0.08) + 0.1 * on_scale
        clear = visible >= 0.5 and soft <= 0.22 and contrast >= needed
        angle = float(np.degrees(spores.angle[k]) % 180)
        shown = (visible, blur, contrast, on_scale, int(groups[k]))
        result.append(SporeTruth(x, y, length, width, angle, *shown, bool(inside and alone and clear)))
    return tuple(result)


def _roughness(bare: Array, plan: Plan) -> Array:
    """How much the view without spores varies over the size of a spore, as optical density."""
    density = -np.log10(np.clip(bare, 1e-3, None))
    fine, wide = 1.6 / plan.um_per_px, 7 / plan.um_per_px
    band = cv2.GaussianBlur(density, (0, 0), fine) - cv2.GaussianBlur(density, (0, 0), wide)
    return np.asarray(np.sqrt(cv2.GaussianBlur(band**2, (0, 0), wide / 2)), np.float32)


def _top_light(rng: Rng, scene: Array, canvas: Canvas) -> Array:
    """Light from above: raised things throw a soft shadow to one side and shine on the other."""
    height = cv2.GaussianBlur((canvas.kinds > 1).astype(np.float32), (0, 0), 2.5 / canvas.px_um)
    way, far = rng.uniform(0, 2 * np.pi), 2.0 / canvas.px_um
    matrix = np.array([[1, 0, far * np.cos(way)], [0, 1, far * np.sin(way)]])
    size = height.shape[::-1]
    moved = cv2.warpAffine(height, matrix, size, borderMode=cv2.BORDER_REPLICATE)
    relief = rng.uniform(0.1, 0.35) * (height - moved)
    lit = scene * (1 + relief)[..., None] + 0.25 * np.clip(relief, 0, None)[..., None]
    return np.asarray(lit, np.float32)


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
        For a preset that there is not, or a scale that is not a positive number.
    """
    shape = (height_px, width_px)
    plan = draw_plan(rng, shape, um_per_px, objective, preset)
    margin = int(np.ceil(MARGIN_UM / plan.um_per_px)) + 2
    whole_shape = (height_px + 2 * margin, width_px + 2 * margin)
    canvas = Canvas(whole_shape, plan.um_per_px, plan.from_above)
    focus = draw_focus(rng, plan, whole_shape)
    look = draw_look(rng, plan)
    spores = place_spores(rng, look, plan, margin, shape)
    scales = _fill(rng, canvas, plan, spores, look, focus)

    inner = (slice(margin, margin + height_px), slice(margin, margin + width_px))
    scene = np.ones((*whole_shape, 3), np.float32)
    bare = np.ones(whole_shape, np.float32)
    for name in SHEETS:
        if name in ("under", "upper") and not (canvas.sheets[name] != 1).any():
            continue
        defocus_px = focus[name] / np.float32(plan.um_per_px)
        passed = np.clip(canvas.sheets[name], 0, 1.6)
        blurred = blur_by_map(passed, plan.objective_blur_um / plan.um_per_px, defocus_px)
        scene *= blurred
        if name not in ("under", "upper"):
            bare *= blurred @ LUMA
    if plan.from_above:
        scene = _top_light(rng, scene, canvas)
    scene, bare = scene[inner], bare[inner]
    phone = draw_phone(rng, plan)
    lamp, view = lamp_field(rng, phone, shape)
    scene = scene * (lamp * view)[..., None]
    pictures = [scene @ LUMA, view, _roughness(bare, plan)]
    truth = _truth(plan, phone, spores, canvas, focus, inner, pictures)
    told = ("preset", "from_above", "dim", "ground", "glue", "defocus_um", "tilt_um", "beneath")
    notes = {"style": "depths", "look": look.name, "spore_length_um": look.length_um}
    notes |= {"round_view": phone["view"] > 0}
    notes |= {name: getattr(plan, name) for name in told} | {"quality": int(phone["quality"])}
    notes |= {f"laid_{name}": number for name, number in plan.things.items()}
    kinds = np.where(view > 0.5, canvas.kinds[inner], 0).astype(np.uint8)
    rgb = develop(rng, scene, phone)
    return SimulatedPhoto(rgb, plan.um_per_px, plan.objective, truth, kinds, scales, notes)

"""A whole photo, from the ground up to the finished picture and its truth."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from sporecount.simulate.curves import spores as lemons
from sporecount.simulate.curves import things
from sporecount.simulate.curves.functions import Array, draw_ground
from sporecount.simulate.curves.phone import Phone, blur_by_map, develop, draw_phone, focus_maps, lamp_field
from sporecount.simulate.curves.plan import Plan, Rng, draw_plan
from sporecount.simulate.curves.spores import LUMA, Floats, SporeLook, Spores
from sporecount.simulate.curves.things import Canvas
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth


def _scale_places(rng: Rng, plan: Plan, shape: tuple[int, int], px_um: float) -> Floats:
    """Centres of scales on the canvas: some strewn, some in drifts where they overlap."""
    n = plan.things["scale"]
    places = rng.uniform(-40 / px_um, 40 / px_um, (n, 2)) + rng.uniform(0, 1, (n, 2)) * shape[::-1]
    drift = rng.uniform(0, 0.8)
    for k in range(1, n):
        if rng.random() < drift:
            places[k] = places[rng.integers(k)] + rng.normal(0, 80 / px_um, 2)
    return places


def _lay_things(rng: Rng, canvas: Canvas, plan: Plan, spots: Floats, margin: int) -> int:
    """Lay scales and the small things that lie among them; the number of whole scales in the view."""
    rows, cols = canvas.kinds.shape
    looks = [things.ScaleLook(rng) for _ in range(int(rng.integers(1, 5)))]
    whole = 0
    for x, y in spots:
        kept = things.lay_scale(rng, canvas, looks[int(rng.integers(len(looks)))], x, y)
        whole += kept and margin <= x < cols - margin and margin <= y < rows - margin
    for _ in range(plan.things["piece"]):
        look = looks[int(rng.integers(len(looks)))]
        piece_um = float(np.clip(16 * np.exp(rng.normal(0, 0.6)), 5, 60))
        things.lay_scale(rng, canvas, look, rng.uniform(0, cols), rng.uniform(0, rows), piece_um)
    for name in things.SMALL_UM:
        for _ in range(plan.things[name]):
            things.lay_small(rng, canvas, rng.uniform(0, cols), rng.uniform(0, rows), name)
    return int(whole)


def _truth(
    phone: Phone,
    look: SporeLook,
    spores: Spores,
    canvas: Canvas,
    maps: Sequence[Array],
    rough: float,
    margin: int,
) -> tuple[SporeTruth, ...]:
    """Tell what each spore shows in the finished photo.

    `maps` are: the topmost spore of each canvas pixel (-1 where none is or the view does not reach), blur in um,
    finished linear light, the view (0 to 1); per spore, contrast and root mean square of what shows. `rough` is
    the spread of the ground's density at the size of spores and below.
    """
    owner, blur_um, lit, view, contrast, shown = maps
    rows, cols = (n - 2 * margin for n in owner.shape)
    number = len(spores.x)
    mine = owner >= 0
    seen = np.bincount(owner[mine], minlength=number)
    piled = np.bincount(owner[mine], weights=canvas.layers[mine], minlength=number) / np.maximum(seen, 1)
    groups = lemons.touching(look, spores, canvas.px_um)
    at = np.stack([spores.x, spores.y], axis=1)
    rim = (
        lemons.outline(look, spores.length_um, spores.width_um, spores.angle, 0.94) / canvas.px_um
        + at[:, None]
    )
    rim_x = np.clip(np.round(rim[..., 0]).astype(int), 0, owner.shape[1] - 1)
    rim_y = np.clip(np.round(rim[..., 1]).astype(int), 0, owner.shape[0] - 1)
    own = owner[rim_y, rim_x] == np.arange(number)[:, None]
    followed = (own & (canvas.layers[rim_y, rim_x] < 3)).mean(axis=1)
    result = []
    for k in range(number):
        x, y = float(spores.x[k] - margin), float(spores.y[k] - margin)
        col, row = int(np.clip(round(x), 0, cols - 1)), int(np.clip(round(y), 0, rows - 1))
        spot = row + margin, col + margin
        length, width = float(spores.length_um[k]), float(spores.width_um[k])
        visible = min(1.0, float(seen[k]) / max(canvas.laid.get(k, 1), 1))
        blur = float(np.hypot(blur_um[spot], spores.soft_um[k]))
        on_scale = bool(canvas.scaled[spot])
        pixels = max(canvas.laid.get(k, 1), 1)
        light = float(lit[spot])
        # Noise averages out over a spore; ground texture, scale ridges and 8-bit steps in the dark do not.
        noise = 5 * phone.noise_density(light) / np.sqrt(pixels)
        needed = max(0.09 if on_scale else 0.05, noise, 1.5 * rough)
        # On dark or stacked scales ridges show more than the spore does.
        needed *= 3 if light < 0.04 else 2 if on_scale and light < 0.14 else 1
        inside = -0.5 <= x <= cols - 0.5 and -0.5 <= y <= rows - 0.5 and view[spot] > 0.5
        good = contrast[k] >= 0.03 and shown[k] >= needed
        clear = groups[k] == 1 or (followed[k] >= 0.55 and piled[k] < 2.1)
        result.append(
            SporeTruth(
                x_px=x,
                y_px=y,
                length_um=length,
                width_um=width,
                angle_deg=float(np.degrees(spores.angle[k]) % 180),
                visible=visible,
                blur_um=blur,
                contrast=float(contrast[k]),
                on_scale=on_scale,
                clump=int(groups[k]),
                countable=bool(inside and clear and visible >= 0.5 and blur <= 0.22 * length and good),
            )
        )
    return tuple(result)


def draw_photo(
    rng: Rng,
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
    plan = draw_plan(rng, (height_px, width_px), um_per_px, objective, preset)
    px_um = plan.um_per_px
    # Room for a whole spore beyond the edge, and for blur.
    margin = int(np.ceil(14 / px_um)) + 6
    shape = (height_px + 2 * margin, width_px + 2 * margin)
    inner = (slice(margin, margin + height_px), slice(margin, margin + width_px))
    phone = draw_phone(rng, shape, plan)
    soft_px = float(rng.uniform(0.45, 0.8))
    focus, variance_um2 = focus_maps(rng, shape, plan)
    variance_um2 += np.float32((soft_px * px_um) ** 2)
    # The pixel's own square blurs as well.
    blur_um = np.sqrt(variance_um2 + np.float32(px_um**2 / 12))

    ground = draw_ground(rng, shape, px_um, plan)
    # Texture is judged on pixels of about 1 um, as blur would leave it.
    small = cv2.resize(ground @ LUMA, None, fx=min(1, px_um), fy=min(1, px_um), interpolation=cv2.INTER_AREA)
    density = np.log10(np.maximum(cv2.GaussianBlur(small, (0, 0), 0.8), 0.01))
    rough = float((density - cv2.GaussianBlur(density, (0, 0), 8 / max(1, px_um))).std())
    canvas = Canvas(ground, px_um, plan.top_light)
    for _ in range(plan.things["ruled line"]):
        things.lay_thread(rng, canvas, rng.uniform(0, shape[1]), rng.uniform(0, shape[0]), "ruled line")
    spots = _scale_places(rng, plan, shape, px_um)
    look = lemons.draw_look(rng, plan)
    spores = lemons.place_spores(rng, look, plan, (margin, margin, width_px, height_px), px_um, spots)
    number = len(spores.x)
    below = round(plan.beneath * number)
    order = rng.permutation(number)
    contrast, shown = lemons.lay_spores(canvas, look, spores, order[:below], focus, blur_um)
    scales = _lay_things(rng, canvas, plan, spots, margin)
    if plan.top_light:
        # An opaque scale shows nothing of what lies below.
        at = np.stack([spores.y, spores.x]).astype(int).clip(0, np.array(shape)[:, None] - 1)
        hidden = canvas.scaled[at[0], at[1]]
        contrast, shown = np.where(hidden, 0.1 * contrast, contrast), np.where(hidden, 0.1 * shown, shown)
    above = lemons.lay_spores(canvas, look, spores, order[below:], focus, blur_um)
    contrast, shown = contrast + above[0], shown + above[1]
    for name in ("mould", "fibre", "hair end", "hair"):
        for _ in range(plan.things[name]):
            x, y = rng.uniform(0, shape[1]), rng.uniform(0, shape[0])
            if name == "mould":
                things.lay_mould(rng, canvas, x, y)
            else:
                things.lay_thread(rng, canvas, x, y, name)

    light = blur_by_map(np.clip(canvas.light, 0, 1.5), variance_um2 / np.float32(px_um**2))
    lamp, view = lamp_field(rng, phone, shape)
    light *= (lamp * view)[..., None]
    owner = canvas.owner.copy()
    outside = np.ones(shape, bool)
    outside[inner] = view[inner] < 0.5
    owner[outside] = -1
    kinds = canvas.kinds[inner] * (view[inner] > 0.5)
    finished = light @ LUMA * np.float32(phone.level)
    maps = (owner, blur_um, finished, view, contrast, shown)
    return SimulatedPhoto(
        rgb=develop(rng, light[inner], phone),
        um_per_px=px_um,
        objective=plan.objective,
        spores=_truth(phone, look, spores, canvas, maps, rough, margin),
        kind_map=kinds.astype(np.uint8),
        scales=scales,
        notes={
            "style": "curves",
            "preset": preset,
            "from_above": plan.top_light,
            "dim": plan.dim,
            "ground": plan.ground,
            "round_view": plan.round_view,
            "defocus_um": plan.defocus_um,
            "tilt_um": plan.tilt_um,
            "spore_length_um": plan.length_um,
            "quality": phone.quality,
            **{f"laid_{name}": n for name, n in plan.things.items()},
        },
    )

"""A whole photo, from the bare ground to the finished picture and its truth."""

from __future__ import annotations

import numpy as np

from sporecount.simulate.outlines import camera, things
from sporecount.simulate.outlines import spores as lemons
from sporecount.simulate.outlines.fields import LUMA, Array, Sheet
from sporecount.simulate.outlines.style import HouseStyle, draw_style
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth

MARGIN_PX = 16
"""Pixels drawn around the view, so that blur and things cut by its edge look natural."""
Laid = tuple[lemons.SporeLook, lemons.Spores, int]
"""The look, all spores, and how many of them, the first ones, lie beneath the scales."""
FOLLOWED = 0.6
"""Least share of the outline of a spore in a pile that must be on top for it to be counted."""


def _lay_scales(rng: np.random.Generator, sheet: Sheet, style: HouseStyle) -> int:
    """Scales and pieces of the same kinds; the number of whole scales in the view."""
    looks = [things.draw_scale_look(rng, style) for _ in range(int(rng.integers(1, 5)))]
    rows, cols = sheet.kinds.shape
    whole = 0
    for n in range(style.counts["scale"] + style.counts["piece"]):
        x, y, look = rng.uniform(0, cols), rng.uniform(0, rows), looks[int(rng.integers(len(looks)))]
        if n >= style.counts["scale"]:
            things.lay_piece(rng, sheet, style, look, x, y)
        elif things.lay_scale(rng, sheet, style, look, x, y):
            whole += MARGIN_PX <= x < cols - MARGIN_PX and MARGIN_PX <= y < rows - MARGIN_PX
    return whole


def _lay_each(rng: np.random.Generator, sheet: Sheet, style: HouseStyle, names: tuple[str, ...]) -> None:
    rows, cols = sheet.kinds.shape
    for name in names:
        for _ in range(style.counts[name]):
            things.LAY[name](rng, sheet, style, rng.uniform(0, cols), rng.uniform(0, rows))


def _truth(
    sheet: Sheet, phone: camera.Phone, texture: float, laid: Laid, cuts: tuple[Array, Array, Array, Array]
) -> tuple[SporeTruth, ...]:
    """Say what each spore shows in the finished photo.

    `cuts` are scene, variance of blur, view and owner, all cut to the view.
    """
    (look, spores, below), (scene, variance_um2, view, owner) = laid, cuts
    rows, cols = view.shape
    px = sheet.px_um
    number = len(spores.x)
    if number == 0:
        return ()
    seen_px = np.bincount(owner[owner >= 0], minlength=number)
    followed = lemons.outline_seen(sheet, look, spores)
    groups = lemons.touching(spores, px)
    means, squares = look.shown(max(sheet.edge_um, min(px, 0.6)), sheet.strength)
    # The phone's smoothing, where it is strong, is blur like any other.
    phone_um2 = phone.smooth * (phone.smooth_px * px) ** 2 + px**2 / 12
    result = []
    for k in range(number):
        x, y = float(spores.x[k] - MARGIN_PX), float(spores.y[k] - MARGIN_PX)
        col, row = int(np.clip(round(x), 0, cols - 1)), int(np.clip(round(y), 0, rows - 1))
        at = (row + MARGIN_PX, col + MARGIN_PX)
        length, width = float(spores.length_um[k]), float(spores.width_um[k])
        area_px = look.area_um2(length, width) / px**2
        blur = float(np.sqrt(variance_um2[row, col] + phone_um2))
        clear = float(sheet.clear[at]) if k < below else 1.0
        # Stray light washes out density, the more the darker the place is.
        near = scene[max(0, row - 9) : row + 10, max(0, col - 9) : col + 10]
        around = max(float(np.median(near @ LUMA)), 1e-3)
        washed = around / (around + phone.flare * phone.level)
        gain = float(spores.gain[k]) * clear * washed
        contrast = gain * float(np.interp(blur, lemons.SIGMAS_UM, means))
        told = gain * float(np.interp(blur, lemons.SIGMAS_UM, squares))
        on_scale = bool(sheet.scaled[at])
        grain = 6 * phone.noise_density(around) / np.sqrt(area_px)
        needed = max(0.1 if on_scale else 0.05, grain, 2 * texture * washed)
        if around < 0.04:
            # Nearly black in the finished picture: 8 bits and JPEG eat what the sensor saw.
            needed *= 3
        visible = min(1.0, float(seen_px[k]) / area_px)
        inside = -0.5 <= x <= cols - 0.5 and -0.5 <= y <= rows - 0.5 and view[row, col] > 0.5
        lies_open = groups[k] == 1 or (followed[k] >= FOLLOWED and sheet.layers[at] <= 3)
        countable = inside and visible >= 0.5 and blur <= 0.22 * length and told >= needed and lies_open
        angle, clump = float(np.degrees(spores.angle[k]) % 180), int(groups[k])
        outline = (x, y, length, width, angle)
        result.append(SporeTruth(*outline, visible, blur, contrast, on_scale, clump, bool(countable)))
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

    `um_per_px` and `objective` are drawn where they are not given; a preset outside `style.PRESETS` raises a
    ValueError.
    """
    shape = (height_px, width_px)
    style = draw_style(rng, shape, um_per_px, objective, preset)
    whole = (height_px + 2 * MARGIN_PX, width_px + 2 * MARGIN_PX)
    ground, texture = camera.draw_ground(rng, whole, style)
    sheet = Sheet(ground, style.um_per_px, style.edge_um, 1.4 if style.from_above else 1.0)
    look = lemons.draw_look(rng, style)
    spores = lemons.place_spores(rng, look, style, MARGIN_PX, shape)
    below = round(style.crowding[2] * len(spores.x))
    lemons.lay_spores(rng, sheet, look, spores, range(below))
    scales = _lay_scales(rng, sheet, style)
    _lay_each(rng, sheet, style, ("dust", "mould", "pollen", "droplet"))
    lemons.lay_spores(rng, sheet, look, spores, range(below, len(spores.x)))
    # Threads and the tape's bubbles lie on top of everything.
    _lay_each(rng, sheet, style, ("hair", "fibre", "bubble"))

    inner = (slice(MARGIN_PX, MARGIN_PX + height_px), slice(MARGIN_PX, MARGIN_PX + width_px))
    variance_um2 = camera.variance_map(rng, whole, style)
    scene = camera.blur_by_map(np.clip(sheet.light, 0, 1.5), variance_um2 / np.float32(style.um_per_px**2))[
        inner
    ]
    phone = camera.draw_phone(rng, style)
    lamp, view = camera.lamp_field(phone, shape)
    scene = np.asarray(scene * lamp * view[..., None], np.float32)
    owner = np.where(view > 0.5, sheet.owner[inner], -1)
    cuts = (scene, variance_um2[inner], view, owner)
    return SimulatedPhoto(
        rgb=camera.develop(rng, scene, view, phone),
        um_per_px=float(style.um_per_px),
        objective=style.objective,
        spores=_truth(sheet, phone, texture, (look, spores, below), cuts),
        kind_map=np.asarray(sheet.kinds[inner] * (view > 0.5), np.uint8),
        scales=int(scales),
        notes={
            "style": "outlines",
            **{name: getattr(style, name) for name in ("preset", "unusual", "from_above", "dim", "ground")},
            "round_view": phone.round_radius > 0,
            "defocus_um": style.focus_um[0],
            "tilt_um": style.focus_um[1],
            "spore_length_um": look.length_um,
            "quality": phone.quality,
            **{f"laid_{name}": number for name, number in style.counts.items()},
        },
    )

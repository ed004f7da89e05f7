"""A whole photo: everything in its order of height, then the look through the microscope, then the truth."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import NamedTuple, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import SimulatedPhoto, SporeTruth
from tests.recipes.trekker import camera as optics
from tests.recipes.trekker import debris
from tests.recipes.trekker.sheet import Sheet, draw_ground
from tests.recipes.trekker.spores import Spores, draw_look, group_sizes, lay_spore, outline_px, place_spores
from tests.recipes.trekker.style import LUMA, SMALL_PER_MM2, Array, Style, draw_style, log_uniform

Floats = NDArray[np.float64]
Number = TypeVar("Number", bound=np.generic)


class Frame(NamedTuple):
    """Rows and columns of the view and of the larger scene, and pixels of the sheet in one of the scene."""

    inner: tuple[int, int]
    outer: tuple[int, int]
    fine: int

    def finished(self, places: Floats, bend: float) -> Floats:
        """Places on the sheet as they come to lie in the finished view."""
        return optics.finished_place((places + 0.5) / self.fine - 0.5, self.outer, self.inner, bend)


Thing = tuple[float, str, float, float, int]
"""What waits for its turn to be painted: height, name, x, y, and the number of a spore."""


def _plan_things(rng: np.random.Generator, sheet: Sheet, style: Style) -> list[Thing]:
    """List all things but spores, each with a place and a height between some 0 and 1."""
    rows, cols = sheet.kinds.shape
    area_um2 = rows * cols * sheet.px_um**2
    # Scales that reach into a small view from outside count as well.
    scales = style.scale_cover * area_um2 / 8000 + min(0.3, style.scale_cover)
    counts = {"scale": int(rng.poisson(scales)), **style.few}
    for name, per_mm2 in style.per_mm2.items():
        # No photo holds more than some hundreds of one thing.
        counts[name] = min(400, int(rng.poisson(per_mm2 * area_um2 / 1e6)))
    heights = {"rule": (-1.0, -1.0), "bubble": (0.6, 1.2), "hair": (-0.2, 1.2), "fibre": (-0.2, 1.2)}
    middle, drift = rng.uniform(0, (cols, rows)), log_uniform(rng, 60, 250) / sheet.px_um
    drifting = rng.choice([0.0, 0.5])
    things: list[Thing] = []
    for name, count in counts.items():
        for _ in range(count):
            x, y = rng.uniform(0, (cols, rows))
            if name == "scale" and rng.random() < drifting:
                # In a drift, overlapping like tiles.
                x, y = rng.normal(middle, drift)
            things.append((rng.uniform(*heights.get(name, (0.0, 1.1))), name, x, y, 0))
    return things


def _paint_all(rng: np.random.Generator, sheet: Sheet, things: list[Thing], spores: Spores) -> Floats:
    """Paint from the bottom up; the middles of the scales that are nearly whole, one row each."""
    kinds = rng.integers(2**31, size=rng.integers(1, 5))
    whole = []
    spread = rng.uniform(0.3, 0.9)
    waiting = things + [(float(h), "spore", 0.0, 0.0, k) for k, h in enumerate(spores.height)]
    for _, name, x, y, number in sorted(waiting):
        kind = int(rng.choice(kinds))
        if name == "spore":
            lay_spore(rng, sheet, spores, number)
        elif name == "scale":
            whole += [(x, y)] * debris.lay_scale(rng, sheet, kind, x, y)
        elif name == "piece":
            debris.lay_scale(rng, sheet, kind, x, y, log_uniform(rng, 6, 60))
        elif name == "mould":
            debris.lay_mould(rng, sheet, x, y)
        elif name in SMALL_PER_MM2:
            debris.lay_small(rng, sheet, name, x, y, float(np.exp(rng.normal(0, spread))))
        else:
            debris.lay_thread(rng, sheet, name, x, y)
    return np.array(whole, float).reshape(-1, 2)


def _pick(picture: NDArray[Number], places: Floats | Array) -> NDArray[Number]:
    """Values of a map at the pixels nearest to places of shape (..., 2)."""
    at = np.clip(np.round(places).astype(int), 0, np.array(picture.shape[1::-1]) - 1)
    return picture[at[..., 1], at[..., 0]]


def _followed(sheet: Sheet, spores: Spores) -> Floats:
    """Share of each outline that can be followed in the finished photo."""
    number = np.arange(len(spores.x))[:, None]
    mine = _pick(sheet.owner, outline_px(spores, sheet.px_um, 0.86)) == number
    beyond = _pick(sheet.owner, outline_px(spores, sheet.px_um, 1.18))
    # Two spores side by side part only where blur leaves a seam between them.
    parted = (beyond < 0) | (beyond == number) | (spores.blur_um < 0.13 * spores.width_um)[:, None]
    return np.asarray((mine & parted).mean(axis=1), np.float64)


def _truth(
    frame: Frame, sheet: Sheet, phone: optics.Camera, spores: Spores, light: Array, rough_od: float
) -> tuple[SporeTruth, ...]:
    """What each spore shows in the finished view, whose `light` is none outside the round opening.

    `rough_od` is the spread of the ground's texture at the size of spores.
    """
    places = np.column_stack([spores.x, spores.y])
    final = frame.finished(places, phone.bend)
    axis = np.column_stack([np.cos(spores.angle), np.sin(spores.angle)])
    ahead = frame.finished(places + axis, phone.bend) - final
    turned = np.degrees(np.arctan2(ahead[:, 1], ahead[:, 0])) % 180
    # What of the outline's inside lies in the open view, from points spread evenly over it.
    inner = np.concatenate([outline_px(spores, sheet.px_um, g) for g in (0.3, 0.6, 0.85, 1.0)], axis=1)
    size = np.array(frame.inner[::-1])

    def opened(spots: Floats) -> NDArray[np.bool_]:
        return ((spots >= -0.5) & (spots <= size - 0.5)).all(axis=-1) & (_pick(light, spots) > 0)

    area_um2 = np.array(
        [spores.look.area_um2(a, b) for a, b in zip(spores.length_um, spores.width_um, strict=True)]
    )
    shown_px = np.bincount(sheet.owner[sheet.owner >= 0], minlength=len(places))
    open_share = opened(frame.finished(inner, phone.bend)).mean(axis=1)
    visible = np.clip(shown_px * sheet.px_um**2 / area_um2, 0, 1) * open_share
    blurs = np.geomspace(0.15, 8, 16)
    mean, swing = (
        spores.strength * np.interp(spores.blur_um, blurs, shown) for shown in spores.look.shown(blurs)
    )
    on_scale = _pick(sheet.scaled, places)
    level = _pick(light, final).astype(float) * phone.level
    noise = phone.noise_od(level) * sheet.px_um * frame.fine / np.sqrt(area_um2)
    # The eye needs more where the ground itself is rough, and on the ridges of a scale.
    needed = np.maximum(np.maximum(np.where(on_scale, 0.1, 0.05), 6 * noise), 1.2 * rough_od)
    clear = (np.minimum(1.5 * mean, swing) >= needed) & (mean >= 0.04) & (level > 0.012)
    whole = (visible >= 0.5) & (_followed(sheet, spores) >= 0.55)
    countable = opened(final) & clear & whole & (spores.blur_um <= 0.22 * spores.length_um)
    groups = group_sizes(spores, sheet.px_um)
    outlines = (*final.T, spores.length_um, spores.width_um, turned)
    columns = (*outlines, visible, spores.blur_um, mean, on_scale, groups, countable)
    return tuple(SporeTruth(*row) for row in zip(*(column.tolist() for column in columns), strict=True))


def draw_photo(
    rng: np.random.Generator,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str,
) -> SimulatedPhoto:
    """Draw a simulated photo of a tape print, with its truth; the kind map is bent as the picture is.

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
    style = draw_style(rng, (height_px, width_px), um_per_px, objective, preset)
    phone = optics.draw_camera(rng, (height_px, width_px), style)
    pad = 2 * (8 + int(0.5 * abs(phone.bend) * np.hypot(width_px, height_px) + 4 / style.um_per_px))
    frame = Frame((height_px, width_px), (height_px + pad, width_px + pad), 2 if style.um_per_px > 0.8 else 1)
    size = (frame.outer[0] * frame.fine, frame.outer[1] * frame.fine)
    px_um = style.um_per_px / frame.fine
    # At the scene's own pixels, which is fine enough for a ground and a quarter of the work.
    ground = draw_ground(rng, frame.outer, style.um_per_px, style)
    grey = -np.log10(ground @ LUMA)
    near, far = (cv2.GaussianBlur(grey, (0, 0), um / style.um_per_px) for um in (3, 9))
    fine_ground = np.asarray(cv2.resize(ground, size[::-1], interpolation=cv2.INTER_LINEAR), np.float32)
    sheet = Sheet(fine_ground, px_um, style.from_above)
    look = draw_look(rng, style)
    things = _plan_things(rng, sheet, style)
    view = np.array(frame.inner[::-1], float) * frame.fine
    corner = (np.array(size[::-1]) - view) / 2
    scales = np.array([(x, y) for _, name, x, y, _ in things if name == "scale"]).reshape(-1, 2)
    spores = place_spores(rng, look, style, np.stack([corner, view]), px_um, scales)
    whole = frame.finished(_paint_all(rng, sheet, things, spores), phone.bend)

    scene = np.clip(sheet.light, 0, 1.6)
    scene = np.asarray(cv2.resize(scene, frame.outer[::-1], interpolation=cv2.INTER_AREA), np.float32)
    variance_um2 = optics.variance_map(rng, frame.outer, style, phone)
    scene = optics.blur_by_map(scene, variance_um2 / np.float32(style.um_per_px**2))
    scene = optics.bend_scene(rng, scene, frame.inner, phone.bend)
    scene = scene / np.float32(np.percentile(ground @ LUMA, 70))
    lamp, opening = optics.lamp_and_view(rng, frame.inner, phone, preset == "hard")
    veil = log_uniform(rng, 0.002, 0.12)
    scene = (scene * np.float32(1 - veil) + np.float32(veil)) * lamp * opening[..., None]

    grid = np.stack(np.meshgrid(np.arange(width_px), np.arange(height_px)), axis=-1).astype(float)
    source = optics.source_place(grid, frame.outer, frame.inner, phone.bend)
    kinds = _pick(sheet.kinds, (source + 0.5) * frame.fine - 0.5) * (opening > 0.5)
    at = (np.column_stack([spores.x, spores.y]) + 0.5) / frame.fine - 0.5
    spores = replace(spores, blur_um=np.sqrt(_pick(variance_um2, at) + spores.blur_um**2))
    light = np.asarray((scene @ LUMA) * (opening > 0.5), np.float32)
    return SimulatedPhoto(
        rgb=optics.develop(rng, scene, phone),
        um_per_px=style.um_per_px,
        objective=style.objective,
        spores=_truth(frame, sheet, phone, spores, light, float((near - far).std())),
        kind_map=kinds.astype(np.uint8),
        scales=int(((whole > 0) & (whole < (width_px, height_px))).all(axis=1).sum()),
        notes={
            "style": "trekker",
            **asdict(style),
            "round_view": phone.round_px is not None,
            "spore_strength": [look.body, look.rim, look.middle, look.halo],
            "quality": phone.quality,
            "level": phone.level,
        },
    )

"""A whole photo: what a preset holds, laying it down from below to above, and what of it could be counted."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.rays.film import MARGIN_PX, Film, Optics
from sporecount.simulate.rays.forms import Field, between
from sporecount.simulate.rays.litter import Litter
from sporecount.simulate.rays.phone import (
    GROUNDS,
    LUMA,
    Phone,
    bend_back,
    draw_ground,
    draw_phone,
    project,
    shoot,
)
from sporecount.simulate.rays.scales import draw_blade, lay_piece, lay_scale
from sporecount.simulate.rays.spores import Spores, draw_look, group_sizes, lay_spores, seat, touching
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
APERTURE = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
PX_UM = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
PER_MM2 = {
    # Usual number of things per mm² in an ordinary print, and its spread (deviation of the logarithm).
    "scale": (32, 0.9), "piece": (45, 0.9), "dust": (50, 0.9), "far dust": (5, 0.9), "pollen": (4, 1.1),
    "mould": (4, 1.2), "droplet": (6, 1.3), "bubble": (8, 1.2), "hair": (6, 0.9), "fibre": (2.5, 0.9),
    "crossing": (2, 1.0), "ridge": (1.2, 1.1), "scratch": (0.5, 1.0),
}  # fmt: skip


@dataclass
class Plan:
    """What one photo will hold."""

    objective: float
    um_per_px: float
    spores: int
    things: dict[str, int]
    ground: str
    from_above: bool
    dim: bool
    defocus: float
    tilt: float
    rough: bool
    clean: bool
    alone: float = 0.8
    mean_group: float = 3.0
    pressed: float = 0.15
    glue: float = 0.0


def draw_plan(
    rng: np.random.Generator,
    shape: tuple[int, int],
    um_per_px: float | None,
    objective: float | None,
    preset: str,
) -> Plan:
    """Draw what a photo of a preset holds.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    if objective is None:
        if preset == "scan_4x":
            objective = 4.0
        elif preset in ("good_focus", "heavy"):
            objective = 10.0
        else:
            objective = float(rng.choice([10.0, 20.0, 40.0], p=[0.6, 0.25, 0.15]))
    near = min(APERTURE, key=lambda one: abs(np.log(one / objective)))
    low, high = PX_UM[near]
    if preset == "heavy":
        low = 0.42
    px = between(rng, low, high) if um_per_px is None else um_per_px
    area_mm2 = shape[0] * shape[1] * px**2 / 1e6
    hard, clean = preset == "hard", preset == "good_focus"
    sparse = {"good_focus": 0.6, "hard": 1.7, "no_spores": 1.6, "heavy": 1.1}.get(preset, 1.0)
    scan_heavy = preset == "scan_4x" and rng.random() < 0.5
    if preset == "scan_4x":
        sparse = 1.0 if scan_heavy else between(rng, 0.2, 1)
    crowd = sparse * float(np.exp(rng.normal(0, 0.45)))
    things = {}
    for name, (middle, spread) in PER_MM2.items():
        mean = middle * crowd * float(np.exp(rng.normal(0, spread))) * area_mm2
        if preset == "no_spores" and name in (
            "piece",
            "dust",
            "pollen",
            "mould",
            "droplet",
            "bubble",
            "crossing",
        ):
            # Doubtful things in every such photo, however small the view.
            mean = min(mean, 60) + rng.uniform(0, 9)
        if hard and name in ("fibre", "ridge"):
            mean += rng.uniform(0, 4)
        things[name] = int(
            min(
                rng.poisson(min(mean, 500)),
                {"scale": 260, "hair": 25, "fibre": 16, "ridge": 14}.get(name, 220),
            )
        )
    things["scale"] = min(things["scale"], int(150 * area_mm2) + 3)
    room = area_mm2 * 1e6 / 95
    spores, alone, mean_group, pressed = 0, rng.uniform(0.65, 0.97), rng.uniform(1.5, 4), rng.uniform(0, 0.3)
    if preset == "good_focus":
        spores = int(np.clip(between(rng, 5, 80), 5, max(5, 0.35 * room)))
    elif preset == "ordinary" and rng.random() > 0.15:
        spores = int(min(between(rng, 1, 150), 0.35 * room + 1))
    elif hard:
        spores = int(min(between(rng, 8, 420), 0.6 * room + 3))
        alone, mean_group, pressed = rng.uniform(0.3, 0.9), rng.uniform(2, 7), rng.uniform(0.05, 0.5)
    elif preset == "heavy":
        spores = int(min(between(rng, 300, 2000) * shape[0] * shape[1] / 1e6, 0.85 * room)) + 6
        alone, mean_group, pressed = rng.uniform(0.15, 0.6), between(rng, 2.5, 14), rng.uniform(0.05, 0.55)
    elif scan_heavy:
        spores = int(between(rng, 155, 1600))
        alone, mean_group, pressed = rng.uniform(0.3, 0.85), between(rng, 2, 8), rng.uniform(0.05, 0.4)
    elif preset == "scan_4x":
        spores = int(rng.integers(0, 9))
    ordinary = float(rng.choice([0.3, 0.9], p=[0.45, 0.55])) * (
        0.6 if preset in ("heavy", "scan_4x") else 1.0
    )
    return Plan(
        objective=float(objective),
        um_per_px=float(px),
        spores=spores,
        things=things,
        ground=str(rng.choice(GROUNDS, p=[0.36, 0.32, 0.14, 0.18])),
        from_above=bool(rng.random() < (0.0 if clean or near > 10 else 0.22 if hard else 0.045)),
        dim=bool(rng.random() < (0.28 if hard else 0.03 if clean else 0.09)),
        defocus=0.25 if clean else 1.5 if hard else ordinary,
        tilt=0.15 if clean else 1.8 if hard else float(rng.choice([0.25, 1.0], p=[0.5, 0.5])),
        rough=hard or bool(rng.random() < 0.15 and not clean),
        clean=clean,
        alone=alone,
        mean_group=mean_group,
        pressed=pressed,
        glue=between(rng, 0.0008, 0.012) * (1.8 if hard else 1.0)
        if rng.random() < (0.8 if hard else 0.4)
        else 0.0,
    )


def draw_optics(rng: np.random.Generator, plan: Plan, shape: tuple[int, int]) -> Optics:
    """Draw how the microscope stands for a plan."""
    near = min(APERTURE, key=lambda one: abs(np.log(one / plan.objective)))
    aperture = APERTURE[near]
    # The depth in focus; people stop turning the knob about there.
    depth_um = 0.55 / aperture**2 * 0.6 + 0.9 / aperture
    across_um = float(np.hypot(*shape)) * plan.um_per_px
    way = rng.uniform(0, 2 * np.pi)
    steep = plan.tilt * depth_um * abs(rng.normal(0, 1.3)) / across_um
    scatter = plan.ground in ("card", "paper")
    apart = rng.uniform(0.5, 1.4) * (1.0 if near < 40 else 0.5)
    toward = rng.uniform(0, 2 * np.pi)
    return Optics(
        um_per_px=plan.um_per_px,
        aperture=aperture,
        sharp_um=0.21 * 0.55 / aperture * rng.uniform(1.0, 1.35),
        focus_um=float(rng.normal(0, plan.defocus * depth_um)),
        tilt=(float(steep * np.cos(way)), float(steep * np.sin(way))),
        wave_um=float(abs(rng.normal(0, 0.4)) * plan.tilt * depth_um),
        sheets_um=(-2.5 * apart, 0.0, 2.5 * apart, between(rng, 25, 60)),
        stop_slope=aperture * (rng.uniform(0.9, 1.7) if scatter else between(rng, 0.45, 1.5)),
        rim_od=rng.uniform(0.1, 0.35) if scatter else between(rng, 0.15, 0.7),
        from_above=plan.from_above,
        light_x=float(np.cos(toward)),
        light_y=float(np.sin(toward)),
    )


def _furnish(rng: np.random.Generator, plan: Plan, film: Film, when: str) -> int:
    """Lay all things but the spores; return the whole scales in the view."""
    rows, cols = film.shape
    litter, whole = Litter(rng, film), 0
    blades = [draw_blade(rng) for _ in range(int(rng.integers(2, 6)))]
    torn = rng.uniform(0.1, 0.6)
    dyed = rng.random() < 0.3

    def places(name: str) -> NDArray[np.float64]:
        return rng.uniform(-0.04, 1.04, (plan.things[name], 2)) * [cols, rows]

    if when == "scales":
        for x, y in places("scale"):
            blade = blades[int(len(blades) * rng.beta(0.9, 1.6))]
            left = lay_scale(rng, film, blade, x, y, bool(rng.random() < torn))
            whole += left > 0.6 and 0 <= x < cols and 0 <= y < rows
        for x, y in places("piece"):
            lay_piece(rng, film, blades[int(rng.integers(len(blades)))], x, y, _size(rng, 13, 0.6, 4, 70))
        return whole
    for x, y in places("dust"):
        litter.dust(x, y, _size(rng, 5, 0.6, 1.5, 40))
    for x, y in places("droplet"):
        litter.droplet(x, y, _size(rng, 11, 0.5, 4, 60))
    for x, y in places("mould"):
        litter.mould(x, y, int(rng.geometric(0.45)))
    for x, y in places("pollen"):
        litter.pollen(x, y)
    for x, y in places("hair"):
        litter.hair(x, y)
    for x, y in places("crossing"):
        litter.crossing(x, y)
    for x, y in places("fibre"):
        litter.fibre(x, y, dyed=bool(dyed and rng.random() < 0.5))
    for x, y in places("bubble"):
        litter.bubble(x, y, _size(rng, litter.bubble_um, 0.55, 4, 160))
    for x, y in places("ridge"):
        litter.ridge(x, y)
    if plan.glue:
        litter.glue(plan.glue, between(rng, 15, 110))
    for x, y in places("far dust"):
        litter.dust(x, y, _size(rng, 18, 0.6, 5, 80), far=True)
    for x, y in places("scratch"):
        litter.scratch(x, y)
    return whole


def _size(rng: np.random.Generator, middle: float, spread: float, low: float, high: float) -> float:
    return float(np.clip(np.exp(rng.normal(np.log(middle), spread)), low, high))


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
        One of `PRESETS`.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    shape = height_px, width_px
    plan = draw_plan(rng, shape, um_per_px, objective, preset)
    optics = draw_optics(rng, plan, shape)
    film = Film(rng, optics, shape)
    phone = draw_phone(rng, shape, plan.dim, plan.rough, plan.clean, plan.um_per_px, plan.from_above)
    ground = draw_ground(rng, film, plan.ground, 1.5 if plan.rough else 0.6 if plan.clean else 1.0)
    look = draw_look(rng)
    sizes = group_sizes(rng, plan.spores, plan.alone, plan.mean_group, 40)
    view_um = width_px * plan.um_per_px, height_px * plan.um_per_px
    spores = seat(rng, look, sizes, view_um, plan.um_per_px, plan.pressed, rng.beta(0.8, 1.3))
    order = np.arange(len(spores))
    below = rng.random(len(spores)) < rng.uniform(0.1, 0.45)
    area = lay_spores(rng, film, look, spores, order[below])
    scales = _furnish(rng, plan, film, "scales")
    area += lay_spores(rng, film, look, spores, order[~below])
    _furnish(rng, plan, film, "rest")
    seen, kinds, field_seen = project(film.view(ground), film.kinds, phone, shape)
    rgb = shoot(rng, seen, phone)
    truth = judge(film, phone, spores, area, seen, rgb, field_seen)
    return SimulatedPhoto(
        rgb=rgb,
        um_per_px=plan.um_per_px,
        objective=plan.objective,
        spores=truth,
        kind_map=np.where(field_seen > 0.02, kinds, 0).astype(np.uint8),
        scales=int(scales),
        notes={
            "style": "rays",
            "preset": preset,
            "from_above": plan.from_above,
            "dim": plan.dim,
            "rough": plan.rough,
            "ground": plan.ground,
            "round_view": phone.view_px is not None,
            "defocus_um": optics.focus_um,
            "spore_length_um": look.length_um,
            "glue_bend_per_um": float(plan.glue),
            "quality": phone.quality,
            **{f"laid_{name.replace(' ', '_')}": number for name, number in plan.things.items()},
        },
    )


def judge(
    film: Film, phone: Phone, spores: Spores, area_px: NDArray[np.float64], seen: Field,
    rgb: NDArray[np.uint8], field_seen: Field,
) -> tuple[SporeTruth, ...]:  # fmt: skip
    """State what the photo shows of each spore.

    A spore's outline is followed in the finished photo: at 36 places of it, a rim darker or lighter than what
    is outside or inside of it, by more than noise and than what an eye makes out. Places beneath an opaque
    thing or two other spores do not count as followed.
    """
    number = len(spores)
    if number == 0:
        return ()
    rows, cols = film.shape
    px = film.optics.um_per_px
    x, y = bend_back(phone, film.shape, spores.x_px, spores.y_px)
    more_um = float(np.hypot(phone.blur_px, phone.shake_px / 5.0)) * px
    blur = film.blur_um(spores.x_px.astype(np.float32), spores.y_px.astype(np.float32), spores.sheet, more_um)
    own = film.owner[MARGIN_PX : MARGIN_PX + rows, MARGIN_PX : MARGIN_PX + cols]
    inside_view = np.where(field_seen > 0.3, own, -1)
    shown = np.bincount(inside_view[inside_view >= 0], minlength=number)[:number]
    grey = cv2.GaussianBlur((rgb.astype(np.float32) @ LUMA), (0, 0), 0.6)
    noise = grey_noise(grey)
    clump = touching(spores, px)
    light = np.maximum(seen @ LUMA, 1e-4)

    turn = np.linspace(0, 2 * np.pi, 36, endpoint=False)[None]
    c, s = np.cos(spores.angle)[:, None], np.sin(spores.angle)[:, None]
    half_long, half_wide = spores.length_um[:, None] / 2, spores.width_um[:, None] / 2

    def at(picture: NDArray, shrink: float, more: NDArray | float = 0.0) -> NDArray:
        along = (half_long * shrink + more) * np.cos(turn)
        # Ends are more pointed than those of an ellipse.
        across = (half_wide * shrink * (1 - 0.12 * np.abs(np.cos(turn)) ** 2) + more) * np.sin(turn)
        at_x = np.rint(x[:, None] + (along * c - across * s) / px).astype(int)
        at_y = np.rint(y[:, None] + (along * s + across * c) / px).astype(int)
        good = (at_x >= 0) & (at_x < cols) & (at_y >= 0) & (at_y < rows)
        return np.where(good, picture[np.clip(at_y, 0, rows - 1), np.clip(at_x, 0, cols - 1)], np.nan)

    # Light from below shows a spore through one other that lies over it, though less well.
    layers = film.layers[MARGIN_PX : MARGIN_PX + rows, MARGIN_PX : MARGIN_PX + cols]
    others = (own >= 0) & (layers <= (1 if film.optics.from_above else 2))
    here = np.arange(number)[:, None]

    def share_through(shrink: float) -> NDArray:
        return (at(others, shrink) > 0) & (at(own, shrink) != here)

    through = np.concatenate([share_through(shrink) for shrink in (0.1, 0.45, 0.7, 0.86)], 1).mean(1)
    visible = np.clip(shown / np.maximum(area_px, 1) + 0.5 * through, 0, 1)
    away = np.maximum(1.4, 1.5 * blur)[:, None]
    with np.errstate(all="ignore"), warnings.catch_warnings():
        # Spores wholly outside of the view have no pixel to look at.
        warnings.simplefilter("ignore", RuntimeWarning)
        outer_grey, rim, middle = at(grey, 1.0, away), at(grey, 0.86), at(grey, 0.45)
        ground = _median(at(grey, 1.0, away + 0.8))
        body = np.concatenate([rim, middle, at(grey, 0.1)], 1)
        strength = np.nan_to_num(np.sqrt(np.nanmean((body - ground[:, None]) ** 2, 1)))
        # Between neighbours an edge may be anybody's, so that it must be a plain one.
        least = (max(3.5, 2.2 * noise) * np.where(clump > 2, 1.7, 1.0))[:, None]
        edge = np.fmax(np.abs(rim - outer_grey), 0.9 * np.abs(rim - middle)) >= least
        free = (at(own, 0.86) == here) + 0.5 * share_through(0.86)
        followed = np.mean(edge * free, 1)
        dark = np.concatenate([at(light, k) for k in (0.15, 0.5, 0.8)], 1)
        around = at(light, 1.0, away + 0.8)
        around[at(own, 1.0, away + 0.8) >= 0] = np.nan
        bare = np.sum(np.isfinite(around), 1) >= 6
        outer = np.where(bare, _median(around), np.nanpercentile(light, 70))
        contrast = np.nan_to_num(np.log10(outer) - np.nanmean(np.log10(dark), 1))
    view = (x >= -0.5) & (x <= cols - 0.5) & (y >= -0.5) & (y <= rows - 0.5)
    at_row, at_col = (
        np.clip(np.rint(y).astype(int), 0, rows - 1),
        np.clip(np.rint(x).astype(int), 0, cols - 1),
    )
    lit = view & (field_seen[at_row, at_col] > 0.5)
    scene_row = np.clip(np.rint(spores.y_px + MARGIN_PX).astype(int), 0, film.full[0] - 1)
    scene_col = np.clip(np.rint(spores.x_px + MARGIN_PX).astype(int), 0, film.full[1] - 1)
    on_scale = film.scaled[scene_row, scene_col]
    need = np.where(clump > 1, 0.55, np.where(on_scale, 0.5, 0.4))
    countable = lit & (visible >= 0.5) & (blur <= np.where(clump > 3, 0.15, 0.22) * spores.length_um)
    countable &= (strength >= max(4.5, 2.8 * noise)) & (followed >= need)
    return tuple(
        SporeTruth(
            x_px=float(x[i]),
            y_px=float(y[i]),
            length_um=float(spores.length_um[i]),
            width_um=float(spores.width_um[i]),
            angle_deg=float(np.degrees(spores.angle[i]) % 180.0),
            visible=float(visible[i]),
            blur_um=float(blur[i]),
            contrast=float(contrast[i]),
            on_scale=bool(on_scale[i]),
            clump=int(clump[i]),
            countable=bool(countable[i]),
        )
        for i in range(number)
    )


def _median(values: NDArray) -> NDArray:
    """Median of rows without what is not a number; 0 for rows of nothing."""
    bare = np.where(np.isfinite(values).any(1)[:, None], values, 0.0)
    return np.asarray(np.nanmedian(bare, axis=1))


def grey_noise(grey: Field) -> float:
    """Deviation of noise in grey levels, from differences that slopes do not touch."""
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    return float(1.4826 * np.median(np.abs(cv2.filter2D(grey, -1, kernel)[2:-2, 2:-2])) / 6)

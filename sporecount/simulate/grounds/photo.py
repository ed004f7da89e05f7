"""A whole photo: what is drawn for each preset, how it is put together, and what it truly shows."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.grounds import bodies, sheet
from sporecount.simulate.grounds.phone import develop, draw_lamp
from sporecount.simulate.grounds.slab import Array, Light, Scene, blur_by_map, clouds
from sporecount.simulate.grounds.spores import (
    LUMA,
    SporeLook,
    Spores,
    draw_look,
    lay_spores,
    outline_followed,
    place_spores,
    shown_contrast,
    touching,
)
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
PX_UM = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
APERTURE = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
"""Numerical apertures of common objectives."""


@dataclass(frozen=True)
class _Plan:
    """What one photo is to hold; heights of the focus are over the print's middle."""

    um_per_px: float
    objective: float
    ground: str
    tape: str
    lit: str
    rough: float
    spores: int
    piled: float  # chance that the next spore starts a pile
    beneath: float  # share of the spores that lie under the scales
    per_mm2: dict[str, float]  # all other things
    glue: float
    gaps: float
    focus_um: float
    tilt_um: float
    bumps_um: float
    dim: bool


def _spore_count(rng: np.random.Generator, preset: str, pixels: int, area_mm2: float) -> tuple[int, float]:
    """Draw the number of spores and the chance of piles."""
    # More than one for each 700 um2 is a heap, not an ordinary print.
    most = max(6, int(area_mm2 * 1e6 / 700))
    if preset == "good_focus":
        return int(np.clip(np.exp(rng.uniform(np.log(5), np.log(80))), 5, max(8, min(80, most)))), 0.08
    if preset == "ordinary":
        count = 0 if rng.random() < 0.12 else int(np.exp(rng.uniform(0, np.log(150))))
        return min(count, most), rng.uniform(0, 0.2)
    if preset == "hard":
        return min(int(np.exp(rng.uniform(np.log(4), np.log(220)))), most), rng.uniform(0.05, 0.4)
    if preset == "heavy":
        count = int(np.exp(rng.uniform(np.log(300), np.log(2000))) * pixels * 1e-6)
        return max(8, count), rng.uniform(0.25, 0.8)
    if preset == "scan_4x":
        if rng.random() < 0.5:
            return int(rng.integers(0, 9)), 0.05
        return int(np.exp(rng.uniform(np.log(155), np.log(900)))), rng.uniform(0.05, 0.4)
    return 0, 0.0


def _draw_plan(
    rng: np.random.Generator,
    shape: tuple[int, int],
    um_per_px: float | None,
    objective: float | None,
    preset: str,
) -> _Plan:
    """Draw what a photo of a preset holds."""
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {PRESETS}, got {preset!r}")
    if objective is None:
        several = preset in ("ordinary", "hard", "no_spores")
        objective = 4.0 if preset == "scan_4x" else float(rng.choice([10, 10, 20, 40])) if several else 10.0
    if um_per_px is None:
        nearest = min(PX_UM, key=lambda known: abs(known - objective))
        um_per_px = float(np.exp(rng.uniform(*np.log(PX_UM[nearest]))))
    hard, good = preset == "hard", preset == "good_focus"
    area_mm2 = shape[0] * shape[1] * um_per_px**2 * 1e-6
    count, piled = _spore_count(rng, preset, shape[0] * shape[1], area_mm2)
    # Depth of focus falls with the square of the aperture; people focus the finer, the higher the power.
    depth_um = {4.0: 25.0, 10.0: 8.0, 20.0: 4.0, 40.0: 2.2}.get(objective, 80 / objective)
    drift = 0.25 if good else 1.4 if hard else 0.5 if preset in ("heavy", "scan_4x") else 0.9
    litter = float(np.exp(rng.normal(0, 0.6))) * (1.8 if hard else 0.6 if good else 1.0)
    swarm = 3.5 if preset == "no_spores" else 1.0
    names = {"scale": 45.0, "flake": 90.0, "droplet": 40.0, "mould": 45.0, "yeast": 35.0, "dust": 180.0}
    names |= {"pollen": 10.0, "bubble": 45.0, "crossing": 2.0, "hair": 9.0, "fibre": 10.0, "stump": 14.0}
    per_mm2 = {}
    for name, usual in names.items():
        many = usual * litter * float(np.exp(rng.normal(0, 0.8)))
        small = name not in ("scale", "hair", "fibre", "crossing")
        per_mm2[name] = many * (swarm if small else 3.0 if hard and name != "scale" else 1.0)
    if rng.random() < 0.15 and not good:
        per_mm2["scale"] *= 0.1
    return _Plan(
        um_per_px=float(um_per_px),
        objective=float(objective),
        ground=str(rng.choice(sheet.GROUNDS)),
        tape=str(rng.choice(sheet.TAPES)),
        lit=str(rng.choice(["below", "side", "above"], p=[0.4, 0.25, 0.35] if hard else [0.68, 0.18, 0.14])),
        rough=float(rng.uniform(0.3, 0.8) if good else rng.uniform(0.4, 1.4) + 0.5 * hard),
        spores=count,
        piled=float(piled),
        beneath=float(rng.uniform(0, 0.35)),
        per_mm2=per_mm2,
        glue=float(rng.uniform(0.5, 1.3) if hard else max(0.0, rng.uniform(-0.7, 0.7))),
        gaps=float(max(0.0, rng.uniform(-0.3, 1.2))),
        focus_um=float(rng.normal(0, 0.6) * depth_um * drift),
        tilt_um=float(abs(rng.normal(0, 1.2)) * depth_um * drift),
        bumps_um=float(abs(rng.normal(0, 0.5)) * depth_um * drift),
        dim=bool(rng.random() < (0.35 if hard else 0.05)),
    )


def _draw_light(rng: np.random.Generator, lit: str) -> Light:
    way = rng.uniform(0, 2 * np.pi)
    above, side = {
        "below": (0.0, max(0.0, float(rng.uniform(-0.3, 0.25)))),
        "side": (float(rng.uniform(0.1, 0.4)), float(rng.uniform(0.3, 0.8))),
        "above": (float(rng.uniform(0.5, 0.9)), float(rng.uniform(0.1, 0.6))),
    }[lit]
    return Light(above, side, float(np.cos(way)), float(np.sin(way)))


def _lay_all(
    rng: np.random.Generator, scene: Scene, plan: _Plan, look: SporeLook, phase_map: Array, edge_um: float
) -> tuple[Spores, int, int]:
    """Lay everything in its order; the spores, how many lie beneath scales, and whole scales in the view."""
    wide, tall = scene.shape[1] * scene.px_um, scene.shape[0] * scene.px_um
    area_mm2 = wide * tall * 1e-6

    def number(name: str) -> int:
        mean = plan.per_mm2[name] * area_mm2
        least = 4 if plan.spores == 0 and name in ("mould", "yeast", "dust", "flake", "droplet") else 0.3
        # Long threads are shared out by the view, not by its area: they cross it whole.
        across = min(1.0, np.sqrt(area_mm2) / 0.4)
        most = {"hair": 6 * across, "fibre": 6 * across, "crossing": 3 * across}.get(name, 90.0)
        if name == "scale":
            most = max(1.0, 75 * area_mm2) if area_mm2 < 1.5 else 80.0
        return int(rng.poisson(min(max(mean, least), most)))

    def anywhere() -> tuple[float, float]:
        return float(rng.uniform(0, wide)), float(rng.uniform(0, tall))

    spots = np.array([anywhere() for _ in range(number("scale"))]).reshape(-1, 2)
    if len(spots) > 3 and rng.random() < 0.5:
        # Scales come off in patches.
        middle = spots[rng.integers(3, size=len(spots))]
        spots = np.where(rng.random((len(spots), 1)) < 0.4, middle + rng.normal(0, 150, spots.shape), spots)
    view = (edge_um, edge_um, wide - 2 * edge_um, tall - 2 * edge_um)
    spores = place_spores(rng, look, plan.spores, plan.piled, view, spots)
    row, col = (np.round(at / scene.px_um).astype(int) for at in (spores.y_um, spores.x_um))
    phase = phase_map[row, col].astype(float)
    below = round(plan.beneath * len(spores))
    looks = [bodies.draw_scale_look(rng) for _ in range(int(rng.integers(1, 4)))]

    lay_spores(scene, look, spores, range(below), phase)
    whole = 0
    for x, y in spots:
        kept = bodies.lay_scale(rng, scene, looks[int(rng.integers(len(looks)))], float(x), float(y))
        whole += kept and edge_um < x < wide - edge_um and edge_um < y < tall - edge_um
    for _ in range(number("flake")):
        bodies.lay_flake(rng, scene, looks[int(rng.integers(len(looks)))], *anywhere())
    for name, lay in bodies.SMALL_THINGS.items():
        if name == "hair":
            # What comes after lies on the spores.
            lay_spores(scene, look, spores, range(below, len(spores)), phase)
        for _ in range(number(name)):
            lay(rng, scene, *anywhere())
    return spores, below, int(whole)


def _restlessness(rgb: np.ndarray, kinds: NDArray[np.uint8], length_px: float) -> Array:
    """Density noise of the finished photo at the size of a spore, from what is not a spore."""
    grey = (rgb.astype(np.float32) / 255) ** np.float32(2.2) @ LUMA
    density = -np.log10(np.maximum(grey, 2e-3))
    fine = cv2.GaussianBlur(density, (0, 0), max(0.2 * length_px, 0.6))
    band = fine - cv2.GaussianBlur(density, (0, 0), max(0.7 * length_px, 1.2))
    free = (cv2.dilate((kinds == 1).astype(np.uint8), np.ones((3, 3), np.uint8)) == 0).astype(np.float32)
    size = (int(2 * 2.5 * length_px) + 1,) * 2
    share = cv2.blur(free, size)
    # A few strong things nearby are no noise: cap what any one place may add.
    power = cv2.blur(np.minimum(band**2, 0.006) * free, size)
    return np.asarray(np.sqrt(power / np.maximum(share, 0.05)), np.float32)


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
    plan = _draw_plan(rng, (height_px, width_px), um_per_px, objective, preset)
    px = plan.um_per_px
    margin = int(np.clip(np.ceil(10 / px), 12, 48))
    shape = (height_px + 2 * margin, width_px + 2 * margin)
    scene = Scene(shape, px, _draw_light(rng, plan.lit))
    ground = sheet.draw_ground(rng, scene, plan.ground, plan.rough)
    if rng.random() < 0.3:
        sheet.lay_deep_stains(rng, scene)
    way = rng.uniform(0, 2 * np.pi)
    y, x = np.linspace(-0.5, 0.5, shape[0])[:, None], np.linspace(-0.5, 0.5, shape[1])[None]
    height = plan.focus_um + plan.tilt_um * (x * np.cos(way) + y * np.sin(way))
    height = (height + plan.bumps_um * clouds(rng, shape, 0.35 * max(shape))).astype(np.float32)
    aperture = APERTURE[min(APERTURE, key=lambda known: abs(known - plan.objective))]
    look = draw_look(rng)
    phase_map = np.clip(height / (1.6 / aperture**2), -1, 1)
    spores, below, scales = _lay_all(rng, scene, plan, look, phase_map, margin * px)
    if plan.gaps > 0:
        sheet.lay_air_gaps(rng, scene, plan.gaps)
    if plan.glue > 0:
        sheet.lay_glue(rng, scene, plan.glue)
    sheet.lay_tape(rng, scene, plan.tape, plan.rough)

    # Lens, phone optics and the pixel's own square; then the cone of light out of focus, by depth.
    sharp_um2 = (0.23 * 0.55 / aperture) ** 2 + (rng.uniform(0.4, 0.8) * px) ** 2
    cone = 0.5 * np.tan(np.arcsin(aperture)) * rng.uniform(0.4, 0.9)
    thick_um = 8 / aperture * rng.uniform(0.05, 0.35)

    def variance_um2(lift_um: float) -> Array:
        return np.asarray(sharp_um2 + (cone * (height + lift_um)) ** 2, np.float32)

    inner = (slice(margin, margin + height_px), slice(margin, margin + width_px))
    picture = blur_by_map(ground, variance_um2(-2 * thick_um) / np.float32(px**2))
    for layer, lift in enumerate((-thick_um, 0.0, thick_um)):
        variance = variance_um2(lift) / np.float32(px**2)
        picture *= blur_by_map(scene.passed[layer], variance)
        if scene.added[layer].any():
            picture += blur_by_map(scene.added[layer], variance)
    lamp, view = draw_lamp(rng, (height_px, width_px), plan.dim)
    usual = float(np.percentile(ground @ LUMA, 60))
    lit = picture[inner] / usual * (lamp * view)[..., None]
    rgb = develop(rng, np.asarray(lit, np.float32), rng.uniform(0.004, 0.02) * (1.6 if plan.dim else 1.0))

    kinds = scene.kinds[inner] * (view > 0.5).astype(np.uint8)
    seen = np.zeros(shape, bool)
    seen[inner] = view > 0.5
    truth = _truth(plan, look, spores, scene, seen, variance_um2(0.0), rgb, kinds, margin)
    return SimulatedPhoto(
        rgb=rgb,
        um_per_px=px,
        objective=plan.objective,
        spores=truth,
        kind_map=kinds,
        scales=scales,
        notes={
            "style": "grounds",
            "preset": preset,
            "ground": plan.ground,
            "tape": plan.tape,
            "lit": plan.lit,
            "from_above": plan.lit == "above",
            "dim": plan.dim,
            "round_view": bool(view.min() < 0.5),
            "focus_um": plan.focus_um,
            "tilt_um": plan.tilt_um,
            "spore_length_um": look.length_um,
            "beneath_scales": below,
        },
    )


def _truth(
    plan: _Plan,
    look: SporeLook,
    spores: Spores,
    scene: Scene,
    seen: NDArray[np.bool_],
    variance_um2: Array,
    rgb: np.ndarray,
    kinds: NDArray[np.uint8],
    margin: int,
) -> tuple[SporeTruth, ...]:
    """Say what each spore shows; `seen` and `variance_um2` are on the grid with margin."""
    if not len(spores):
        return ()
    px = plan.um_per_px
    rows, cols = kinds.shape
    shown_px = np.bincount(scene.owner[seen & (scene.owner >= 0)], minlength=len(spores))
    groups, _ = touching(spores)
    blurs = np.array([0.3, 0.6, 1.0, 1.6, 2.4, 3.6, 5.5], np.float32)
    contrasts = shown_contrast(look, scene, blurs)
    noise = _restlessness(rgb, kinds, look.length_um / px)
    result = []
    for k in range(len(spores)):
        x, y = float(spores.x_um[k] / px - margin), float(spores.y_um[k] / px - margin)
        row, col = int(np.clip(round(y), 0, rows - 1)), int(np.clip(round(x), 0, cols - 1))
        length = float(spores.length_um[k])
        blur = float(np.sqrt(variance_um2[row + margin, col + margin]))
        contrast = float(np.interp(blur, blurs, contrasts) * spores.strength[k])
        visible = min(1.0, float(shown_px[k]) / max(float(spores.covered[k]), 1.0))
        inside = (
            -0.5 <= x <= cols - 0.5 and -0.5 <= y <= rows - 0.5 and bool(seen[row + margin, col + margin])
        )
        rim_seen = 0.8 if blur < 0.09 * length else 0.55 if blur < 0.13 * length else 0.3
        followed = groups[k] < 3 or outline_followed(spores, k, scene.owner, px, rim_seen) >= 0.55
        dark = float(rgb[row, col].mean()) < 14
        clear = contrast >= max(0.045, 1.2 * float(noise[row, col])) and not dark
        result.append(
            SporeTruth(
                x_px=x,
                y_px=y,
                length_um=length,
                width_um=float(spores.width_um[k]),
                angle_deg=float(np.degrees(spores.angle[k]) % 180),
                visible=visible,
                blur_um=blur,
                contrast=contrast,
                on_scale=bool(scene.scaled[row + margin, col + margin]),
                clump=int(groups[k]),
                countable=bool(inside and visible >= 0.5 and blur <= 0.22 * length and clear and followed),
            )
        )
    return tuple(result)

"""A whole photo: what lies on the print, how the microscope stands, and the truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sporecount.simulate.thickness import things
from sporecount.simulate.thickness.fields import Dice, smooth_noise
from sporecount.simulate.thickness.ground import draw_ground, spread_glue
from sporecount.simulate.thickness.phone import draw_phone, shoot, through_eyepiece
from sporecount.simulate.thickness.spores import SporeLook, Spores, draw_look, judge, lay_spores, seat
from sporecount.simulate.thickness.stage import HIGH, LOW, MARGIN_PX, Material, Optics, Stage
from sporecount.simulate.truth import SimulatedPhoto

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
_PX_UM = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
# Typical focus error and tilt over the view, in depths of focus.
_DRIFT = ((0.25, 0.25), (1.0, 1.6), (1.6, 2.8), (0.8, 1.2), (0.6, 0.9), (0.4, 0.6))
_THINGS = ("scale", "piece", "dust", "drop", "mould", "pollen", "end", "hair", "fibre", "bubble")
# Typical number per mm², from the bottom to the top.
_LOAD = {
    "good_focus": (30, 30, 40, 4, 6, 4, 8, 4, 1, 6), "ordinary": (40, 50, 60, 10, 15, 8, 15, 6, 3, 15),
    "hard": (90, 120, 120, 25, 25, 15, 30, 14, 12, 60), "no_spores": (30, 110, 130, 110, 70, 60, 60, 8, 8, 110),
    "heavy": (60, 80, 70, 10, 10, 6, 10, 5, 2, 15), "scan_4x": (25, 18, 15, 2, 2, 2, 3, 2, 1, 4),
}  # fmt: skip


def _draw_optics(
    dice: Dice, shape: tuple[int, int], um_per_px: float, objective: float, preset: str, above: bool
) -> Optics:
    aperture = float(np.interp(objective, [4, 10, 20, 40], [0.1, 0.25, 0.4, 0.65])) * dice.even(0.88, 1.08)
    y, x = (2 * one.astype(np.float32) / max(shape) - 1 for one in np.mgrid[: shape[0], : shape[1]])
    (base, lean), way = _DRIFT[PRESETS.index(preset)], dice.way()
    focus = dice.bell(0, base) + dice.bell(0, lean) * (float(np.cos(way)) * x + float(np.sin(way)) * y)
    focus += dice.even(0, 0.25 * lean) * smooth_noise(dice, shape, shape[0] / 2.2)
    planes = (dice.even(-70, -15), 0.0, dice.even(1, 3), dice.even(3, 6), dice.even(2, 18))
    oblique, side = dice.even(0.25, 0.65) if above else dice.even(0.1, 0.4) * dice.chance(0.3), dice.way()
    relief = (oblique / aperture * float(np.cos(side)), oblique / aperture * float(np.sin(side)))
    return Optics(
        um_per_px, aperture, dice.even(0.4, 0.85), dice.even(0.05, 0.3 if above else 0.9), dice.log(0.25, 1.6),
        dice.pick([0.0, dice.even(0.2, 2.0)]), relief, above, planes, focus * (0.55 / aperture**2),
    )  # fmt: skip


def _spore_count(dice: Dice, preset: str, pixels: int, area_um2: float, look: SporeLook) -> int:
    most = area_um2 / (look.length_um**2 / look.aspect)
    if preset == "scan_4x":
        few = dice.pick([0, 0, 1, dice.whole(2, 8)])
        return few if dice.chance(0.5) else int(max(min(dice.log(190, 1200), 0.3 * most), 151))
    return {
        "no_spores": 0,
        "heavy": int(min(dice.log(300, 2000) * pixels / 1e6, 0.4 * most)),
        "good_focus": int(max(5, min(dice.log(5, 81), 0.2 * most))),
        "hard": int(min(dice.log(8, 320), 0.25 * most)),
        "ordinary": int(min(dice.log(1, 151), 0.2 * most)) * dice.chance(0.88),
    }[preset]


def _lay_things(
    dice: Dice, stage: Stage, alike: bool, numbers: dict[str, int], looks: list[things.ScaleLook]
) -> int:
    """Lay some sorts of things down, in order, many of spore size if `alike`; return the whole scales."""
    px, whole = stage.optics.um_per_px, 0
    heap, torn, olive = dice.rng.uniform(0, 1, 2) * stage.view, dice.even(0.1, 0.6), dice.even(0, 1)
    grain_um, bubble_um, strength = dice.even(9, 36), dice.even(7, 35), dice.even(0.05, 0.25)
    liquids = [((0.25, 0.6, 1.2), 0.03), ((0.04, 0.15, 0.9), 0.04), ((0.02, 0.025, 0.04), 0.05)]
    taken: list[tuple[float, float, float]] = []

    def size(middle: float, spread: float, low: float, high: float) -> float:
        middle = 10.0 if alike and dice.chance(0.5) else middle
        return float(np.clip(middle * np.exp(dice.bell(0, spread)), low, high))

    for name, number in numbers.items():
        for x, y in (dice.rng.uniform(-0.03, 1.03, (number, 2)) * stage.view).tolist():
            if name == "scale":
                if dice.chance(0.3):
                    x, y = heap + dice.rng.normal(0, 90, 2) / px
                look = looks[int(len(looks) * dice.rng.beta(0.8, 1.6))]
                left = things.lay_scale(dice, stage, look, x, y, dice.chance(torn))
                whole += left and 0 <= x < stage.view[0] and 0 <= y < stage.view[1]
            elif name == "piece":
                things.lay_piece(dice, stage, dice.pick(looks), x, y, size(12, 0.55, 4, 60))
            elif name == "dust":
                things.lay_dust(dice, stage, x, y, size(5, 0.6, 1.5, 35))
            elif name == "drop":
                liquid = Material(*dice.pick(liquids)).times(strength)
                things.lay_drop(dice, stage, x, y, size(11, 0.5, 3, 50), liquid)
            elif name == "mould":
                things.lay_mould(dice, stage, x, y, dice.even(3, 7), olive)
            elif name == "pollen":
                things.lay_pollen(dice, stage, x, y, size(grain_um, 0.12, 7, 60))
            elif name in ("end", "hair"):
                things.lay_hair(dice, stage, x, y, name == "end")
            elif name == "fibre":
                things.lay_fibre(dice, stage, x, y)
            else:
                wide = size(bubble_um, 0.5, 3, 150)
                # Bubbles that meet run together.
                if all(np.hypot(x - a, y - b) * px > 0.55 * (wide + c) for a, b, c in taken):
                    taken.append((x, y, wide))
                    things.lay_bubble(dice, stage, x, y, wide)
    return whole


def _lay_all(
    dice: Dice, stage: Stage, preset: str, look: SporeLook, total: int
) -> tuple[Spores, dict[str, int], int]:
    """Lay everything down in order; return the spores, numbers of things and the number of whole scales."""
    px, heavy = stage.optics.um_per_px, preset == "heavy" or total > 150
    alone, mean = (
        (dice.even(0.15, 0.5), dice.even(3, 12)) if heavy else (dice.even(0.5, 0.97), dice.even(1.5, 4))
    )
    spores = seat(dice, look, total, stage.view, px, alone, mean)
    # Groups stay together: what lies under the scales is a run of the order in which they came.
    below = int(total * dice.even(0.05, 0.45))
    under, upper = np.arange(below), np.arange(below, total)
    spores = replace(spores, plane=np.full(total, LOW))
    lay_spores(dice, stage, look, spores, under)
    # Bodies at the edge reach into the view, so a small view still meets some of the long ones.
    area_mm2 = stage.view[0] * stage.view[1] * px**2 / 1e6 + 0.03
    rates = np.array(_LOAD[preset]) * area_mm2 * dice.log(0.5, 2) * dice.rng.gamma(0.8, 1.25, len(_THINGS))
    small = np.array([0, 1, 1, 1, 1, 1, 1, 0, 0, 1]) * (preset == "no_spores")
    least = dice.rng.integers(2, 6, len(_THINGS)) * small
    counts = np.clip(
        dice.rng.poisson(rates), least, np.where(np.arange(len(_THINGS)) == 0, 160 * area_mm2, 420)
    )
    numbers = dict(zip(_THINGS, counts.astype(int).tolist(), strict=True))
    low = {name: numbers[name] for name in _THINGS[:4]}
    high = {name: numbers[name] for name in _THINGS[4:]}
    looks = [things.draw_scale_look(dice) for _ in range(dice.whole(2, 4))]
    whole = _lay_things(dice, stage, preset == "no_spores", low, looks)
    y, x = (np.array([spores.y_px, spores.x_px]) + MARGIN_PX).astype(int)
    rows, cols = np.clip(y, 0, stage.kinds.shape[0] - 1), np.clip(x, 0, stage.kinds.shape[1] - 1)
    spores.plane[upper] = np.where(stage.under_scale[rows, cols], HIGH, LOW)[upper]
    lay_spores(dice, stage, look, spores, upper)
    _lay_things(dice, stage, preset == "no_spores", high, looks)
    return spores, numbers, whole


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
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    # The presets share no photo: one seed shows another print under another preset.
    dice = Dice(np.random.default_rng([int(rng.integers(2**62)), PRESETS.index(preset)]))
    if objective is None:
        several = {"ordinary": [10.0, 10.0, 20.0, 40.0], "hard": [10.0, 10.0, 20.0], "scan_4x": [4.0]}
        objective = dice.pick(several.get(preset, [10.0]))
    nearest = min(_PX_UM, key=lambda known: abs(np.log(known / objective)))
    um_per_px = dice.log(*_PX_UM[nearest]) if um_per_px is None else float(um_per_px)
    rough = preset == "hard"
    above = dice.chance(0.3 if rough else 0.08 if preset in ("ordinary", "no_spores") else 0.0)
    dim = dice.chance(0.4 if rough else 0.08)
    shape = (height_px + 2 * MARGIN_PX, width_px + 2 * MARGIN_PX)
    optics = _draw_optics(dice, shape, um_per_px, objective, preset, above)
    stage = Stage(optics, width_px, height_px)
    backs, shares = (
        ["glass", "card", "paper", "plastic"],
        [0.0, 0.5, 0.4, 0.1] if above else [0.4, 0.2, 0.2, 0.2],
    )
    kind, look = dice.pick(backs, shares), draw_look(dice)
    ruled = kind in ("card", "paper") and dice.chance(0.2)
    glue = spread_glue(dice, stage, dice.even(0.02, 0.35 if rough else 0.15))
    total = _spore_count(dice, preset, width_px * height_px, width_px * height_px * um_per_px**2, look)
    spores, numbers, whole = _lay_all(dice, stage, preset, look, total)
    ground = draw_ground(dice, stage, kind, ruled)
    phone = draw_phone(dice, width_px, height_px, dim, 18000 / objective / um_per_px)
    linear, inside = through_eyepiece(dice, stage.light(ground)[stage.inner], phone)
    return SimulatedPhoto(
        rgb=shoot(dice, linear, phone),
        um_per_px=um_per_px,
        objective=float(objective),
        spores=judge(stage, spores, look.point, linear, inside, phone),
        kind_map=np.where(inside, stage.kinds[stage.inner], 0).astype(np.uint8),
        scales=int(whole),
        notes={"style": "thickness", "preset": preset, "from_above": above, "dim": dim, "ground": kind}
        | {"glue": glue, "round_view": phone.view is not None, "defocus_um": float(-optics.focus_um.mean())}
        | {"ruled": ruled, "spore_length_um": look.length_um, "quality": phone.quality}
        | {f"laid_{name}": number for name, number in numbers.items()},
    )

"""Everything on a print that is not a spore."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sporecount.simulate.thickness.fields import (
    Array,
    Dice,
    along_curve,
    lemon,
    ragged,
    smooth_noise,
    winding,
)
from sporecount.simulate.thickness.stage import (
    DEEP,
    HIGH,
    LOW,
    MARGIN_PX,
    SHEET,
    TAPE,
    Frame,
    Material,
    Stage,
)

# Colour of the pigment and the range of its strength.
_SCALES = {
    "orange": ((0.05, 0.4, 1.3), (0.25, 1.0)), "brown": ((0.5, 0.85, 1.3), (0.2, 1.1)),
    "black": ((1.0, 1.1, 1.25), (0.6, 2.2)), "white": ((0.1, 0.11, 0.13), (0.2, 0.7)),
    "pale": ((0.12, 0.2, 0.36), (0.2, 0.8)),
}  # fmt: skip
_FULL_TURN = 2 * float(np.pi)


@dataclass(frozen=True)
class ScaleLook:
    """One sort of scale; ridges by pitch and depth, mottle by strength and grain."""

    length_um: float
    width_um: float
    sheet: Material
    thick_um: float
    pitch_um: float
    ridge: float
    teeth: int
    tooth_um: float
    mottle: float
    grain_um: float
    gloss: float


def draw_scale_look(dice: Dice) -> ScaleLook:
    """Draw one of the sorts of scale on a print."""
    tint, strength = _SCALES[dice.pick(list(_SCALES), [0.3, 0.22, 0.16, 0.12, 0.2])]
    thick = dice.even(0.8, 2.0)
    return ScaleLook(
        dice.even(105, 230), dice.even(50, 108),
        Material(tint, dice.even(0.03, 0.09)).times(dice.even(*strength) / thick), thick, dice.even(1.6, 3.4),
        dice.even(0.12, 0.6), dice.whole(0, 7), dice.even(4, 22), dice.even(0.02, 0.2), dice.even(3, 22),
        dice.even(0, 0.35),
    )  # fmt: skip


def _sheet(dice: Dice, frame: Frame, look: ScaleLook, px: float, outline: Array) -> Array:
    # Lines finer than the pixels show only as far as a pixel's mean lets them.
    keep = float(np.exp(-2 * (np.pi * 0.5 * px / look.pitch_um) ** 2))
    bend = frame.v + dice.bell(0, 2.5) * np.cos(frame.u / dice.even(30, 70))
    ridges = 1 + look.ridge * keep * np.cos(_FULL_TURN / look.pitch_um * bend)
    if px < 0.35:
        rungs = 0.3 * look.ridge * float(np.exp(-2 * (np.pi * 0.5 * px / 1.1) ** 2))
        ridges += rungs * np.cos(frame.u * (_FULL_TURN / 1.1))
    mottle = 1 + look.mottle * smooth_noise(dice, outline.shape, max(look.grain_um / px, 2.0))
    return look.thick_um * np.clip(0.5 - outline / px, 0, 1) * ridges * np.clip(mottle, 0.2, None)


def lay_scale(dice: Dice, stage: Stage, look: ScaleLook, x: float, y: float, torn: bool) -> bool:
    """Draw a scale, toothed end along +u, stalk along -u; tell whether it is nearly whole."""
    px, size = stage.optics.um_per_px, dice.even(0.85, 1.1)
    long, wide = look.length_um * size / 2, look.width_um * size / 2
    frame = stage.frame(x, y, dice.way(), long + 13, wide)
    if frame is None:
        return False
    u, v = frame.u, frame.v
    # From the stalk the sheet widens fast, then slowly or not; the far end is a blunt curve with teeth.
    way, across = np.clip((u + long) / (2 * long), 0, 1), np.clip(v / wide, -1, 1)
    half = wide * (1 - np.exp(-dice.even(3.5, 9) * way)) ** dice.even(0.5, 0.9)
    half *= 1 + dice.even(-0.25, 0.3) * (way - 1)
    end = long * (1 - 0.22 * across**2)
    if look.teeth:
        saw = np.abs(((across + 1) * look.teeth / 2 + dice.even(0, 1)) % 1 - 0.5) * 2
        end -= look.tooth_um * saw ** dice.even(0.7, 1.6)
    outline = np.maximum(np.maximum(np.abs(v) - half, u - end), -long - u)
    whole = float((outline < 0).sum())
    for _ in range(dice.whole(1, 2) if torn else 0):
        cut, near = dice.way(), dice.even(0.1, 0.75) * wide
        jag = smooth_noise(dice, u.shape, 9 / px) * dice.even(0.5, 4)
        outline = np.maximum(outline, u * float(np.cos(cut)) + v * float(np.sin(cut)) + jag - near)
    thick = _sheet(dice, frame, look, px, outline)
    if not torn:
        stalk = np.maximum(np.abs(v) - 1.6, np.abs(u + long + 5) - 7.5)
        thick = np.maximum(thick, look.thick_um * np.clip(0.5 - stalk / px, 0, 1))
    # Pigment is uneven along the scale, and the margins are thicker or fold over.
    shade = 1 + dice.bell(0, 0.3) * (way - 0.5)
    shade += dice.even(0, 0.45) * np.exp(np.minimum(outline, 0) / dice.even(1, 5))
    if dice.chance(0.35):
        shade += dice.even(0.2, 0.8) * (across > dice.even(0.4, 0.8))
    thick = thick * np.clip(shade, 0.3, None)
    stage.add(frame.box, HIGH if dice.chance(0.3) else SHEET, thick, look.sheet)
    stage.claim(frame.box, "scale", thick > 0.4 * look.thick_um, thick * look.sheet.loss_per_um[1])
    stage.gloss[frame.box] += look.gloss * thick / look.thick_um * (1 + 0.4 * across)
    return bool((outline < 0).sum() > 0.6 * whole)


def lay_piece(dice: Dice, stage: Stage, look: ScaleLook, x: float, y: float, size_um: float) -> None:
    """Draw a torn piece of a scale, low in the glue."""
    frame = stage.frame(x, y, dice.way(), size_um, size_um)
    if frame is not None:
        stretch = dice.even(0.6, 1)
        outline = ragged(dice, frame.u * stretch, frame.v / stretch, size_um / 2, 0.35, dice.whole(1, 3))
        thick = _sheet(dice, frame, look, stage.optics.um_per_px, outline)
        stage.add(frame.box, LOW, thick, look.sheet)
        stage.claim(frame.box, "scale piece", outline < 0, thick * look.sheet.loss_per_um[1])


def _egg(
    stage: Stage, x: float, y: float, angle: float, radius: float, stretch: float, shell: float, wall: Material,
    inside: Material, kind: str,
) -> Frame | None:  # fmt: skip
    frame = stage.frame(x, y, angle, radius * stretch, radius)
    if frame is not None:
        whole = lemon(frame.u, frame.v, radius * stretch, radius, 0.5)
        inner = lemon(frame.u, frame.v, radius * stretch - shell, radius - shell, 0.5)
        stage.add(frame.box, LOW, whole - inner, wall)
        stage.add(frame.box, LOW, inner, inside)
        stage.claim(frame.box, kind, whole > 0, whole * inside.loss_per_um[1])
    return frame


def lay_pollen(dice: Dice, stage: Stage, x: float, y: float, size_um: float) -> None:
    """Draw a pollen grain with spines, or with three thin places."""
    px, turn, radius = stage.optics.um_per_px, dice.way(), size_um / 2
    inside = Material((0.03, 0.12, 0.5), 0.02).times(dice.even(0.5, 3) / size_um)
    wall = Material((0.3, 0.6, 1.2), dice.even(0.02, 0.06)).times(dice.even(1, 5) / size_um)
    stretch = dice.pick([1.0, 1.0, dice.even(1.05, 1.5)])
    frame = _egg(stage, x, y, turn, radius, stretch, dice.even(0.6, 1.6), wall, inside, "pollen")
    if frame is not None:
        lumps = smooth_noise(dice, frame.u.shape, max(dice.even(0.8, 2.2) / px, 1.5)) * (0.12 * radius)
        stage.add(frame.box, LOW, lumps * (lemon(frame.u, frame.v, radius * stretch, radius, 0.5) > 0), wall)
    spiny = dice.chance(0.5)
    for at in turn + np.arange(14 if spiny else 3) * _FULL_TURN / (14 if spiny else 3):
        out = radius * (1.02 if spiny else 0.7) / px
        bump = stage.frame(x + out * np.cos(at), y + out * np.sin(at), 0, 2, 2)
        if bump is not None:
            wide, high = (0.9, 0.9) if spiny else (1.6, -0.35 * min(radius / 6, 1))
            stage.add(bump.box, LOW, lemon(bump.u, bump.v, wide, wide, 0.5) * high, wall)


def lay_mould(dice: Dice, stage: Stage, x: float, y: float, size_um: float, olive: float) -> None:
    """Draw mould spores: a chain or heap of small beads, or one large club with cross walls."""
    px, way, club, chain = stage.optics.um_per_px, dice.way(), dice.chance(0.25), dice.chance(0.5)
    wall = Material((0.8, 0.75, 1.1), 0.035).times(0.15 + 0.5 * olive)
    inside = Material((0.8, 0.8, 1.1), 0.03).times(0.02 + 0.1 * olive)
    for k in range(dice.whole(2, 5) if club else dice.whole(1, 8)):
        radius = 2.6 + 1.6 * float(np.sin(0.5 + 0.6 * k)) if club else size_um / 2
        _egg(stage, x, y, way, radius, 1.0 if club else dice.even(1, 1.5), 0.45, wall, inside, "other")
        way += 0.0 if club else dice.bell(0, 0.4 if chain else 2.0)
        step = 4.2 if club else 1.15 * size_um
        x, y = x + step / px * float(np.cos(way)), y + step / px * float(np.sin(way))


def lay_dust(dice: Dice, stage: Stage, x: float, y: float, size_um: float) -> None:
    """Draw a grain of dust: an angular clear crystal or a rough lump."""
    frame = stage.frame(x, y, dice.way(), size_um, size_um)
    if frame is not None:
        crystal, stretch = dice.chance(0.3), dice.even(0.6, 1)
        sides = dice.whole(2, 5) if crystal else 0
        outline = ragged(dice, frame.u * stretch, frame.v / stretch, size_um / 2, 0.4, sides)
        lumps = 1 + 0.4 * smooth_noise(dice, outline.shape, max(2 / stage.optics.um_per_px, 2))
        thick = np.clip(np.minimum(-outline * 1.2, size_um * 0.35), 0, None) * np.clip(lumps, 0.1, None)
        tint = Material(dice.pick([(1, 1.05, 1.1), (0.7, 0.9, 1.2), (0.9, 1, 1)]), 0.07 if crystal else 0.02)
        material = tint.times(0.03 if crystal else dice.log(0.5, 5) / max(size_um, 4))
        stage.add(frame.box, LOW, thick, material)
        stage.claim(frame.box, "dust", outline < 0, thick * material.loss_per_um[1])


def lay_drop(dice: Dice, stage: Stage, x: float, y: float, size_um: float, liquid: Material) -> None:
    """Draw a droplet of a coloured liquid that lies on the glue: round top, steep but finite edge."""
    frame = stage.frame(x, y, dice.way(), size_um * 0.8, size_um * 0.7)
    if frame is not None:
        field = ragged(dice, frame.u * dice.even(0.75, 1), frame.v, size_um / 2, 0.05) / (size_um / 2)
        thick = min(0.5 * size_um, 6.0) * np.clip(1 - np.clip(field + 1, 0, 1) ** 2, 0, None) ** 0.75
        stage.add(frame.box, LOW, thick, liquid)
        stage.claim(frame.box, "other", thick > 0, thick * liquid.loss_per_um[1])


def lay_bubble(dice: Dice, stage: Stage, x: float, y: float, size_um: float) -> None:
    """Draw an air bubble in the glue: steep walls, and a flat middle where it is large."""
    frame = stage.frame(x, y, dice.way(), size_um * 0.85, size_um * 0.85)
    if frame is not None:
        rough = 0.03 if size_um < 25 else dice.even(0.03, 0.3)
        away = ragged(dice, frame.u * dice.even(0.8, 1), frame.v, size_um / 2, rough)
        wall = min(size_um / 2, dice.even(2.0, 7.0))
        thick = 0.5 * wall * np.sqrt(1 - (1 - np.clip(-away / wall, 0, 1)) ** 2)
        # Air has an index 0.47 below that of the glue; a thin film keeps part of the step.
        stage.add(frame.box, TAPE, thick, Material((0.004,) * 3, -dice.even(0.12, 0.47)))
        stage.claim(frame.box, "bubble", away < 0, np.where(away > -0.35 * wall, np.float32(1.2), 0))


def _lay_thread(
    dice: Dice, stage: Stage, x: float, y: float, kind: str, length_um: float, width_um: float, body: Material,
    plane: int, wander: float, twist: float, taper: float, core: float,
) -> None:  # fmt: skip
    """Draw a thread: `twist` makes it narrow and widen, `taper` thins its end, `core` its middle line."""
    px, way = stage.optics.um_per_px, dice.way()
    start = np.array([x, y]) + MARGIN_PX - 0.5 * length_um / px * np.array([np.cos(way), np.sin(way)])
    points = winding(dice, start, way, length_um / px, max(1.2 * width_um, 5.0) / px, wander)
    low = np.maximum(points.min(axis=0) - width_um / px, 0).astype(int)
    high = np.minimum(points.max(axis=0) + width_um / px + 2, stage.kinds.shape[::-1]).astype(int)
    if (low >= high).any():
        return
    shape = (int(high[1] - low[1]), int(high[0] - low[0]))
    signed, station = along_curve(points - low, shape, width_um * (0.8 + twist) / px)
    half = width_um / 2 * (1 - taper * station)
    half *= 1 + twist * np.cos(
        station * (_FULL_TURN * length_um / (width_um * dice.even(5, 14))) + dice.way()
    )
    side = signed * px / half
    thick = 2 * half * np.sqrt(np.clip(1 - side**2, 0, None)) * (1 + core * np.exp(-((side / 0.35) ** 2)))
    box = slice(low[1], high[1]), slice(low[0], high[0])
    stage.add(box, plane, thick, body)
    stage.claim(box, kind, np.abs(side) < 1, thick * body.loss_per_um[1])


def lay_hair(dice: Dice, stage: Stage, x: float, y: float, short: bool) -> None:
    """Draw a brown hair that thins to its end, or a short bristle below the scales."""
    width = dice.even(2, 5) if short else dice.even(2.5, 14)
    body = Material((0.7, 0.95, 1.3), dice.even(0.02, 0.06)).times(dice.log(0.15, 3) / width)
    length, core = dice.even(10, 30) if short else dice.even(150, 1100), dice.pick([0, 0, -0.5, 0.6])
    bent, taper, plane = dice.even(0.02, 0.15), dice.even(0.3, 0.95), LOW if short else TAPE
    _lay_thread(dice, stage, x, y, "hair", length, width, body, plane, bent, 0.0, taper, core)


def lay_fibre(dice: Dice, stage: Stage, x: float, y: float) -> None:
    """Draw a long fibre of cloth, colourless or dyed, twisted or not."""
    dyes = [(0.02, 0.02, 0.03)] * 4 + [(0.9, 0.5, 0.15), (0.15, 0.9, 0.7), (0.9, 0.9, 0.9)]
    body = Material(dice.pick(dyes), dice.even(0.02, 0.07)).times(dice.even(0.02, 0.12))
    size, plane, twist = (dice.even(200, 1500), dice.even(8, 22)), dice.pick([TAPE, DEEP]), dice.even(0, 0.45)
    _lay_thread(dice, stage, x, y, "fibre", *size, body, plane, dice.even(0.1, 0.4), twist, 0.0, 0.0)

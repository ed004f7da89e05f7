"""Everything on a print that is no spore, each a distance field in its own window."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import NamedTuple

import numpy as np

from sporecount.simulate.outlines.fields import Array, Sheet
from sporecount.simulate.outlines.style import HouseStyle

SCALE_TINTS = {
    "orange": ((0.12, 0.5, 1.25), (0.25, 0.6)),
    "brown": ((0.55, 0.85, 1.15), (0.3, 0.75)),
    "black": ((1.0, 1.04, 1.08), (0.55, 1.2)),
    "white": ((1.0, 1.0, 0.95), (0.06, 0.22)),
    "pale": ((0.6, 0.8, 1.2), (0.06, 0.2)),
}
"""Tint and the range of density of each colour of scale."""


class ScaleLook(NamedTuple):
    """One of the kinds of scale on a print."""

    tint: Array
    density: float
    wide_um: float
    long_um: float
    teeth: int
    tooth_um: float
    pitch_um: float
    ridge: float
    rim: float
    haze: float


def draw_scale_look(rng: np.random.Generator, style: HouseStyle) -> ScaleLook:
    """Draw a kind of scale."""
    tint, (low, high) = SCALE_TINTS[str(rng.choice(list(SCALE_TINTS), p=[0.28, 0.24, 0.16, 0.14, 0.18]))]
    density = float(rng.uniform(low, high))
    strength = {"ridged": 0.35, "ribbed": 0.3, "smooth": 0.06, "mottled": 0.12}[style.ways["scale"]]
    wide, long, tooth, pitch, ridge, rim, haze = rng.uniform(
        (50, 105, 3, 1.6, 0.5, 0.02, 0.1), (105, 230, 18, 3.4, 1.3, 0.15, 0.5)
    ).tolist()
    # Finer ridges than the pixels show would beat against them.
    pitch = max(pitch, 2.6 * style.um_per_px)
    haze = min(haze + 0.3 * density, 0.9)
    teeth = int(rng.integers(0, 7))
    return ScaleLook(np.array(tint), density, wide, long, teeth, tooth, pitch, strength * ridge, rim, haze)


def _scale_texture(
    rng: np.random.Generator, style: HouseStyle, look: ScaleLook, u: Array, v: Array, noise: Array
) -> Array:
    """Density over the mean density of a scale, from ridges along it, ribs across it and mottling."""
    texture = 1 + look.ridge * np.cos(2 * np.pi / look.pitch_um * v + 0.8 * noise)
    if style.ways["scale"] == "ribbed":
        texture = texture + 0.6 * look.ridge * np.cos(2 * np.pi / (1.4 * look.pitch_um) * u + noise)
    fade = rng.uniform(-0.4, 0.4)
    blotch = 0.28 if style.ways["scale"] == "mottled" else 0.1
    return np.clip(texture + fade * u / look.long_um + blotch * noise, 0.15, None)


def lay_scale(
    rng: np.random.Generator, sheet: Sheet, style: HouseStyle, look: ScaleLook, x: float, y: float
) -> bool:
    """Lay a scale, centred on a point; whether it is whole or nearly so."""
    long, half = look.long_um * rng.uniform(0.85, 1.1), look.wide_um / 2 * rng.uniform(0.85, 1.1)
    patch = sheet.patch(x, y, 0.5 * long + half + 16, fine_um=1.0)
    u, v = patch.turned(rng.uniform(0, 2 * np.pi))
    # A slight bend, and an outline that is nowhere quite straight.
    v = v + np.float32(rng.normal(0, 0.1) / long) * u * u
    noise = patch.noise(rng, 22.0, 2)
    along = np.clip((u + 0.5 * long) / (0.42 * long), 0, 1)
    body = half * np.sqrt(along * (2 - along)) * (1 - 0.12 * np.clip(u / long, 0, 1))
    teeth = 0.5 * long - 0.05 * v * v / half
    if look.teeth:
        phase = v / half * look.teeth / 2 + 0.5
        teeth = teeth - look.tooth_um * np.abs(2 * (phase - np.floor(phase)) - 1)
    distance = np.maximum(np.maximum(np.abs(v) - body, u - teeth), -u - 0.5 * long) + 0.6 * noise
    whole = True
    if rng.random() < 0.4:
        # Torn along a ragged line.
        kept = rng.uniform(0.1, 0.5)
        whole = kept > 0.35
        turn = rng.uniform(0, 2 * np.pi)
        room = long * abs(np.cos(turn)) + 2 * half * abs(np.sin(turn))
        tear = u * np.cos(turn) + v * np.sin(turn) - kept * room
        distance = np.maximum(distance, tear + 4 * patch.noise(rng, 9.0, 3))
    stalk = np.hypot(np.maximum(np.abs(u + 0.5 * long + 5) - 8, 0), v) - 1.4
    distance = np.minimum(distance, stalk)
    cover = sheet.fill(patch, distance)
    edge = look.rim * np.exp(-((distance / 1.2) ** 2))
    density = cover * look.density * _scale_texture(rng, style, look, u, v, noise) + edge
    sheet.scatter(patch, cover, density * sheet.strength, look.haze)
    sheet.darken(patch, density, look.tint)
    return bool(whole)


def lay_piece(
    rng: np.random.Generator, sheet: Sheet, style: HouseStyle, look: ScaleLook, x: float, y: float
) -> None:
    """Lay a torn piece of a scale: a few straight or ragged breaks, flat, with the ridges of its scale."""
    size = float(np.clip(9 * np.exp(rng.normal(0, 0.7)), 3, 50))
    patch = sheet.patch(x, y, 1.6 * size + 2)
    u, v = patch.turned(rng.uniform(0, 2 * np.pi))
    distance: Array = np.full(patch.shape, -1e3, np.float32)
    turns = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(3, 6))))
    for turn in [*turns, turns[0] + np.pi, turns[-1] + 2.2]:
        plane = u * np.cos(turn) + v * np.sin(turn) - size * rng.uniform(0.35, 0.8)
        distance = np.maximum(distance, plane)
    noise = patch.noise(rng, 0.35 * size + 1, 3)
    distance = distance + rng.uniform(0.02, 0.1) * size * noise
    cover = sheet.fill(patch, distance)
    thin = look.density * rng.uniform(0.4, 1.0)
    density = cover * thin * _scale_texture(rng, style, look, u, v, noise)
    density += look.rim * np.exp(-((distance / 0.8) ** 2))
    sheet.lay(patch, cover, density, look.tint, "scale piece")


def lay_dust(rng: np.random.Generator, sheet: Sheet, style: HouseStyle, x: float, y: float) -> None:
    """Lay a grain of dust or dirt."""
    size = float(np.clip(2.2 * np.exp(rng.normal(0, 0.6)), 0.6, 9))
    patch = sheet.patch(x, y, 2.2 * size + 2)
    u, v = patch.turned(rng.uniform(0, 2 * np.pi))
    v = v * np.float32(rng.uniform(1.0, 2.2))
    noise = patch.noise(rng, 0.8 * size + 0.5, 3)
    if style.ways["dust"] == "angular":
        turns = rng.uniform(0, 2 * np.pi) + np.arange(4) * 1.7
        distance = np.max([u * np.cos(t) + v * np.sin(t) - size * rng.uniform(0.5, 1) for t in turns], axis=0)
        distance = distance + 0.1 * size * noise
    else:
        rough = 0.3 if style.ways["dust"] == "ragged" else 0.55
        distance = np.hypot(u, v) - size * (0.8 + rough * noise)
    cover = sheet.fill(patch, distance)
    uneven = np.clip(1 + 0.4 * noise, 0.1, 2)
    warm = rng.random()
    tint = np.array((0.9 - 0.4 * warm, 1.0, 1.05 + 0.4 * warm))
    sheet.lay(patch, cover, cover * uneven * rng.uniform(0.15, 1.0), tint, "dust")


def _lay_ball(
    sheet: Sheet, at: tuple[float, float], radius_um: float, tint: Array, look: tuple[float, float, float]
) -> None:
    """Lay a round thing; `look` is the density of its body, its rim and the bright spot in its middle."""
    wall, rim, light = look
    patch = sheet.patch(*at, 1.2 * radius_um + 1.5)
    radius = np.hypot(patch.x_um, patch.y_um)
    distance = radius - radius_um
    cover = sheet.fill(patch, distance)
    width = np.float32(max(0.16 * radius_um, 0.5))
    density = cover * (wall - light * np.exp(-((radius / (0.35 * radius_um)) ** 2)))
    density += rim * np.exp(-(((distance + 0.5 * width) / width) ** 2))
    sheet.lay(patch, cover, density, tint, "other")


def lay_mould(rng: np.random.Generator, sheet: Sheet, style: HouseStyle, x: float, y: float) -> None:
    """Lay mould spores: round, 3 to 8 um, olive to grey, alone, in a chain or in a heap."""
    radius = float(rng.uniform(1.5, 4.0))
    most = {"single": 2, "chain": 9, "heap": 14}[style.ways["mould"]]
    number = int(rng.integers(1, most))
    tint = np.array((rng.uniform(0.85, 1.1), rng.uniform(0.75, 0.95), rng.uniform(1.0, 1.25)))
    look = (rng.uniform(0.08, 0.45), rng.uniform(0.1, 0.4), rng.uniform(0, 0.15))
    heading = rng.uniform(0, 2 * np.pi)
    for _ in range(number):
        own = radius * rng.uniform(0.88, 1.12)
        _lay_ball(sheet, (x, y), own, tint, look)
        heading += rng.normal(0, 0.35 if style.ways["mould"] == "chain" else 1.8)
        x += 2 * own / sheet.px_um * np.cos(heading)
        y += 2 * own / sheet.px_um * np.sin(heading)


def lay_droplet(rng: np.random.Generator, sheet: Sheet, _style: HouseStyle, x: float, y: float) -> None:
    """Lay a round droplet of brown or yellow body fluid: smooth, no rim apart from a faint one."""
    radius = float(np.clip(5.5 * np.exp(rng.normal(0, 0.45)), 2, 24))
    tint = np.array((0.1, 0.45, 1.4)) + rng.random() * np.array((0.5, 0.4, 0))
    look = (rng.uniform(0.15, 0.55), rng.uniform(0, 0.12), rng.uniform(-0.1, 0.25))
    _lay_ball(sheet, (x, y), radius, tint, look)


def lay_pollen(rng: np.random.Generator, sheet: Sheet, style: HouseStyle, x: float, y: float) -> None:
    """Lay a pollen grain: round, larger than a spore, yellow, with spikes, a net or three pores."""
    radius = float(rng.uniform(8, 19))
    patch = sheet.patch(x, y, 1.4 * radius)
    u, v = patch.turned(rng.uniform(0, 2 * np.pi))
    reach, turn = np.hypot(u, v), np.arctan2(v, u)
    depth = np.clip(1 - reach / radius, 0, 1)
    distance = reach - radius
    texture: Array = np.ones(patch.shape, np.float32)
    if style.ways["pollen"] == "spiky":
        distance = distance + 0.07 * radius * np.cos(turn * int(rng.integers(14, 24)))
        texture = texture + 0.35 * np.cos(u * 2.6) * np.cos(v * 2.6)
    elif style.ways["pollen"] == "netted":
        texture = texture + 0.5 * (np.abs(patch.noise(rng, 3.0, 1)) < 0.3)
    else:
        texture = texture - 0.6 * (np.cos(3 * turn) > 0.9) * (reach > 0.6 * radius)
    cover = sheet.fill(patch, distance)
    body = rng.uniform(0.2, 0.5) * (0.5 + np.sqrt(depth)) * texture
    density = cover * body + rng.uniform(0.2, 0.5) * np.exp(-(((distance + 1.2) / 1.0) ** 2))
    sheet.lay(patch, cover, density, np.array((rng.uniform(0.2, 0.5), 0.6, rng.uniform(1.2, 1.7))), "pollen")


def lay_bubble(rng: np.random.Generator, sheet: Sheet, style: HouseStyle, x: float, y: float) -> None:
    """Lay an air bubble under the tape: colourless, a dark ring around a bright inside."""
    radius = float(np.clip(9 * np.exp(rng.normal(0, 0.7)), 2.5, 70))
    patch = sheet.patch(x, y, 1.3 * radius + 4)
    u, v = patch.turned(rng.uniform(0, 2 * np.pi))
    v = v * np.float32(rng.uniform(1, 1.12))
    wobble = 0.04 * radius * patch.noise(rng, radius, 1) if radius > 14 else 0.0
    distance = np.hypot(u, v) - radius + wobble
    cover = sheet.fill(patch, distance)
    width = float(np.clip(0.18 * radius, 0.8, 4)) * (1.4 if style.ways["bubble"] == "thick" else 0.6)
    ring = np.exp(-(((distance + width) / width) ** 2))
    density = rng.uniform(0.3, 0.9) * ring - cover * rng.uniform(0, 0.06)
    density -= 0.1 * np.exp(-(((distance - width) / width) ** 2))
    if style.ways["bubble"] == "double":
        density += 0.25 * np.exp(-(((distance + 4 * width) / width) ** 2)) * cover
    elif style.ways["bubble"] == "shaded":
        density *= 1 + 0.7 * u / radius
    sheet.darken(patch, density, np.ones(3))
    # A spore behind a bubble's inside is still seen; the ring hides it.
    behind = (patch.coarse(cover * (ring < 0.4)) > 0.5) & (sheet.owner[patch.window] >= 0)
    kinds, owner = sheet.kinds[patch.window][behind], sheet.owner[patch.window][behind]
    sheet.claim(patch, cover, "bubble")
    sheet.kinds[patch.window][behind], sheet.owner[patch.window][behind] = kinds, owner


def lay_thread(
    rng: np.random.Generator, sheet: Sheet, style: HouseStyle, x: float, y: float, kind: str = "fibre"
) -> None:
    """Lay a hair (tapered, smooth, dark) or a fibre of paper, cotton or cloth (wavy, often see-through)."""
    hair = kind == "hair"
    long = float(rng.uniform(40, 420) if hair else rng.uniform(250, 1200))
    wide = float(rng.uniform(2, 7) if hair else rng.uniform(7, 20))
    patch = sheet.patch(x, y, 0.55 * long + 2 * wide, fine_um=1.2)
    u, v = patch.turned(rng.uniform(0, 2 * np.pi))
    bend = rng.normal(0, 0.25 if hair else 0.35) / long
    wave, period = (0.0 if hair else rng.uniform(0, 12)), rng.uniform(60, 240)
    phase = rng.uniform(0, 6)
    off = v - bend * u * u - wave * np.sin(2 * np.pi * u / period + phase)
    slope = 2 * bend * u + wave * 2 * np.pi / period * np.cos(2 * np.pi * u / period + phase)
    along = np.clip(u / long + 0.5, 0, 1)
    half = 0.5 * wide * (np.sqrt(1.02 - along) if hair else 1 + 0.25 * np.sin(u / period * 4))
    if not hair and style.ways["thread"] == "ribbon":
        half = half * (0.35 + 0.65 * np.abs(np.cos(np.pi * u / (0.7 * period))))
    distance = np.maximum(np.abs(off) / np.sqrt(1 + slope * slope) - half, np.abs(u) - 0.5 * long)
    cover = sheet.fill(patch, distance)
    core = np.clip(np.abs(off) / np.maximum(half, 0.3), 0, 1)
    if style.ways["thread"] == "solid":
        density = cover * rng.uniform(0.3, 1.1) * (0.7 + 0.3 * core)
    else:
        density = cover * (rng.uniform(0.04, 0.3) + rng.uniform(0.2, 0.7) * core**4)
    tint = np.array((0.8, 1.0, 1.15))
    if not hair:
        tint = 1 + rng.uniform(-0.5, 0.3, 3) * (rng.random() < 0.3)
    density *= 1.3 if hair else 0.7
    sheet.lay(patch, cover, density, tint, kind)


LAY: dict[str, Callable[..., None]] = {
    "dust": lay_dust,
    "mould": lay_mould,
    "droplet": lay_droplet,
    "pollen": lay_pollen,
    "bubble": lay_bubble,
    "fibre": lay_thread,
    "hair": partial(lay_thread, kind="hair"),
}
"""All take the style, so that they can be called alike."""
"""How to lay each of the things that need no look of their own."""

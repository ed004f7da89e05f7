"""Grains of pollen, mould and dust, crystals and flakes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sporecount.simulate.bands.bands import Stuff
from sporecount.simulate.bands.outlines import Plane, band, cover, cut_polygon, ellipse, wobbly
from sporecount.simulate.bands.stage import Part, Stage


@dataclass(frozen=True)
class MouldLook:
    """How the mould of one print looks: units of olive, length, ratio, spores in a chain, walls across, warts."""

    olive: float
    length_um: float
    ratio: float
    chain: int
    walls: int
    warts: float


def draw_mould_look(rng: np.random.Generator) -> MouldLook:
    """Draw a sort: round and clear, oval and olive with a wall across, or large clubs with many walls."""
    if rng.random() < 0.15:
        return MouldLook(
            rng.uniform(0.15, 0.35),
            rng.uniform(24, 45),
            rng.uniform(2.0, 2.8),
            1,
            int(rng.integers(3, 6)),
            0.0,
        )
    olive = float(rng.choice([0.0, 0.02, 0.1, 0.2]) * rng.uniform(0.7, 1.4))
    walls = int(olive > 0.06 and rng.random() < 0.7)
    return MouldLook(
        olive=olive,
        length_um=rng.uniform(7, 13) if walls else rng.uniform(3.0, 8.5),
        ratio=rng.uniform(1.5, 2.4) if walls else rng.uniform(1.0, 1.5),
        chain=int(rng.choice([1, 1, 2, 3, 5, 8])),
        walls=walls,
        warts=float(rng.choice([0, 0, 0.05])),
    )


def lay_mould(rng: np.random.Generator, stage: Stage, look: MouldLook, x_px: float, y_px: float) -> None:
    """Lay a mould spore, or a chain of them."""
    turn, px = rng.uniform(0, 2 * np.pi), stage.lens.um_per_px
    count = 1 if look.chain == 1 else max(1, int(rng.poisson(look.chain)))
    skin = Stuff({"olive": look.olive}, scatter=0.06)
    rim = Stuff({"olive": 0.8 * look.olive, "soot": 0.09 if look.olive > 0.05 else 0.17})
    height, x, y = rng.uniform(0, 4), x_px, y_px
    for _ in range(count):
        length = look.length_um * np.exp(rng.normal(0, 0.08))
        frame = stage.frame(x, y, np.degrees(turn), 0.6 * length + 3, height)
        if frame is not None:
            a, b = length / 2, length / 2 / look.ratio
            # Clubs are thin at one end.
            taper = np.float32(1) if look.walls < 2 else np.clip(1.15 + 0.6 * frame.u / length, 0.4, 1.6)
            d = ellipse(frame.u, frame.v * taper, a, b)
            if look.warts:
                d = d - np.float32(look.warts * a) * np.cos(9 * np.arctan2(frame.v, frame.u))
            body = cover(d, px)
            turned = float(np.clip(stage.lens.depth(x, y, height) * stage.lens.spread / 1.2, -1, 1))
            inner = np.exp(-((frame.u / (0.6 * a)) ** 2 + (frame.v / (0.6 * b)) ** 2)).astype(np.float32)
            parts = [
                stage.part(body, skin),
                stage.part(band(d, -0.75, 0.15, px), rim, on=skin),
                stage.part(inner * body, Stuff(gain=1.16 + 0.14 * turned, sheen=0.06), on=skin),
                stage.part(band(d, 0.15, 1.0, px), Stuff(gain=1 + 0.08 * turned)),
            ]
            for k in range(look.walls):
                at = np.float32(2 * a * ((k + 1) / (look.walls + 1) - 0.5))
                across = cover(np.abs(frame.u - at) - np.float32(0.35), px) * body
                parts.append(stage.part(across, Stuff({"olive": 1.2 * look.olive, "soot": 0.1}), on=skin))
            stage.lay(frame, parts, height, "other", body)
        turn += rng.normal(0, 0.25)
        x += length * 0.97 * np.cos(turn) / px
        y += length * 0.97 * np.sin(turn) / px


@dataclass(frozen=True)
class PollenLook:
    """How one sort of pollen looks: its size, ratio, coat, spines and openings."""

    size_um: float
    ratio: float
    colour: Stuff
    spines: int
    furrows: bool
    pores: int


def draw_pollen_look(rng: np.random.Generator) -> PollenLook:
    """Draw a plant's pollen: round, oval with a furrow, or spiny; yellow, seldom small as a spore."""
    sort = rng.choice(["round", "oval", "spiny", "small"], p=[0.3, 0.25, 0.25, 0.2])
    yellow = float(np.exp(rng.uniform(np.log(0.08), np.log(0.5))))
    colour = Stuff(
        {"carotenoid": yellow, "pterin": 0.3 * yellow, "lignin": rng.uniform(0.02, 0.06)}, scatter=0.25
    )
    size = {"round": rng.uniform(18, 50), "oval": rng.uniform(20, 42), "spiny": rng.uniform(20, 45)}
    return PollenLook(
        size_um=size.get(str(sort), rng.uniform(9, 15)),
        ratio=rng.uniform(1.3, 1.7) if sort == "oval" else rng.uniform(1.0, 1.3 if sort == "small" else 1.08),
        colour=colour,
        spines=int(rng.integers(12, 22)) if sort == "spiny" else 0,
        furrows=bool(sort in ("oval", "small")),
        pores=int(rng.choice([0, 3, 4])) if sort == "round" else 0,
    )


def lay_pollen(rng: np.random.Generator, stage: Stage, look: PollenLook, x_px: float, y_px: float) -> None:
    """Lay a grain of pollen: a double wall, a bright middle, spines, furrows or pores."""
    px, size, height = stage.lens.um_per_px, look.size_um * np.exp(rng.normal(0, 0.05)), rng.uniform(2, 8)
    frame = stage.frame(x_px, y_px, rng.uniform(0, 360), 0.75 * size + 3, height)
    if frame is None:
        return
    u, v = frame.u, frame.v
    a, b = size / 2, size / 2 / look.ratio
    d = ellipse(u, v, a, b)
    turn = np.arctan2(v, u)
    if look.spines:
        spike = np.clip(np.cos(look.spines * turn), 0, 1) ** 3
        d = d - np.float32(0.16 * a) * spike.astype(np.float32)
    body = cover(d, px)
    wall = max(0.07 * size, 0.9)
    coat = Stuff({name: 0.6 * units for name, units in look.colour.pigments.items()} | {"soot": 0.1})
    deep = np.clip(-d / b, 0, 1)
    parts: list[Part] = [
        stage.part(body, look.colour),
        stage.part(band(d, -wall, 0, px), coat, on=look.colour),
        stage.part(band(d, -1.7 * wall, -1.15 * wall, px), Stuff(gain=1.18), on=look.colour),
        stage.part(body * deep**2, Stuff(gain=1.2, sheen=0.1), on=look.colour),
        stage.part(band(d, 0.2, 1.4, px), Stuff(gain=1.06)),
    ]
    if look.spines:
        dots = np.clip(np.cos(u * np.float32(13 / a)) * np.cos(v * np.float32(13 / a)) * 2 - 0.6, 0, 1) * body
        parts.append(stage.part(dots.astype(np.float32), coat, on=look.colour))
    if look.furrows:
        slit = ellipse(u, v - np.float32(0.1 * b), 0.75 * a, max(0.1 * b, 0.3))
        parts.append(stage.part(cover(slit, px) * body, Stuff(coat.pigments, gain=0.8), on=look.colour))
    for k in range(look.pores):
        at = 2 * np.pi * k / look.pores
        pore = np.hypot(u - np.float32(0.8 * a * np.cos(at)), v - np.float32(0.8 * b * np.sin(at)))
        parts.append(
            stage.part(cover(pore - np.float32(0.13 * a), px) * body, Stuff(gain=1.25), on=look.colour)
        )
    stage.lay(frame, parts, height, "pollen", body)


def _rough(rng: np.random.Generator, u: Plane, v: Plane, size_um: float) -> Plane:
    """Distance of a broken grain: ragged, with a few flat sides."""
    waves = rng.normal(0, 0.13, 11) / np.arange(1, 12) ** 0.5
    ragged = wobbly(u, v, 0.55 * size_um, waves, rng.uniform(0, 2 * np.pi, 11))
    sides = int(rng.integers(2, 5))
    flat = cut_polygon(u, v, rng.uniform(0, 2 * np.pi, sides), size_um * rng.uniform(0.15, 0.45, sides))
    return np.maximum(ragged, flat)


def lay_dust(rng: np.random.Generator, stage: Stage, x_px: float, y_px: float, size_um: float) -> None:
    """Lay a grain of dust: ragged, grey to black, or of rusty mineral."""
    px, height = stage.lens.um_per_px, rng.uniform(0, 6)
    frame = stage.frame(x_px, y_px, rng.uniform(0, 360), 0.9 * size_um + 2, height)
    if frame is None:
        return
    d = _rough(rng, frame.u, frame.v * np.float32(rng.uniform(1, 1.7)), size_um)
    body = cover(d, px)
    dark = float(rng.uniform(0.2, 1.6))
    skin = Stuff(
        {"soot": dark} if rng.random() < 0.8 else {"melanin": 0.5 * dark, "soot": 0.5 * dark}, scatter=0.1
    )
    lump = _rough(rng, frame.u - np.float32(0.15 * size_um), frame.v, 0.5 * size_um)
    parts = [
        stage.part(body, skin),
        stage.part(
            cover(lump, px) * body, Stuff({"soot": 0.3} if rng.random() < 0.5 else {}, gain=1.3), on=skin
        ),
    ]
    stage.lay(frame, parts, height, "dust", body)


def lay_flake(rng: np.random.Generator, stage: Stage, x_px: float, y_px: float, size_um: float) -> None:
    """Lay a thin clear or yellowish flake, or a crystal with bright and dark facets."""
    px, height, crystal = stage.lens.um_per_px, rng.uniform(0, 6), rng.random() < 0.45
    frame = stage.frame(x_px, y_px, rng.uniform(0, 360), size_um + 2, height)
    if frame is None:
        return
    corners = int(rng.integers(4, 7))
    turns = 2 * np.pi * (np.arange(corners) + rng.uniform(-0.25, 0.25, corners)) / corners
    d = cut_polygon(frame.u, frame.v, turns, size_um * rng.uniform(0.28, 0.6, corners))
    body = cover(d, px)
    skin = Stuff({"lignin": rng.uniform(0, 0.06)}, scatter=rng.uniform(0.02, 0.15), sheen=0.03)
    parts = [
        stage.part(body, skin),
        stage.part(band(d, -0.9, 0.1, px), Stuff({"soot": rng.uniform(0.08, 0.3)}), on=skin),
        stage.part(band(d, 0.1, 1.1, px), Stuff(gain=1.08)),
    ]
    if crystal:
        for turn in turns:
            facet = np.cos(np.arctan2(frame.v, frame.u) - turn) > np.cos(np.pi / corners)
            gain = rng.uniform(0.65, 1.35)
            parts.append(
                stage.part(body * facet, Stuff(gain=gain, sheen=0.2 if gain > 1.2 else 0.0), on=skin)
            )
    stage.lay(frame, parts, height, "dust", body)


def lay_specks(rng: np.random.Generator, stage: Stage, x_px: Plane, y_px: Plane) -> None:
    """Lay the finest dust: dots below three micrometres."""
    for x, y in zip(x_px, y_px, strict=True):
        size, height = rng.uniform(0.6, 2.8), rng.uniform(-2, 5)
        frame = stage.frame(float(x), float(y), 0.0, size + 1, height)
        if frame is None:
            continue
        d = (np.hypot(frame.u, frame.v) - np.float32(size / 2)).astype(np.float32)
        body = cover(d, stage.lens.um_per_px)
        parts = [stage.part(body, Stuff({"soot": rng.uniform(0.1, 1.0)}))]
        stage.lay(frame, parts, height, "dust" if size > 1.5 else None, body)

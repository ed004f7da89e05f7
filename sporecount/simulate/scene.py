"""The print as a list of things in um: what lies where, before any light.

`draw_print_scene` draws them; `painters` turns each into optical density. Positions are in um of the print,
x to the right, y down.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from sporecount.simulate import shapes
from sporecount.simulate.ranges import PrintRanges
from sporecount.simulate.sample import SCALE_COLOURS, PrintSample, between, log_between
from sporecount.simulate.truth import KIND_NAMES

LOW, ON, HIGH = 0, 1, 2
"""Layers by height: pressed into the adhesive and beneath scales; on top of scales; standing high."""

KIND = {name: number for number, name in enumerate(KIND_NAMES)}


@dataclass(frozen=True)
class Thing:
    """One object of the scene.

    Parameters
    ----------
    shape : str
        Which painter draws it: "spore", "scale", "solid", "bubble", "strand" or "band".
    kind : int
        Number in `KIND_NAMES`.
    layer : int
        `LOW`, `ON` or `HIGH`; within a layer the later thing lies on top.
    x_um, y_um, angle_deg : float
        Place and direction on the print.
    points : ndarray of shape (n, 2)
        Outline (or centre line of a "strand") in the thing's own frame, um.
    look : dict
        Numbers for the painter.
    seed : int
        Of its texture, so that a second photo of the place shows the same thing.
    """

    shape: str
    kind: int
    layer: int
    x_um: float
    y_um: float
    angle_deg: float
    points: np.ndarray
    look: dict
    seed: int = 0


@dataclass(frozen=True)
class Scene:
    """Things on a rectangle of the print, `extent_um` = (left, top, width, height)."""

    extent_um: tuple[float, float, float, float]
    things: tuple[Thing, ...] = field(default_factory=tuple)


def draw_print_scene(
    rng: np.random.Generator,
    sample: PrintSample,
    ranges: PrintRanges,
    extent_um: tuple[float, float, float, float],
    *,
    spores: int,
    rate_gain: float = 1.0,
) -> Scene:
    """Draw the things on a rectangle of a print.

    Parameters
    ----------
    rng : numpy.random.Generator
    sample : PrintSample
    ranges : PrintRanges
    extent_um : tuple of float
        left, top, width, height of the rectangle in um of the print.
    spores : int
        How many spores to place.
    rate_gain : float
        Multiplies all rates but that of the scales; above 1 for a small rectangle, where a reader goes to
        look at something.
    """
    place = _Placer(rng, extent_um, rate_gain)
    scales = list(_scales(rng, sample, ranges, place))
    low: list[Thing] = [*_ink(rng, ranges, place), *_glue(rng, ranges, place)]
    low += [*_dust(rng, ranges, place), *_mould(rng, ranges, place)]
    under, over = _spores(rng, sample, ranges, place, scales, spores)
    pieces = list(_pieces(rng, sample, ranges, place))
    split = len(pieces) // 2
    on = [*pieces[split:], *_droplets(rng, ranges, place), *_bubbles(rng, ranges, place)]
    low += pieces[:split]
    rng.shuffle(low)  # type: ignore[arg-type]
    rng.shuffle(on)  # type: ignore[arg-type]
    high = [*_pollen(rng, ranges, place), *_strands(rng, sample, ranges, place)]
    rng.shuffle(high)  # type: ignore[arg-type]
    return Scene(extent_um, (*low, *under, *scales, *on, *over, *high))


class _Placer:
    """Draws places and numbers of things on the rectangle."""

    def __init__(self, rng: np.random.Generator, extent_um: tuple[float, float, float, float], gain: float):
        self.rng, self.extent, self.gain = rng, extent_um, gain
        self.area_mm2 = extent_um[2] * extent_um[3] * 1e-6

    def number(self, rate: tuple[float, float], gain: float = 1.0) -> int:
        return int(self.rng.poisson(log_between(self.rng, rate) * gain * self.gain * self.area_mm2))

    def spot(self) -> tuple[float, float]:
        left, top, width, height = self.extent
        return float(left + self.rng.uniform(0, width)), float(top + self.rng.uniform(0, height))

    def thing(self, shape: str, kind: str, layer: int, points: np.ndarray, **look: object) -> Thing:
        x, y = self.spot()
        return Thing(
            shape, KIND[kind], layer, x, y, float(self.rng.uniform(0, 360)), points, look, int(self.rng.integers(2**31))
        )


def _scales(rng: np.random.Generator, sample: PrintSample, ranges: PrintRanges, place: _Placer) -> Iterator[Thing]:
    cover = between(rng, ranges.scale_cover) * rng.random() ** 0.6
    length, width = sample.scale_size
    mean_area = 0.72 * length * width
    number = rng.poisson(-np.log1p(-cover) * place.area_mm2 * 1e6 / mean_area)
    names = list(SCALE_COLOURS)
    heading, order = rng.uniform(0, 360), rng.choice([15.0, 50.0, 200.0])
    patches = [place.spot() for _ in range(max(int(number // 12), 1))]
    patchy = rng.random() < 0.5
    for _ in range(int(number)):
        name = names[int(rng.choice(len(names), p=np.asarray(sample.colours)))]
        stretch = np.exp(rng.normal(0, 0.25))
        long_um = float(np.clip(length * np.exp(rng.normal(0, 0.18)) * stretch**0.5, 30, 320))
        wide_um = float(np.clip(width * np.exp(rng.normal(0, 0.15)) / stretch**0.5, 18, 90))
        if rng.random() < 0.05:  # hair-like scales
            long_um, wide_um = float(rng.uniform(120, 480)), float(rng.uniform(8, 24))
        density = np.array(SCALE_COLOURS[name][0]) * np.exp(rng.normal(0, 0.25))
        thing = place.thing(
            "scale",
            "scale",
            LOW,
            shapes.scale_outline(rng, long_um, wide_um),
            density=density,
            colour=np.array(SCALE_COLOURS[name][1]) * np.exp(rng.normal(0, 0.2)),
            ridge_um=sample.ridge_um * rng.uniform(0.9, 1.1),
            ridge=rng.uniform(0.08, 0.5),
            length_um=long_um,
            width_um=wide_um,
            whole=True,
        )
        x, y = thing.x_um, thing.y_um
        if patchy and rng.random() < 0.8:
            px, py = patches[int(rng.integers(len(patches)))]
            x, y = px + rng.normal(0, 1.3 * length), py + rng.normal(0, 1.3 * length)
        yield Thing(**{**thing.__dict__, "x_um": x, "y_um": y, "angle_deg": heading + rng.normal(0, order)})


def _spores(
    rng: np.random.Generator,
    sample: PrintSample,
    ranges: PrintRanges,
    place: _Placer,
    scales: list[Thing],
    number: int,
) -> tuple[list[Thing], list[Thing]]:
    """Spores beneath the scales and on everything."""
    clumped = between(rng, ranges.clumped_share)
    on_scale = between(rng, ranges.spores_on_scale_share)
    under, over = [], []
    made = 0
    while made < number:
        size = 1
        if number - made > 1 and rng.random() < clumped:
            size = min(int(log_between(rng, ranges.clump_size) + 0.5), number - made)
            size = max(size, 2)
        x, y = place.spot()
        if scales and rng.random() < on_scale:
            home = scales[int(rng.integers(len(scales)))]
            rim = home.points[int(rng.integers(len(home.points)))] * rng.uniform(0.0, 1.08)
            turn = np.deg2rad(home.angle_deg)
            x = home.x_um + rim[0] * np.cos(turn) - rim[1] * np.sin(turn)
            y = home.y_um + rim[0] * np.sin(turn) + rim[1] * np.cos(turn)
        beneath = scales and rng.random() < 0.25
        looseness = rng.uniform(0.75, 1.15)
        group: list[Thing] = []
        for _ in range(size):
            spore = _one_spore(rng, sample, x, y)
            if group:
                spore = _beside(rng, group, spore, looseness)
            group.append(spore)
        (under if beneath else over).extend(group)
        made += size
    return under, over


def _one_spore(rng: np.random.Generator, sample: PrintSample, x_um: float, y_um: float) -> Thing:
    length = sample.spore_length_um * (1 + sample.spore_cv * rng.normal())
    ratio = max(sample.spore_ratio * (1 + 0.05 * rng.normal()), 1.1)
    width = length / ratio
    if rng.random() < 0.12:  # tilted out of the plane: looks shorter
        tilt = np.deg2rad(rng.uniform(15, 50))
        length = float(np.sqrt((length * np.cos(tilt)) ** 2 + (width * np.sin(tilt)) ** 2))
    look = {
        "length_um": float(length),
        "width_um": float(width),
        "pointed": float(np.clip(sample.spore_pointed + 0.1 * rng.normal(), 0, 1)),
        "amber": np.asarray(sample.amber) * np.exp(rng.normal(0, 0.12)),
        "wall": sample.spore_wall * rng.uniform(0.7, 1.3),
        "core": sample.spore_core * rng.uniform(0.5, 1.4),
        "index": sample.spore_index * rng.uniform(0.7, 1.3),
        "glint": float(rng.uniform(0, 0.12)) if rng.random() < 0.4 else 0.0,
    }
    return Thing(
        "spore", KIND["spore"], ON, x_um, y_um, float(rng.uniform(0, 180)), np.empty((0, 2)), look, int(rng.integers(2**31))
    )


def _beside(rng: np.random.Generator, group: list[Thing], spore: Thing, looseness: float) -> Thing:
    """The spore moved to touch a random member of the group, no nearer than 0.55 widths to any centre."""
    for _ in range(12):
        friend = group[int(rng.integers(len(group)))]
        heading = rng.uniform(0, 2 * np.pi)
        reach = radius_towards(friend, heading) + radius_towards(spore, heading)
        reach *= looseness * rng.uniform(0.85, 1.05)
        x, y = friend.x_um + reach * np.cos(heading), friend.y_um + reach * np.sin(heading)
        nearest = min(np.hypot(x - other.x_um, y - other.y_um) for other in group)
        if nearest > 0.55 * spore.look["width_um"]:
            break
    return Thing(**{**spore.__dict__, "x_um": float(x), "y_um": float(y)})


def radius_towards(spore: Thing, heading_rad: float) -> float:
    """Distance in um from a spore's centre to its outline (taken as an ellipse) in a direction."""
    a, b = spore.look["length_um"] / 2, spore.look["width_um"] / 2
    along = heading_rad - np.deg2rad(spore.angle_deg)
    return float(a * b / np.hypot(b * np.cos(along), a * np.sin(along)))


def _pieces(rng: np.random.Generator, sample: PrintSample, ranges: PrintRanges, place: _Placer) -> Iterator[Thing]:
    names = list(SCALE_COLOURS)
    for _ in range(place.number(ranges.piece_rate, ranges.look_alike_gain)):
        name = names[int(rng.choice(len(names), p=np.asarray(sample.colours)))]
        size = log_between(rng, ranges.piece_um)
        density = np.array(SCALE_COLOURS[name][0]) * np.exp(rng.normal(0, 0.35))
        yield place.thing(
            "scale",
            "scale piece",
            LOW,
            shapes.torn_outline(rng, size),
            density=density,
            colour=np.array(SCALE_COLOURS[name][1]),
            ridge_um=sample.ridge_um,
            ridge=rng.uniform(0.05, 0.5),
            length_um=size,
            width_um=size,
            whole=False,
        )


def _solid_look(rng: np.random.Generator, density: np.ndarray, **more: float) -> dict:
    look = {
        "density": density,
        "flat": float(rng.uniform(0.2, 0.9)),
        "wall": float(rng.uniform(0.0, 0.8)),
        "wall_um": float(rng.uniform(0.5, 1.2)),
        "core": float(rng.uniform(0.0, 0.4)),
        "grain": float(rng.uniform(0.0, 0.35)),
        "index": float(rng.uniform(0.0, 0.06)),
    }
    return {**look, **more}


def _dust(rng: np.random.Generator, ranges: PrintRanges, place: _Placer) -> Iterator[Thing]:
    for _ in range(place.number(ranges.dust_rate)):
        size = float(np.clip(np.exp(rng.normal(np.log(4.0), 0.75)), *ranges.dust_um))
        dark = log_between(rng, (0.15, 2.5))
        density = dark * np.array([1.0, 1.0, 1.0]) * np.array([rng.uniform(0.6, 1.0), 1.0, rng.uniform(1.0, 1.5)])
        look = _solid_look(rng, density, flat=float(rng.uniform(0.6, 1.0)))
        if rng.random() < 0.25:  # a clear crystal: edges only
            look |= {"density": density * 0.12, "wall": float(rng.uniform(1.5, 5.0)), "index": 0.12}
            points = shapes.torn_outline(rng, size)
        else:
            points = shapes.lump_outline(rng, size, rng.uniform(0.08, 0.35), rng.uniform(1, 2.2))
        yield place.thing("solid", "dust", LOW, points, **look)


def _mould(rng: np.random.Generator, ranges: PrintRanges, place: _Placer) -> Iterator[Thing]:
    for _ in range(place.number(ranges.mould_rate, ranges.look_alike_gain)):
        home = place.spot()
        size = rng.uniform(3, 8)
        green = rng.uniform(0.5, 0.95)
        tone = np.array([green * rng.uniform(0.4, 1.05), green, 1.0]) * log_between(rng, (0.08, 0.8))
        chain, spread = rng.random() < 0.4, rng.uniform(8, 60)
        heading, at = rng.uniform(0, 2 * np.pi), np.array(home)
        for _ in range(int(log_between(rng, (1, 40)))):
            if chain:
                heading += rng.normal(0, 0.35)
                at = at + size * np.array([np.cos(heading), np.sin(heading)])
            else:
                at = np.array(home) + rng.normal(0, spread, 2)
            points = shapes.lump_outline(rng, size * rng.uniform(0.85, 1.15), 0.02, rng.uniform(1, 1.25), 32)
            thing = place.thing("solid", "other", LOW, points, **_solid_look(rng, tone * rng.uniform(0.8, 1.2), grain=0.05))
            yield Thing(**{**thing.__dict__, "x_um": float(at[0]), "y_um": float(at[1])})
        if rng.random() < 0.5:
            line = shapes.wandering_line(rng, rng.uniform(60, 400), 1.2)
            look = {"width_um": rng.uniform(1.8, 4.5), "taper": 0.0, "density": tone * 0.6, "edge": 0.3, "core": 0.2, "index": 0.03}
            thing = place.thing("strand", "other", LOW, line, **look)
            yield Thing(**{**thing.__dict__, "x_um": home[0], "y_um": home[1]})


def _droplets(rng: np.random.Generator, ranges: PrintRanges, place: _Placer) -> Iterator[Thing]:
    for _ in range(place.number(ranges.droplet_rate, ranges.look_alike_gain)):
        size = log_between(rng, (4, 24))
        green = rng.uniform(0.4, 0.75)
        brown = np.array([green * rng.uniform(0.3, 0.8), green, 1.0]) * log_between(rng, (0.12, 1.4))
        points = shapes.lump_outline(rng, size, rng.uniform(0, 0.03), rng.uniform(1, 1.15))
        yield place.thing("solid", "other", ON, points, **_solid_look(rng, brown, grain=0.0, flat=float(rng.uniform(0, 0.6))))


def _bubbles(rng: np.random.Generator, ranges: PrintRanges, place: _Placer) -> Iterator[Thing]:
    big = place.number(ranges.bubble_rate)
    for i in range(big + place.number(ranges.microbubble_rate, ranges.look_alike_gain)):
        size = log_between(rng, ranges.bubble_um if i < big else ranges.microbubble_um)
        rough = rng.uniform(0, 0.12) if i < big else rng.uniform(0, 0.03)
        points = shapes.lump_outline(rng, size, rough, rng.uniform(1, 1.8 if i < big else 1.35), 64)
        yield place.thing(
            "bubble",
            "bubble",
            ON,
            points,
            dark=log_between(rng, (0.08, 1.3)),
            bright=rng.uniform(0.0, 0.25),
            rim_um=rng.uniform(0.7, 2.2) if i >= big else rng.uniform(1.0, 4.0),
            lean=rng.uniform(0, 0.9),
            inner=rng.normal(0, 0.03),
        )


def _glue(rng: np.random.Generator, ranges: PrintRanges, place: _Placer) -> Iterator[Thing]:
    for _ in range(place.number(ranges.ridge_rate)):
        line = shapes.wandering_line(rng, log_between(rng, (60, 900)), 0.5, 12)
        yield place.thing(
            "strand",
            "bubble",
            LOW,
            line,
            width_um=log_between(rng, (2, 14)),
            taper=1.0,
            density=np.zeros(3) + rng.uniform(-0.03, 0.06),
            edge=rng.uniform(-0.05, 0.1),
            core=0.0,
            index=rng.uniform(0.05, 0.15),
            tilt=rng.uniform(0.05, 0.35),
        )


def _pollen(rng: np.random.Generator, ranges: PrintRanges, place: _Placer) -> Iterator[Thing]:
    for _ in range(place.number(ranges.pollen_rate, ranges.look_alike_gain)):
        green = rng.uniform(0.2, 0.7)
        tone = np.array([green * rng.uniform(0.3, 0.9), green, 1.0]) * log_between(rng, (0.08, 1.1))
        style = rng.choice(["spiny", "smooth", "triporate", "small"], p=[0.2, 0.25, 0.2, 0.35])
        size = log_between(rng, (9, 20) if style == "small" else (15, 60))
        if style == "spiny":
            points = shapes.spiny_outline(rng, size, int(rng.integers(8, 22)), size * rng.uniform(0.05, 0.16))
        elif style == "triporate":
            angle = np.linspace(0, 2 * np.pi, 72, endpoint=False)
            radius = size / 2 * (1 + 0.10 * np.maximum(np.cos(3 * angle), 0) ** rng.uniform(2, 8))
            points = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
        else:
            points = shapes.lump_outline(rng, size, 0.015, rng.uniform(1.0, 1.6 if style == "small" else 1.2), 64)
        look = _solid_look(rng, tone, wall=float(rng.uniform(0.2, 1.2)), wall_um=float(rng.uniform(0.8, 2.5)))
        yield place.thing("solid", "pollen", HIGH, points, **look)


def _strands(rng: np.random.Generator, sample: PrintSample, ranges: PrintRanges, place: _Placer) -> Iterator[Thing]:
    for _ in range(place.number(ranges.hair_rate)):
        line = shapes.wandering_line(rng, log_between(rng, (60, 900)), rng.uniform(0.02, 0.35))
        tone = np.array([rng.uniform(0.4, 1.0), rng.uniform(0.6, 1.0), 1.0]) * log_between(rng, (0.1, 1.2))
        yield place.thing(
            "strand", "hair", HIGH, line, width_um=rng.uniform(2.0, 9.0), taper=rng.uniform(0, 1), density=tone,
            edge=rng.uniform(0.1, 0.8), core=rng.uniform(0, 0.8), index=rng.uniform(0.02, 0.1),
        )  # fmt: skip
    fibres = place.number(ranges.fibre_rate) if sample.support == "card" or rng.random() < 0.5 else 0
    for _ in range(fibres):
        line = shapes.wandering_line(rng, log_between(rng, (200, 2500)), rng.uniform(0.15, 0.8), 14)
        tone = np.array([1.0, 1.0, 1.05]) * log_between(rng, (0.02, 0.35))
        if rng.random() < 0.12:  # dyed
            tone = rng.uniform(0.05, 0.9, 3)
        yield place.thing(
            "strand", "fibre", HIGH, line, width_um=rng.uniform(7, 28), taper=rng.uniform(0, 0.4), density=tone,
            edge=rng.uniform(0.1, 0.9), core=rng.uniform(0, 0.5), index=rng.uniform(0.02, 0.1), wave=rng.uniform(0, 0.45),
        )  # fmt: skip


def _ink(rng: np.random.Generator, ranges: PrintRanges, place: _Placer) -> Iterator[Thing]:
    if rng.random() >= ranges.ink_share:
        return
    wide = log_between(rng, (15, 220))
    tone = np.array([rng.uniform(0.3, 1.2), rng.uniform(0.3, 1.0), rng.uniform(0.1, 0.9)]) * rng.uniform(0.4, 1.6)
    half = np.hypot(place.extent[2], place.extent[3])
    line = np.column_stack([np.linspace(-half, half, 80), rng.normal(0, 0.02 * wide, 80)])
    yield place.thing("strand", "other", LOW, line, width_um=wide, taper=0.0, density=tone, edge=-0.2, core=0.0, index=0.0, blot=0.5)

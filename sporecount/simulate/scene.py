"""The print as a list of things in um: what lies where, before any light.

`draw_print_scene` draws them; `painters` turns each into optical density. Positions are in um of the print,
x to the right, y down.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from sporecount.simulate import debris, shapes, small
from sporecount.simulate.ranges import PrintRanges
from sporecount.simulate.sample import SCALE_COLOURS, PrintSample, between, log_between
from sporecount.simulate.things import KIND, LOW, ON, Placer, Thing

_LIKE_SPORES = ("orange", "brown", "tan")
"""Colours of scales whose torn pieces of a spore's size could not be told from a spore where focus is poor."""


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
    place = Placer(rng, extent_um, rate_gain)
    scales = list(_scales(rng, sample, ranges, place))
    low: list[Thing] = [*debris.ink(rng, ranges, place), *debris.glue(rng, ranges, place)]
    low += [*debris.dust(rng, ranges, place), *debris.mould(rng, ranges, place)]
    low += [*small.conidia(rng, ranges, place), *small.flakes(rng, ranges, place)]
    under, over = _spores(rng, sample, ranges, place, scales, spores)
    pieces = list(_pieces(rng, sample, ranges, place))
    split = len(pieces) // 2
    on = [*pieces[split:], *debris.droplets(rng, ranges, place), *debris.bubbles(rng, ranges, place)]
    on += small.oval_bubbles(rng, ranges, place)
    low += pieces[:split]
    rng.shuffle(low)
    rng.shuffle(on)
    yellow = list(small.yellow(rng, ranges, place))  # a grain before its furrows: not shuffled
    high = [*debris.pollen(rng, ranges, place), *debris.strands(rng, sample, ranges, place)]
    rng.shuffle(high)
    return Scene(extent_um, (*low, *under, *scales, *on, *yellow, *over, *high))


def _scales(
    rng: np.random.Generator, sample: PrintSample, ranges: PrintRanges, place: Placer
) -> Iterator[Thing]:
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
    place: Placer,
    scales: list[Thing],
    number: int,
) -> tuple[list[Thing], list[Thing]]:
    """Spores beneath the scales and on everything."""
    clumped = between(rng, ranges.clumped_share)
    on_scale = between(rng, ranges.spores_on_scale_share)
    heaps = between(rng, (0.05, 0.5)) if rng.random() < ranges.heap_share else 0.0
    under: list[Thing] = []
    over: list[Thing] = []
    made = 0
    while made < number:
        size, heap = 1, False
        if number - made > 1 and rng.random() < clumped:
            heap = rng.random() < heaps
            size = int(log_between(rng, ranges.heap_size if heap else ranges.clump_size) + 0.5)
            size = max(min(size, number - made), 2)
        x, y = place.spot()
        if scales and rng.random() < on_scale:
            home = scales[int(rng.integers(len(scales)))]
            rim = home.points[int(rng.integers(len(home.points)))] * rng.uniform(0.0, 1.08)
            turn = np.deg2rad(home.angle_deg)
            x = home.x_um + rim[0] * np.cos(turn) - rim[1] * np.sin(turn)
            y = home.y_um + rim[0] * np.sin(turn) + rim[1] * np.cos(turn)
        beneath = scales and rng.random() < 0.25
        looseness = rng.uniform(0.75, 1.15)
        nearest = rng.uniform(0.3, 0.6) if heap else 0.55
        group: list[Thing] = []
        places = np.empty((size, 2))
        for member in range(size):
            spore = _one_spore(rng, sample, x, y)
            if group:
                spore = _beside(rng, group, places[:member], spore, looseness, nearest)
            places[member] = spore.x_um, spore.y_um
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
        "spore",
        KIND["spore"],
        ON,
        x_um,
        y_um,
        float(rng.uniform(0, 180)),
        np.empty((0, 2)),
        look,
        int(rng.integers(2**31)),
    )


def _beside(
    rng: np.random.Generator,
    group: list[Thing],
    places: np.ndarray,
    spore: Thing,
    looseness: float,
    nearest: float,
) -> Thing:
    """Move the spore to touch a random member of the group, no nearer than `nearest` widths to any centre."""
    for _ in range(12):
        friend = group[int(rng.integers(len(group)))]
        heading = rng.uniform(0, 2 * np.pi)
        reach = radius_towards(friend, heading) + radius_towards(spore, heading)
        reach *= looseness * rng.uniform(0.85, 1.05)
        x, y = friend.x_um + reach * np.cos(heading), friend.y_um + reach * np.sin(heading)
        if np.hypot(places[:, 0] - x, places[:, 1] - y).min() > nearest * spore.look["width_um"]:
            break
    return Thing(**{**spore.__dict__, "x_um": float(x), "y_um": float(y)})


def radius_towards(spore: Thing, heading_rad: float) -> float:
    """Distance in um from a spore's centre to its outline (taken as an ellipse) in a direction."""
    a, b = spore.look["length_um"] / 2, spore.look["width_um"] / 2
    along = heading_rad - np.deg2rad(spore.angle_deg)
    return float(a * b / np.hypot(b * np.cos(along), a * np.sin(along)))


def _pieces(
    rng: np.random.Generator, sample: PrintSample, ranges: PrintRanges, place: Placer
) -> Iterator[Thing]:
    names = list(SCALE_COLOURS)
    for _ in range(place.number(ranges.piece_rate, ranges.look_alike_gain)):
        name = names[int(rng.choice(len(names), p=np.asarray(sample.colours)))]
        size = log_between(rng, ranges.piece_um)
        if (
            name in _LIKE_SPORES and 0.55 < size / sample.spore_length_um < 1.7
        ):  # blur would round its corners
            size = sample.spore_length_um * float(rng.uniform(0.3, 0.55) if rng.random() < 0.4 else 1.9)
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

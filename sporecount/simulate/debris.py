"""Everything on a print that came from neither butterfly wing nor parasite."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from sporecount.simulate import shapes
from sporecount.simulate.ranges import PrintRanges
from sporecount.simulate.sample import PrintSample, log_between
from sporecount.simulate.things import HIGH, LOW, ON, Placer, Thing


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


def dust(rng: np.random.Generator, ranges: PrintRanges, place: Placer) -> Iterator[Thing]:
    """Dark grains and clear crystals."""
    for _ in range(place.number(ranges.dust_rate)):
        size = float(np.clip(np.exp(rng.normal(np.log(4.0), 0.75)), *ranges.dust_um))
        dark = log_between(rng, (0.15, 2.5))
        density = (
            dark * np.array([1.0, 1.0, 1.0]) * np.array([rng.uniform(0.6, 1.0), 1.0, rng.uniform(1.0, 1.5)])
        )
        look = _solid_look(rng, density, flat=float(rng.uniform(0.6, 1.0)))
        if rng.random() < 0.25:  # a clear crystal: edges only
            look |= {"density": density * 0.12, "wall": float(rng.uniform(1.5, 5.0)), "index": 0.12}
            points = shapes.torn_outline(rng, size)
        else:
            points = shapes.lump_outline(rng, size, rng.uniform(0.08, 0.35), rng.uniform(1, 2.2))
        yield place.thing("solid", "dust", LOW, points, **look)


def mould(rng: np.random.Generator, ranges: PrintRanges, place: Placer) -> Iterator[Thing]:
    """Round mould spores, scattered or in chains, with hyphae."""
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
            thing = place.thing(
                "solid", "other", LOW, points, **_solid_look(rng, tone * rng.uniform(0.8, 1.2), grain=0.05)
            )
            yield Thing(**{**thing.__dict__, "x_um": float(at[0]), "y_um": float(at[1])})
        if rng.random() < 0.5:
            line = shapes.wandering_line(rng, rng.uniform(60, 400), 1.2)
            look = {
                "width_um": rng.uniform(1.8, 4.5),
                "taper": 0.0,
                "density": tone * 0.6,
                "edge": 0.3,
                "core": 0.2,
                "index": 0.03,
            }
            thing = place.thing("strand", "other", LOW, line, **look)
            yield Thing(**{**thing.__dict__, "x_um": home[0], "y_um": home[1]})


def droplets(rng: np.random.Generator, ranges: PrintRanges, place: Placer) -> Iterator[Thing]:
    """Round brown droplets."""
    for _ in range(place.number(ranges.droplet_rate, ranges.look_alike_gain)):
        size = log_between(rng, (4, 24))
        green = rng.uniform(0.4, 0.75)
        brown = np.array([green * rng.uniform(0.3, 0.8), green, 1.0]) * log_between(rng, (0.12, 1.4))
        points = shapes.lump_outline(rng, size, rng.uniform(0, 0.03), rng.uniform(1, 1.15))
        yield place.thing(
            "solid",
            "other",
            ON,
            points,
            **_solid_look(rng, brown, grain=0.0, flat=float(rng.uniform(0, 0.6))),
        )


def bubbles(rng: np.random.Generator, ranges: PrintRanges, place: Placer) -> Iterator[Thing]:
    """Air in the adhesive: large bubbles, and small ones down to below spore size."""
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


def glue(rng: np.random.Generator, ranges: PrintRanges, place: Placer) -> Iterator[Thing]:
    """Ridges of the adhesive, with a bright and a dark side."""
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


def pollen(rng: np.random.Generator, ranges: PrintRanges, place: Placer) -> Iterator[Thing]:
    """Pollen grains: spiny, smooth, three-pored, and small oval ones."""
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
            points = shapes.lump_outline(
                rng, size, 0.015, rng.uniform(1.0, 1.6 if style == "small" else 1.2), 64
            )
        look = _solid_look(rng, tone, wall=float(rng.uniform(0.2, 1.2)), wall_um=float(rng.uniform(0.8, 2.5)))
        yield place.thing("solid", "pollen", HIGH, points, **look)


def strands(
    rng: np.random.Generator, sample: PrintSample, ranges: PrintRanges, place: Placer
) -> Iterator[Thing]:
    """Hairs of the animal, and paper or cloth fibres."""
    for _ in range(place.number(ranges.hair_rate)):
        line = shapes.wandering_line(rng, log_between(rng, (60, 900)), rng.uniform(0.02, 0.35))
        tone = np.array([rng.uniform(0.4, 1.0), rng.uniform(0.6, 1.0), 1.0]) * log_between(rng, (0.1, 1.2))
        yield place.thing(
            "strand",
            "hair",
            HIGH,
            line,
            width_um=rng.uniform(2.0, 9.0),
            taper=rng.uniform(0, 1),
            density=tone,
            edge=rng.uniform(0.1, 0.8),
            core=rng.uniform(0, 0.8),
            index=rng.uniform(0.02, 0.1),
        )
    fibres = place.number(ranges.fibre_rate) if sample.support == "card" or rng.random() < 0.5 else 0
    for _ in range(fibres):
        line = shapes.wandering_line(rng, log_between(rng, (200, 2500)), rng.uniform(0.15, 0.8), 14)
        tone = np.array([1.0, 1.0, 1.05]) * log_between(rng, (0.02, 0.35))
        if rng.random() < 0.12:  # dyed
            tone = rng.uniform(0.05, 0.9, 3)
        yield place.thing(
            "strand",
            "fibre",
            HIGH,
            line,
            width_um=rng.uniform(7, 28),
            taper=rng.uniform(0, 0.4),
            density=tone,
            edge=rng.uniform(0.1, 0.9),
            core=rng.uniform(0, 0.5),
            index=rng.uniform(0.02, 0.1),
            wave=rng.uniform(0, 0.45),
        )


def ink(rng: np.random.Generator, ranges: PrintRanges, place: Placer) -> Iterator[Thing]:
    """Ink of a ruled or printed line, on a share of the prints."""
    if rng.random() >= ranges.ink_share:
        return
    wide = log_between(rng, (15, 220))
    tone = np.array([rng.uniform(0.3, 1.2), rng.uniform(0.3, 1.0), rng.uniform(0.1, 0.9)]) * rng.uniform(
        0.4, 1.6
    )
    half = np.hypot(place.extent[2], place.extent[3])
    line = np.column_stack([np.linspace(-half, half, 80), rng.normal(0, 0.02 * wide, 80)])
    yield place.thing(
        "strand",
        "other",
        LOW,
        line,
        width_um=wide,
        taper=0.0,
        density=tone,
        edge=-0.2,
        core=0.0,
        index=0.0,
        blot=0.5,
    )

"""Butterfly scales, whole and torn, and the pieces that they leave."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sporecount.simulate.bands.bands import Stuff, bell
from sporecount.simulate.bands.outlines import Plane, band, cover, shifted
from sporecount.simulate.bands.stage import Part, Stage


@dataclass(frozen=True)
class ScaleLook:
    """How one sort of scales of a print looks.

    Parameters
    ----------
    length_um, width_um : float
    shoulder : float
        Share of the length over which the stalk's end widens.
    teeth, tooth_um : int, float
        Fingers at the free end and their depth.
    ridge_um : float
        Distance of the ridges.
    skin, ribs : Stuff
        Of the membrane, and of what ridges add.
    mottle : float
        Unevenness of the pigment.
    """

    length_um: float
    width_um: float
    shoulder: float
    teeth: int
    tooth_um: float
    ridge_um: float
    skin: Stuff
    ribs: Stuff
    mottle: float


def _skin(rng: np.random.Generator) -> Stuff:
    colour = rng.choice(
        ["brown", "black", "orange", "white", "yellow", "grey", "shine"],
        p=[0.27, 0.15, 0.22, 0.18, 0.03, 0.1, 0.05],
    )
    amount = rng.uniform(0.6, 1.4)
    sheen = 0.05 * np.ones(8, np.float32)
    if colour == "shine":
        sheen = (rng.uniform(0.3, 0.6) * bell(rng.choice([470.0, 530.0, 580.0]), 35)).astype(np.float32)
    pigments = {
        "brown": {"melanin": 0.26 * amount},
        "black": {"melanin": 0.6 * amount, "soot": 0.2},
        "orange": {"ommochrome": 0.42 * amount, "melanin": 0.05},
        "white": {"lignin": 0.03 * amount},
        "yellow": {"pterin": 0.2 * amount, "carotenoid": 0.12 * amount, "lignin": 0.08 * amount},
        "grey": {"soot": 0.16 * amount},
        "shine": {"melanin": 0.22 * amount},
    }[str(colour)]
    scatter = {"white": 0.5, "yellow": 0.4, "orange": 0.35, "grey": 0.3}.get(str(colour), 0.2)
    return Stuff(pigments, scatter=scatter, sheen=sheen)


def draw_scale_look(rng: np.random.Generator) -> ScaleLook:
    """Draw a sort of scales."""
    skin = _skin(rng)
    length = rng.uniform(70, 190)
    more = rng.uniform(0.2, 0.7)
    return ScaleLook(
        length_um=length,
        width_um=float(np.clip(length * rng.uniform(0.33, 0.62), 28, 95)),
        shoulder=rng.uniform(0.2, 0.5),
        teeth=int(rng.choice([0, 2, 3, 4, 5, 6])),
        tooth_um=rng.uniform(4, 18),
        ridge_um=rng.uniform(1.4, 2.6),
        skin=skin,
        ribs=Stuff(
            {name: units * more for name, units in skin.pigments.items()} | {"soot": 0.05}, scatter=0.1
        ),
        mottle=rng.uniform(0, 0.5),
    )


def _outline(look: ScaleLook, u: Plane, v: Plane, lean: float) -> Plane:
    """Distance, to first order, of a whole scale whose stalk points to -u."""
    half, wide = look.length_um / 2, look.width_um / 2
    s = np.clip((u + half) / look.length_um, 0, 1)
    grow = np.clip(s / look.shoulder, 0, 1)
    profile = wide * np.sqrt(grow * (2 - grow)) * (0.8 + 0.2 * s)
    side = np.abs(v - lean * s * s * wide) - profile
    end = half - 0.18 * look.length_um * (v / wide) ** 2
    if look.teeth:
        phase = (v / look.width_um + 0.5) * look.teeth
        end -= look.tooth_um * np.abs(2 * (phase - np.floor(phase)) - 1).astype(np.float32) ** 1.5
    stalk = np.maximum(np.abs(v) - 1.6, np.abs(u + half - 2) - 9)
    return np.minimum(np.maximum(np.maximum(side, u - end), -half - u), stalk).astype(np.float32)


def _jag(
    rng: np.random.Generator, u: Plane, v: Plane, turn: float, offset_um: float, rough_um: float
) -> Plane:
    """Distance beyond a torn edge."""
    across = u * np.float32(np.cos(turn)) + v * np.float32(np.sin(turn))
    along = v * np.float32(np.cos(turn)) - u * np.float32(np.sin(turn))
    knots = np.arange(-130.0, 131.0, rng.uniform(2.5, 9))
    heights = rng.normal(0, rough_um, len(knots))
    return (across - offset_um + np.interp(along, knots, heights)).astype(np.float32)


def _stripes(v: Plane, period_um: float, um_per_px: float) -> Plane:
    """Coverage of pixels by narrow ridges, faded where pixels cannot show them."""
    fade = float(np.sinc(um_per_px / period_um)) ** 2 if um_per_px < period_um else 0.0
    return (0.35 + 0.35 * fade * np.cos(np.float32(2 * np.pi / period_um) * v)).astype(np.float32)


def _cloud(rng: np.random.Generator, u: Plane, v: Plane) -> Plane:
    """Uneven patches from 0 to 1."""
    waves = rng.normal(0, 0.09, (4, 2)).astype(np.float32)
    phases = rng.uniform(0, 2 * np.pi, 4)
    total = sum(np.cos(a * u + b * v + np.float32(p)) for (a, b), p in zip(waves, phases, strict=True))
    return np.clip(0.5 + 0.25 * total, 0, 1).astype(np.float32)


def _fill(
    rng: np.random.Generator, stage: Stage, look: ScaleLook, u: Plane, v: Plane, d: Plane
) -> tuple[list[Part], Plane]:
    """Give the parts of a scale or piece, and its coverage."""
    px = stage.lens.um_per_px
    body = cover(d, px)
    light = float(np.clip(1 + 0.3 * rng.normal(), 0.6, 1.5)) if stage.from_above else 1.0
    parts = [
        stage.part(body, look.skin, light=light),
        stage.part(
            body * _stripes(v + np.float32(0.004) * u * v, look.ridge_um, px),
            look.ribs,
            on=look.skin,
            light=light,
        ),
        stage.part(band(d, -1.4, 0, px), Stuff({"soot": 0.07}, gain=0.96), on=look.skin),
        stage.part(band(d, 0, 1.0, px), Stuff(gain=1.05)),
    ]
    if look.mottle > 0.1:
        spots = Stuff({name: units * look.mottle for name, units in look.skin.pigments.items()})
        parts.append(stage.part(body * _cloud(rng, u, v), spots, on=look.skin))
    if stage.from_above:
        shade = shifted(body, round(2.5 / px)) * (1 - body)
        parts.append(stage.part(shade, Stuff({"plain": 0.13})))
    return parts, body


def lay_scale(
    rng: np.random.Generator, stage: Stage, look: ScaleLook, x_px: float, y_px: float, torn: bool
) -> float:
    """Lay a scale down; give the share of it that is left."""
    height = rng.uniform(0, 4)
    size = np.exp(rng.normal(0, 0.1))
    look = ScaleLook(
        **{**look.__dict__, "length_um": look.length_um * size, "width_um": look.width_um * size}
    )
    frame = stage.frame(x_px, y_px, rng.uniform(0, 360), 0.6 * look.length_um + 12, height)
    if frame is None:
        return 0.0
    u, v = frame.u, frame.v
    d = _outline(look, u, v, rng.normal(0, 0.25))
    left = 1.0
    for _ in range(int(rng.integers(1, 3)) if torn else 0):
        offset = rng.uniform(-0.05, 0.38) * look.length_um
        left *= 0.5 + offset / look.length_um
        d = np.maximum(d, _jag(rng, u, v, rng.uniform(0, 2 * np.pi), offset, rng.uniform(0.5, 2.5)))
    parts, body = _fill(rng, stage, look, u, v, d)
    if rng.random() < 0.15:
        # A crease: a line of more pigment, slanting and off the middle.
        crease = v - np.float32(rng.normal(0, 0.3) * look.width_um) + np.float32(rng.normal(0, 0.5)) * u
        line = body * band(np.abs(crease), -1, rng.uniform(0.4, 1.2), stage.lens.um_per_px)
        parts.append(stage.part(line * np.float32(rng.uniform(0.3, 0.8)), look.ribs, on=look.skin))
    stage.lay(frame, parts, height, "scale" if left > 0.6 else "scale piece", body)
    return left


def lay_piece(
    rng: np.random.Generator, stage: Stage, look: ScaleLook, x_px: float, y_px: float, size_um: float
) -> None:
    """Lay a torn piece of a scale: angular, ridged, of the scale's colour; slivers where it is small."""
    height = rng.uniform(0, 5)
    frame = stage.frame(x_px, y_px, rng.uniform(0, 360), 1.1 * size_um + 3, height)
    if frame is None:
        return
    u, v = frame.u, frame.v
    d = (np.hypot(u, v) - np.float32(size_um)).astype(np.float32)
    small = size_um < 22
    corners = int(rng.integers(3, 5)) if small else int(rng.integers(3, 6))
    first, lean = rng.uniform(0, 2 * np.pi), rng.uniform(0.25, 0.45) if small and corners > 3 else 1.0
    for k in range(corners):
        turn = first + 2 * np.pi * (k + rng.uniform(-0.25, 0.25)) / corners
        offset = size_um * rng.uniform(0.25, 0.6) * (lean if k % 2 else 1.0)
        d = np.maximum(d, _jag(rng, u, v, turn, offset, size_um * rng.uniform(0.01, 0.07)))
    parts, body = _fill(rng, stage, look, u, v, d)
    stage.lay(frame, parts, height, "scale piece", body)

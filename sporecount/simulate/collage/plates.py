"""Scales, whole or torn, with ridges, spots and teeth."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sporecount.simulate.collage import colours, outlines, textures
from sporecount.simulate.collage.canvas import Canvas, drawn_window, stamp
from sporecount.simulate.collage.laws import Law, random_law
from sporecount.simulate.collage.outlines import DIRECTIONS, Outline

_TURN = np.linspace(0.0, 2 * np.pi, DIRECTIONS, endpoint=False)


@dataclass(frozen=True)
class PlateLook:
    """One sort of scale in a photo; lengths in µm."""

    length: float
    width: float
    law: Law
    pair: tuple[np.ndarray, np.ndarray]
    ridge: float
    ridge_strength: float
    cross_strength: float
    teeth: int
    picture: str
    square: float
    skew: float


def random_look(rng: np.random.Generator, from_below: bool, light_turn: float) -> PlateLook:
    """Draw a sort of scale."""
    width = float(rng.uniform(30, 85))
    law = random_law(rng, light_turn, from_below, 12.0)
    thin = float(rng.uniform(0.12, 0.75)) if from_below else float(rng.uniform(0.6, 1.0))
    law = replace(
        law,
        opacity=tuple(thin * (0.7 + 0.3 * v / max(law.opacity)) for v in law.opacity),
        tone=tuple(0.4 * v for v in law.tone),
        halo_reach=0.06,
        gloss_size=float(rng.uniform(0.3, 1.0)),
        gloss=0.4 * law.gloss,
        grain=1.0,
        line_um=float(rng.uniform(0.4, 1.5)),
        soft_um=float(rng.uniform(0.1, 1.0)),
    )
    return PlateLook(
        length=float(width * rng.uniform(1.2, 3.0)),
        width=width,
        law=law,
        pair=colours.scale_pair(rng, from_below),
        ridge=float(rng.uniform(1.3, 4.5)),
        ridge_strength=float(rng.choice([0.0, rng.uniform(0.05, 0.5)], p=[0.25, 0.75])),
        cross_strength=float(rng.choice([0.0, rng.uniform(0.02, 0.25)], p=[0.5, 0.5])),
        teeth=int(rng.choice([0, 3, 4, 5, 7], p=[0.4, 0.15, 0.15, 0.15, 0.15])),
        picture=str(
            rng.choice(
                ["", *textures.OPEN_PICTURES],
                p=[0.5] + [0.5 / len(textures.OPEN_PICTURES)] * len(textures.OPEN_PICTURES),
            )
        ),
        square=float(rng.uniform(1.8, 5.0)),
        skew=float(rng.uniform(-0.25, 0.55)),
    )


def draw_scale(
    rng: np.random.Generator, canvas: Canvas, look: PlateLook, x: float, y: float, angle: float
) -> None:
    """Draw a whole scale."""
    table = outlines.oval(0.0, float(look.skew + rng.normal(0, 0.05)), look.square)
    if look.teeth:
        end = np.clip(np.cos(_TURN) * 2.2 - 1.2, 0, 1)
        table = table * (1 + end * rng.uniform(0.05, 0.2) * np.cos(look.teeth * 4 * _TURN))
    one = Outline(
        x,
        y,
        0.5 * look.length * rng.uniform(0.85, 1.15),
        0.5 * look.width * rng.uniform(0.85, 1.15),
        angle,
        table,
    )
    _plate(rng, canvas, look, one, "scale")


def draw_piece(
    rng: np.random.Generator, canvas: Canvas, look: PlateLook, x: float, y: float, length: float
) -> None:
    """Draw a torn piece: angular, of the same matter as the scale."""
    size = 0.5 * length
    slim = rng.uniform(0.3, 1.0)
    table = outlines.angular(rng, int(rng.integers(3, 8)), float(rng.uniform(0.2, 0.7)))
    one = Outline(x, y, size, size * slim, float(rng.uniform(0, np.pi)), table)
    _plate(rng, canvas, look, one, "scale piece")


def _plate(rng: np.random.Generator, canvas: Canvas, look: PlateLook, one: Outline, kind: str) -> None:
    box = drawn_window(canvas, one, look.law)
    if box is None:
        return
    x, y = canvas.places(box)
    c, s = np.cos(one.angle), np.sin(one.angle)
    across = (y - one.y_um) * c - (x - one.x_um) * s
    surface = np.zeros(across.shape, np.float32)
    fade = np.clip(look.ridge / canvas.px_um / 2.2 - 1, 0, 1)  # ridges finer than the pixels are not drawn
    if look.ridge_strength and fade:
        surface += fade * look.ridge_strength * np.sin(2 * np.pi / look.ridge * across + rng.uniform(0, 6))
    if look.cross_strength and fade:
        along = (x - one.x_um) * c + (y - one.y_um) * s
        surface += fade * look.cross_strength * np.sin(2 * np.pi / (0.8 * look.ridge) * along)
    if look.picture:
        zoom = float(rng.uniform(0.2, 1.0)) / canvas.px_um
        surface += rng.uniform(0.05, 0.3) * textures.from_picture(rng, look.picture, surface.shape, zoom)
    pair = colours.near(rng, look.pair, 0.03)
    stamp(rng, canvas, one, look.law, pair, kind, surface=surface.astype(np.float32))

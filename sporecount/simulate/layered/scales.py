"""Butterfly scales: broad, toothed, oval, hair-like; ridged, spotted, iridescent; and torn pieces of them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.layered import colours, noise, shapes, skin
from sporecount.simulate.layered.canvas import Canvas, Window

SCALE, PIECE = 2, 3


@dataclass(frozen=True)
class ScaleLook:
    """One sort of scale on a print; sizes in µm."""

    colour: np.ndarray
    opacity: float
    length: float
    width: float
    base: float
    widest: float
    teeth: int
    tooth: float
    round_end: float
    tile: np.ndarray
    rim: float
    rim_width: float
    gradient: float
    sheen: float
    sheen_hue: float
    shadow: float
    worn: float


def random_look(rng: np.random.Generator, px_um: float) -> ScaleLook:
    """Draw one sort of scale; its texture comes on a grid of `px_um`."""
    slender = rng.random() < 0.15
    length = rng.uniform(60, 240) if not slender else rng.uniform(100, 400)
    width = length * (rng.uniform(0.25, 0.75) if not slender else rng.uniform(0.05, 0.14))
    return ScaleLook(
        colour=colours.scale_colour(rng),
        opacity=float(rng.choice([rng.uniform(0.12, 0.5), rng.uniform(0.5, 0.97)], p=[0.4, 0.6])),
        length=length,
        width=float(np.clip(width, 6, 95)),
        base=rng.uniform(0.15, 0.8),
        widest=rng.uniform(0.35, 0.9),
        teeth=int(rng.integers(2, 9)) if rng.random() < 0.6 else 0,
        tooth=rng.uniform(0.04, 0.25),
        round_end=rng.uniform(0.02, 0.35),
        tile=skin.random_tile(rng, px_um),
        rim=float(rng.choice([rng.uniform(0.0, 0.5), rng.uniform(-0.4, 1.5)])),
        rim_width=rng.uniform(0.7, 4.0),
        gradient=noise.maybe(rng, 0.5, -1.0, 1.0),
        sheen=noise.maybe(rng, 0.3, 0.1, 0.6),
        sheen_hue=rng.uniform(0.4, 0.95),
        shadow=noise.maybe(rng, 0.3, 0.1, 1.4),
        worn=noise.maybe(rng, 0.25, 0.02, 0.35),
    )


def draw_scale(
    rng: np.random.Generator,
    canvas: Canvas,
    look: ScaleLook,
    x: float,
    y: float,
    angle: float,
    light: np.ndarray,
    from_below: bool,
) -> int:
    """Paint one scale with its base at one end; give 1 when it is whole or nearly so in the view, else 0."""
    grow = float(np.clip(rng.normal(1.0, 0.15), 0.6, 1.5))
    length, width = look.length * grow, look.width * grow * float(np.clip(rng.normal(1.0, 0.1), 0.7, 1.3))
    stalk = rng.uniform(6, 18) if rng.random() < 0.7 else 0.0
    half = length / 2
    c, s = abs(np.cos(angle)), abs(np.sin(angle))
    window = canvas.window(
        x, y, c * (half + stalk) + s * (width / 2 + 3), s * (half + stalk) + c * (width / 2 + 3)
    )
    if window is None:
        return 0
    along, across = window.turned(angle)
    across = across + np.float32(rng.normal(0, 0.25) / length) * along**2
    place = (along / length + 0.5).clip(0, 1)
    rise = np.clip(place / look.widest, 0, 1)
    profile = look.base + (1 - look.base) * rise * (2 - rise)
    profile *= np.where(
        place > look.widest, 1 - 0.35 * ((place - look.widest) / (1.001 - look.widest)) ** 2, 1
    )
    profile *= np.clip(place * 14, 0, 1) ** 0.5
    share = np.clip(across / (width / 2), -1, 1)
    end = half - look.round_end * half * share**2
    if look.teeth:
        wave = np.abs((share * look.teeth / 2 + 0.25 * np.float32(rng.random())) % 1.0 - 0.5) * 2
        end = end - np.float32(look.tooth * min(width, 0.5 * length)) * wave
    distance = np.maximum(np.maximum(np.abs(across) - profile * width / 2, along - end), -half - along)
    if stalk:
        neck = np.maximum(np.abs(across) - 1.4, np.abs(along + half + stalk / 2 - 1.0) - stalk / 2)
        distance = np.minimum(distance, neck)
    if rng.random() < 0.25:  # broken edge
        cut, way = rng.uniform(-0.2, 0.45) * length, float(rng.choice([-1.0, 1.0]))
        ragged = noise.smooth_field(rng, distance.shape, 5 / canvas.px_um) * 3
        slant = np.float32(rng.normal(0, 0.6))
        distance = np.maximum(distance, way * (along + slant * across - way * abs(cut)) + ragged)
    _paint(rng, canvas, window, look, distance, along, across, light, from_below, SCALE)
    tips = [(x + t * np.cos(angle) * length, y + t * np.sin(angle) * length) for t in (-0.45, 0.0, 0.45)]
    return int(all(canvas.seen(*tip) for tip in tips))


def draw_piece(
    rng: np.random.Generator,
    canvas: Canvas,
    look: ScaleLook,
    x: float,
    y: float,
    size: float,
    light: np.ndarray,
    from_below: bool,
) -> None:
    """Paint one torn piece of a scale, about `size` µm across, angular or ragged."""
    window = canvas.window(x, y, 0.9 * size + 2)
    if window is None:
        return
    angle = rng.uniform(0, np.pi)
    along, across = window.turned(angle)
    distance = _piece_outline(rng, along, across, size)
    if size / canvas.px_um > 6 and rng.random() < 0.7:
        distance = distance + (
            np.float32(0.035 * size)
            * noise.smooth_field(rng, distance.shape, max(2.0, 0.12 * size / canvas.px_um))
        )
    turn = rng.uniform(0, np.pi)
    u = along * np.float32(np.cos(turn)) + across * np.float32(np.sin(turn))
    v = across * np.float32(np.cos(turn)) - along * np.float32(np.sin(turn))
    _paint(rng, canvas, window, look, distance, u, v, light, from_below, PIECE)


def _piece_outline(
    rng: np.random.Generator, along: np.ndarray, across: np.ndarray, size: float
) -> np.ndarray:
    """Distance of a torn piece: angular, a triangle, a strip broken straight, a sliver, or a curled rind."""
    sort = rng.choice(5, p=[0.45, 0.15, 0.2, 0.1, 0.1])
    if sort == 0:
        stretch = np.float32(rng.uniform(0.4, 1.0))
        corners = shapes.rough_corners(rng, 0.75 * size, int(rng.integers(3, 8)), rng.uniform(0.15, 0.65))
        return shapes.polygon(along, across / stretch, corners) * np.sqrt(stretch)
    if sort == 1:
        return shapes.polygon(along, across, shapes.rough_corners(rng, 0.7 * size, 3, rng.uniform(0, 0.6)))
    half, wide = 0.6 * size, size * rng.uniform(0.15, 0.4)
    if sort == 2:  # breaks across it are straight but oblique
        slant = np.float32(rng.normal(0, 0.5))
        ends = np.abs(along + slant * across) - np.float32(half)
        return np.maximum(ends, np.abs(across + np.float32(rng.normal(0, 0.1)) * along) - np.float32(wide))
    if sort == 3:
        return shapes.lens(along, across, 1.3 * size, size * float(rng.uniform(0.08, 0.22)))
    outer = np.sqrt(along**2 + across**2) - np.float32(0.6 * size)
    inner = np.sqrt((along - np.float32(rng.uniform(0.2, 0.5) * size)) ** 2 + across**2) - np.float32(
        0.6 * size
    )
    return np.maximum(outer, -inner)


def _paint(
    rng: np.random.Generator,
    canvas: Canvas,
    window: Window,
    look: ScaleLook,
    distance: np.ndarray,
    along: np.ndarray,
    across: np.ndarray,
    light: np.ndarray,
    from_below: bool,
    kind: int,
) -> None:
    px = canvas.px_um
    if look.worn and distance.size > 400:  # holes and thin places
        field = noise.octaves(rng, distance.shape, rng.uniform(6, 30) / px, 2 / px, 0.5)
        distance = np.maximum(distance, np.float32(4.0) * (field - np.float32(2.2 - 3 * look.worn)))
    cover = shapes.coverage(distance, px)
    texture = skin.sample(rng, look.tile, along / np.float32(px), across / np.float32(px))
    shade = look.rim * np.exp(-((distance / look.rim_width) ** 2))
    shade = shade + look.gradient * along / (np.float32(2.0) * np.abs(along).max() + np.float32(1e-3))
    if rng.random() < 0.2:  # folded over: two layers beyond a straight line
        turn, far = rng.uniform(0, 2 * np.pi), rng.uniform(0.1, 0.4) * float(np.abs(along).max())
        over = along * np.float32(np.cos(turn)) + across * np.float32(np.sin(turn)) - np.float32(far)
        shade = shade + np.float32(rng.uniform(0.2, 0.9)) * (over > 0) + 0.5 * np.exp(-((over / 0.8) ** 2))
    texture = texture + shade[..., None]
    tone = float(np.exp(rng.normal(0, 0.2)))
    level = light * look.colour * np.float32(tone)
    paint = np.minimum(level * np.exp(-texture), 1.3 * light)
    if look.sheen and not from_below:
        hue = look.sheen_hue + 0.1 * float(rng.normal())
        shimmer = np.exp(-((across / (0.2 * look.width) - rng.normal()) ** 2)) * look.sheen
        paint = paint + shimmer[..., None] * colours.hsv(hue, 0.8, 0.8) * light
    if look.shadow:
        _cast_shadow(rng, canvas, window, cover, look.shadow)
    soften = noise.maybe(rng, 0.4, 0.3, 3.0)
    mask = distance < 0
    see_through = 1.0 - look.opacity
    if see_through > 0.05:
        canvas.rgb[window.box] *= np.exp(np.float32(-see_through) * cover[..., None] * texture)
    absorbs = -np.log(np.clip(look.colour, 0.03, 0.98)) * np.float32(0.6)
    canvas.lay(
        window,
        mask,
        kind,
        cover=cover * np.float32(look.opacity),
        paint=paint.astype(np.float32),
        density=cover * np.float32(0.5 * see_through),
        absorbs=absorbs,
        hides=look.opacity,
        soften_um=soften,
    )
    if kind == SCALE:
        canvas.scaled[window.box] |= mask


def _cast_shadow(
    rng: np.random.Generator, canvas: Canvas, window: Window, cover: np.ndarray, depth: float
) -> None:
    """Darken what lies beside a thing, shifted by a few µm, hard or soft at the edge."""
    shift = rng.normal(0, 4.0, 2) / canvas.px_um
    matrix = np.array([[1, 0, shift[0]], [0, 1, shift[1]]], np.float32)
    shadow = cv2.warpAffine(np.ascontiguousarray(cover, np.float32), matrix, cover.shape[::-1])
    soft = rng.choice([0.0, rng.uniform(0.5, 4.0)]) / canvas.px_um
    if soft > 0.3:
        shadow = cv2.GaussianBlur(shadow, (0, 0), soft)
    canvas.rgb[window.box] *= np.exp(-np.float32(depth) * shadow * (1 - cover))[..., None]

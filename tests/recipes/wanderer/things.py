"""Everything that is no spore, as simple shapes with gradients."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.recipes.wanderer.canvas import Array, Canvas, Frame, noise

GREY = np.array([1, 1, 1], np.float32)
BROWN = np.array([0.65, 1, 1.35], np.float32)
YELLOW = np.array([0.25, 0.55, 1.6], np.float32)
_SCALE_COLOURS = (
    # tint, lowest and highest density
    ((0.25, 0.85, 1.7), 0.15, 0.5),
    ((0.65, 1.0, 1.4), 0.15, 0.6),
    ((0.95, 1.0, 1.05), 0.5, 1.1),
    ((1.0, 1.0, 1.05), 0.04, 0.12),
    ((0.7, 1.0, 1.5), 0.04, 0.15),
)


@dataclass(frozen=True)
class ScaleLook:
    """Looks that the scales of one sort share."""

    tint: Array
    density: float
    length_um: float
    width_um: float
    teeth: int
    tooth_um: float
    pitch_um: float
    ridge: float
    hides: bool


def draw_scale_look(rng: np.random.Generator) -> ScaleLook:
    tint, low, high = _SCALE_COLOURS[int(rng.integers(len(_SCALE_COLOURS)))]
    density = float(rng.uniform(low, high))
    return ScaleLook(
        np.array(tint, np.float32) * rng.uniform(0.9, 1.1, 3).astype(np.float32),
        density,
        float(rng.uniform(110, 220)),
        float(rng.uniform(55, 105)),
        int(rng.integers(3, 7)),
        float(rng.uniform(4, 28)),
        float(rng.uniform(1.6, 3.2)),
        float(rng.uniform(0.1, 0.45)),
        density > 0.38,
    )


def _outline(rng: np.random.Generator, look: ScaleLook, length: float, width: float) -> NDArray[np.float64]:
    """Points of a scale along x from its stalk to its teeth, in µm about its middle."""
    t = np.linspace(0, 1, 24)
    swell = rng.uniform(0.25, 0.6)
    half = 0.5 * width * np.clip(t / swell, 0, 1) ** rng.uniform(0.5, 0.9) * (1 - 0.15 * t**4)
    half = np.maximum(half, 2.0)
    side = np.stack([(t - 0.5) * length, half], 1)
    tip = 2 * look.teeth + 1
    across = np.linspace(half[-1], -half[-1], tip)
    out = np.where(np.arange(tip) % 2 == 1, look.tooth_um * rng.uniform(0.6, 1.2, tip), 0)
    out += 0.08 * width * (1 - (across / half[-1]) ** 2)
    stalk = np.array([[-0.5 * length - 12, -1.2], [-0.5 * length - 12, 1.2]])
    end = np.stack([0.5 * length + out, across], 1)
    return np.concatenate([stalk, side, end, (side * [1, -1])[::-1]])


def lay_scale(
    rng: np.random.Generator,
    canvas: Canvas,
    look: ScaleLook,
    x: float,
    y: float,
    piece_um: float | None = None,
) -> bool:
    """Lay a scale, torn now and then, or a piece of one of about `piece_um`; True for a nearly whole one."""
    length = look.length_um * np.exp(rng.normal(0, 0.08))
    width = look.width_um * np.exp(rng.normal(0, 0.08))
    angle = rng.uniform(0, 2 * np.pi)
    if piece_um is None:
        points = _outline(rng, look, length, width)
    else:
        turn = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(4, 9))))
        size = 0.5 * piece_um * rng.uniform(0.6, 1.2, turn.size)
        points = np.stack([size * np.cos(turn) * rng.uniform(1, 1.5), size * np.sin(turn)], 1)
    c, s = np.cos(angle), np.sin(angle)
    turned = points @ np.array([[c, s], [-s, c]])
    wide, high = np.abs(turned).max(axis=0) + (20 if canvas.from_above else 4)
    frame = canvas.frame(x, y, angle, (float(wide), float(high)))
    if frame is None:
        return False
    u, v = frame.u, frame.v
    canvas_xy = np.array([x, y]) + turned / canvas.px_um
    corner = np.array([frame.box[1].start, frame.box[0].start])
    cover = np.zeros(u.shape, np.uint8)
    fine = np.round((canvas_xy - corner) * 16).astype(np.int32)
    cv2.fillPoly(cover, [fine], 255, cv2.LINE_AA, 4)
    body: Array = cover.astype(np.float32) / np.float32(255)
    torn = piece_um is None and rng.random() < 0.3
    if torn:
        jag = 8 * np.sin(v / rng.uniform(3, 9)) + 5 * np.sin(v / rng.uniform(1.5, 3))
        body = body * canvas.edge(u - (rng.uniform(-0.2, 0.35) * length + jag + rng.normal(0, 0.4) * v))
    # Ridges bend a little with the scale; those finer than the canvas fade to their mean.
    bend = rng.normal(0, 3e-4)
    visible = np.clip((look.pitch_um / canvas.px_um - 2) / 2, 0, 1)
    wave = np.cos(2 * np.pi / look.pitch_um * (v + bend * u * u) + rng.uniform(0, 6))
    mottle = noise(rng, u.shape, 18 / canvas.px_um)
    shade = 1 + look.ridge * visible * wave + 0.08 * mottle + rng.normal(0, 0.15) * u / length
    inside = canvas.soften(body, 1.5)
    rim = np.clip(4 * inside * (1 - inside), 0, 1) * rng.uniform(0.1, 0.4)
    density = (
        look.density * np.exp(rng.normal(0, 0.15)) * body * np.clip(shade + rim, 0.1, 3) + 0.06 * rim * body
    )
    if canvas.from_above:
        # Ridges shine back a part of the light.
        density = density - rng.uniform(0.1, 0.4) * look.density * body * (0.6 + 0.4 * visible * wave)
    canvas.veil(frame, body, min(0.9, 1.4 * look.density))
    canvas.shadow(frame, body, rng.uniform(2, 6))
    canvas.lay(
        frame,
        density.astype(np.float32),
        look.tint,
        "scale" if piece_um is None else "scale piece",
        body > 0.5,
        soft_um=float(abs(rng.normal(0, 0.8))),
        hides=look.hides,
    )
    return not torn


def _round(rng: np.random.Generator, frame: Frame, radius_um: float, uneven: float) -> Array:
    """Signed distance from a round outline with a few waves."""
    turn = np.arctan2(frame.v, frame.u)
    r = np.hypot(frame.u, frame.v * rng.uniform(1, 1 + uneven))
    for k in (2, 3, 5):
        r = r * (1 + uneven * rng.normal(0, 0.3 / k) * np.cos(k * turn + rng.uniform(0, 6)))
    return (r - radius_um).astype(np.float32)


def lay_bubble(rng: np.random.Generator, canvas: Canvas, x: float, y: float, radius_um: float) -> None:
    """Air at the tape: a dark ring, bright just inside, nothing in the middle."""
    frame = canvas.frame(x, y, 0, radius_um + 5)
    if frame is None:
        return
    d = _round(rng, frame, radius_um, 0.06)
    thick = np.clip(radius_um * rng.uniform(0.1, 0.3), 0.7, 3.5)
    ring = np.exp(-0.5 * ((d + thick) / thick) ** 2) * canvas.edge(d)
    bright = np.exp(-0.5 * ((d + 3.2 * thick) / thick) ** 2) + 0.6 * np.exp(-0.5 * ((d - 0.8) / 0.6) ** 2)
    density = rng.uniform(0.25, 0.8) * ring - rng.uniform(0.02, 0.1) * bright
    tint = GREY * np.array([1, 1, rng.uniform(0.95, 1.1)], np.float32)
    canvas.lay(frame, density, tint, "bubble", d < 0, soft_um=rng.uniform(0.2, 1.2), hides=False)
    canvas.hide(frame, (d < 0) & (d > -2.2 * thick), "bubble")


def lay_droplet(rng: np.random.Generator, canvas: Canvas, x: float, y: float, radius_um: float) -> None:
    """A brown or yellow drop: a dome of colour with a thin rim and a light spot."""
    frame = canvas.frame(x, y, rng.uniform(0, 6), 1.3 * radius_um + 3)
    if frame is None:
        return
    d = _round(rng, frame, radius_um, 0.25 if rng.random() < 0.7 else 0.6)
    dome = np.clip(-d / radius_um, 0, 1) ** 0.5 * canvas.edge(d)
    rim = np.exp(-0.5 * ((d + 0.6) / 0.6) ** 2) * canvas.edge(d)
    u, v = frame.u / radius_um, frame.v / radius_um
    spot = np.exp(-((u - rng.uniform(-0.3, 0.3)) ** 2 + (v - rng.uniform(-0.3, 0.3)) ** 2) / 0.08)
    strong = rng.uniform(0.12, 0.5)
    density = strong * (dome + rng.uniform(0.2, 1) * rim - rng.uniform(0, 0.8) * spot * dome)
    tint = BROWN if rng.random() < 0.6 else YELLOW
    canvas.lay(frame, density, tint, "other", d < 0, soft_um=rng.uniform(0.2, 1.0), hides=strong > 0.3)


def lay_pollen(rng: np.random.Generator, canvas: Canvas, x: float, y: float, radius_um: float) -> None:
    """A round yellow grain with a thick wall, warts and a cloudy middle."""
    frame = canvas.frame(x, y, rng.uniform(0, 6), 1.25 * radius_um + 3)
    if frame is None:
        return
    warts = int(rng.integers(9, 24))
    wave = rng.uniform(0, 0.05) * radius_um * np.cos(warts * np.arctan2(frame.v, frame.u))
    d = _round(rng, frame, radius_um, 0.12) - wave.astype(np.float32)
    wall = np.exp(-0.5 * ((d + 0.12 * radius_um) / (0.1 * radius_um)) ** 2)
    cloud = noise(rng, d.shape, 0.25 * radius_um / canvas.px_um)
    density = (rng.uniform(0.15, 0.5) * (1 + 0.2 * cloud) + rng.uniform(0.1, 0.5) * wall) * canvas.edge(d)
    tint = (0.5 * BROWN + 0.5 * YELLOW).astype(np.float32)
    canvas.lay(frame, density.astype(np.float32), tint, "pollen", d < 0, soft_um=rng.uniform(0.2, 1.2))


def lay_dust(rng: np.random.Generator, canvas: Canvas, x: float, y: float, radius_um: float) -> None:
    """A crumb with corners, dark or pale."""
    frame = canvas.frame(x, y, rng.uniform(0, 6), 2 * radius_um + 2)
    if frame is None:
        return
    sides = rng.uniform(0, 2 * np.pi, int(rng.integers(5, 9)))
    far = radius_um * rng.uniform(0.6, 1.3, sides.size)
    planes = [frame.u * np.cos(t) + frame.v * np.sin(t) - r for t, r in zip(sides, far, strict=True)]
    # A circle closes what the random planes leave open.
    d = np.max([*planes, np.hypot(frame.u, frame.v) - 1.3 * radius_um], axis=0)
    density = rng.uniform(0.1, 0.8) * canvas.edge(d) * (1 + 0.25 * noise(rng, d.shape, 2 / canvas.px_um))
    tint = (GREY + rng.uniform(0, 1) * (BROWN - GREY)).astype(np.float32)
    canvas.lay(frame, density.astype(np.float32), tint, "dust", d < 0, soft_um=rng.uniform(0.2, 1.0))


def lay_mould(rng: np.random.Generator, canvas: Canvas, x: float, y: float) -> None:
    """Small round or oval mould spores, alone or in a short chain."""
    radius, way = rng.uniform(1.5, 4.5), rng.uniform(0, 6)
    strong, tint = rng.uniform(0.2, 0.6), np.array([0.9, 0.9, rng.uniform(1.0, 1.3)], np.float32)
    for _ in range(int(rng.geometric(0.45))):
        frame = canvas.frame(x, y, way, 1.5 * radius + 2)
        if frame is not None:
            d = (np.hypot(frame.u / 1.2, frame.v) - radius).astype(np.float32)
            wall = np.exp(-0.5 * ((d + 0.5) / 0.5) ** 2)
            density = strong * (0.6 + 0.6 * wall) * canvas.edge(d)
            canvas.lay(frame, density, tint, "other", d < 0, soft_um=rng.uniform(0.1, 0.6))
        way += rng.normal(0, 0.4)
        x += 2.3 * radius * np.cos(way) / canvas.px_um
        y += 2.3 * radius * np.sin(way) / canvas.px_um


def lay_thread(rng: np.random.Generator, canvas: Canvas, x: float, y: float, kind: str) -> None:
    """A hair (dark, tapering, nearly straight) or a fibre (clear with dark edges, winding)."""
    hair = kind == "hair"
    length = rng.uniform(150, 700) if hair else rng.uniform(250, 1500)
    half = rng.uniform(2, 6) if hair else rng.uniform(4, 11)
    n = 60
    turn = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.01 if hair else 0.05, n))
    turn += np.linspace(0, rng.normal(0, 0.5 if hair else 1.2), n)
    step = length / n / canvas.px_um
    path = np.array([x, y]) + np.cumsum(step * np.stack([np.cos(turn), np.sin(turn)], 1), axis=0)
    path -= path.mean(axis=0) - [x, y]
    pad = (half * 2 + (22 if canvas.from_above else 0)) / canvas.px_um + 4
    rows, cols = canvas.kinds.shape
    low = np.maximum(path.min(axis=0) - pad, 0).astype(int)
    high = np.minimum(path.max(axis=0) + pad, [cols, rows]).astype(int)
    if (high - low < 4).any():
        return
    box = (slice(low[1], high[1]), slice(low[0], high[0]))
    # The line is drawn with a rim of its own, so that parts just outside of the window count as well.
    rim = int(pad) + 2
    mask = np.full((high[1] - low[1] + 2 * rim, high[0] - low[0] + 2 * rim), 255, np.uint8)
    cv2.polylines(mask, [np.round(path - low + rim).astype(np.int32)], False, 0, 1)
    if mask.all():
        return
    away = cv2.distanceTransform(mask, cv2.DIST_L2, 5)[rim:-rim, rim:-rim] * np.float32(canvas.px_um)
    frame = Frame(box, away, away)
    if hair:
        chord = path[-1] - path[0]
        yy, xx = np.ogrid[box]
        way = ((xx - path[0, 0]) * chord[0] + (yy - path[0, 1]) * chord[1]) / (chord @ chord + 1e-6)
        half_here = half * np.clip(1 - 0.85 * way, 0.15, 1)
    else:
        half_here = np.full_like(away, half) * (1 + 0.15 * noise(rng, away.shape, 60 / canvas.px_um))
    d = (away - half_here).astype(np.float32)
    cover = canvas.edge(d)
    edges = np.exp(-0.5 * ((d + 0.9) / 0.8) ** 2)
    if hair:
        strong = rng.uniform(0.25, 0.9)
        density = strong * cover * (1 - rng.uniform(0, 0.5) * np.exp(-((away / (0.4 * half)) ** 2)))
        tint = BROWN
    else:
        strong = rng.uniform(0.0, 0.15)
        bright = np.exp(-((away / (0.45 * half)) ** 2))
        density = cover * (strong + rng.uniform(0.12, 0.5) * edges - rng.uniform(0, 0.12) * bright)
        dyed = rng.random() < 0.2
        tint = rng.uniform(0.6, 1.5, 3).astype(np.float32) if dyed else GREY
    canvas.shadow(frame, cover, rng.uniform(3, 8))
    soft = float(rng.uniform(0.3, 2.5))
    canvas.lay(frame, density.astype(np.float32), tint, kind, d < 0, soft_um=soft, hides=hair)
    canvas.hide(frame, (d < 0) & (d > -1.8), kind)

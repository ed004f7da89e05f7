"""All that is no spore: scales and their pieces, hairs and fibres, and round and ragged look-alikes."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.distances.canvas import MARGIN_PX, Canvas, Frame
from sporecount.simulate.distances.fields import Plane, cover, ellipse, mottle, ragged, smooth, wander

Tint = Plane
"""Density of red, green and blue."""

SCALE_TINTS = {
    "orange": (0.06, 0.3, 0.8), "rust": (0.18, 0.5, 0.85), "brown": (0.35, 0.52, 0.72),
    "black": (0.85, 0.95, 1.05), "white": (0.1, 0.11, 0.13), "pale": (0.05, 0.08, 0.16),
    "yellow": (0.03, 0.1, 0.5), "grey": (0.3, 0.32, 0.33),
}  # fmt: skip


def _colour(od: Plane, tint: Tint) -> Plane:
    return np.asarray(od[..., None] * tint, np.float32)


def _tint(*rgb: float) -> Tint:
    return np.array(rgb, np.float32)


@dataclass(frozen=True)
class ScaleLook:
    """How one sort of butterfly scale looks: sizes in micrometres, density of red, green and blue."""

    od: Tint
    length_um: float
    width_um: float
    teeth: int
    tooth_um: float
    ridge_um: float
    ridge: float
    rim: float
    mottle: float
    hide: float
    base_fade: float


def draw_scale_look(rng: np.random.Generator) -> ScaleLook:
    """Draw one sort of scale; a print carries several."""
    names = list(SCALE_TINTS)
    tint = np.array(SCALE_TINTS[names[int(rng.choice(8, p=[0.22, 0.1, 0.16, 0.16, 0.12, 0.1, 0.06, 0.08]))]])
    od = (tint * rng.uniform(0.6, 1.35) * rng.uniform(0.9, 1.1, 3)).astype(np.float32)
    return ScaleLook(
        od, float(rng.uniform(110, 235)), float(rng.uniform(52, 110)), int(rng.integers(0, 7)),
        float(rng.uniform(4, 28)), float(rng.uniform(1.4, 2.8)), float(rng.uniform(0.06, 0.45)),
        float(rng.uniform(0.0, 0.5)), float(rng.uniform(0.02, 0.22)), float(np.clip(0.3 + 0.7 * od[1], 0.2, 0.95)),
        float(rng.uniform(0, 0.6)),
    )  # fmt: skip


def _ridged(
    rng: np.random.Generator, canvas: Canvas, look: ScaleLook, frame: Frame, v: Plane
) -> tuple[Plane, Plane]:
    """Relative density of the inside of a scale, and the height of its ridges."""
    wave = np.cos(v * np.float32(2 * np.pi / look.ridge_um) + rng.uniform(0, 6))
    # What the pixels cannot hold is left out, or it would alias.
    shown = float(np.clip(look.ridge_um / (2.2 * canvas.um_per_px) - 0.5, 0, 1))
    ribs = (
        np.cos(frame.u * np.float32(2 * np.pi / (0.8 * look.ridge_um)))
        * float(canvas.um_per_px < 0.35)
        * 0.35
    )
    spots = mottle(frame.u, v, (45, 16), canvas.um_per_px, rng)
    spots += np.float32(0.5) * mottle(frame.u, v, (9, 3), canvas.um_per_px, rng)
    n = 1 + shown * look.ridge * (wave + ribs * (wave < 0)) + look.mottle * spots
    return np.asarray(np.clip(n, 0.1, 2.2), np.float32), np.asarray(0.3 * shown * wave, np.float32)


def lay_scale(
    rng: np.random.Generator, canvas: Canvas, look: ScaleLook, x: float, y: float, angle: float, torn: bool
) -> bool:
    """Lay a scale; True where more than half of it is left and its middle is on the canvas."""
    length, width = look.length_um * rng.normal(1, 0.1), look.width_um * rng.normal(1, 0.1)
    frame = canvas.frame(x, y, angle, 0.62 * length + 12)
    if frame is None or min(frame.u.shape) < 3:
        return False
    u, v = frame.u, frame.v + np.float32(rng.normal(0, 0.1) / length) * frame.u**2
    half = np.float32(0.5 * length)
    t = (u + half) / np.float32(length)
    shoulder = 1 - np.clip(t / np.float32(rng.uniform(0.15, 0.45)), 0, 1)
    wide = (
        np.float32(0.5 * width)
        * (1 - shoulder**2.2) ** 0.6
        * (1 - np.float32(rng.uniform(-0.1, 0.3)) * (1 - t))
    )
    body = np.abs(v) - np.maximum(wide, 0)
    phase = v * np.float32(look.teeth / width) + 0.5 * (look.teeth % 2)
    notch = 0.5 - 0.5 * np.cos(2 * np.pi * phase) if look.teeth else np.zeros_like(v)
    # Teeth are rounder or sharper, and no two of a scale alike.
    tooth = notch ** np.float32(rng.uniform(0.5, 1.3)) * (1 + 0.35 * np.sin(phase * 2.3 + rng.uniform(0, 6)))
    end = u - (
        half
        - np.float32(look.tooth_um) * tooth
        - np.float32(0.16 * length) * (2 * v / np.float32(width)) ** 2
    )
    d = np.maximum(np.maximum(body, 0.8 * end), -half * 0.97 - u)
    stalk = np.maximum(np.abs(v) - 1.8, np.abs(u + half) - 9)
    d = np.minimum(d, stalk)
    if torn:
        cut = rng.uniform(0, 2 * np.pi)
        rag = mottle(u, v, (9, 9), canvas.um_per_px, rng) * np.float32(rng.uniform(1, 4))
        d = np.maximum(
            d, u * np.float32(np.cos(cut)) + v * np.float32(np.sin(cut)) - rng.uniform(-0.25, 0.35) * length +
            rag,
        )  # fmt: skip
    d = d.astype(np.float32)
    full = cover(d, max(canvas.um_per_px, 0.8))
    if not full.any():
        return False
    inner, height = _ridged(rng, canvas, look, frame, v)
    fade = 1 - np.float32(look.base_fade) * smooth(0.6, 0.0, t)
    rim = np.exp(-(((d + 1.2) / np.float32(max(1.1, canvas.um_per_px))) ** 2))
    od = full * inner * fade
    lift = rng.uniform(0, 5)
    canvas.cast_shadow(frame, full, 1 + lift, rng.uniform(0.2, 0.6))
    shade = (
        canvas.relief(height * 2 + np.float32(0.02) * v, rng.uniform(0.15, 0.6))
        if canvas.from_above
        else None
    )
    rgb = _colour(od, look.od) + (np.float32(0.5 * look.rim) * rim * full)[..., None] * (0.3 * look.od + 0.12)
    halo = np.exp(-np.clip(d, 0, None) / 1.2) * smooth(0, 1, d) * np.float32(0.06 * look.rim)
    canvas.lay(frame, full, rgb - halo[..., None], "scale", opacity=0.96, hide=look.hide, shade=shade,
               blur_px=canvas.extra_blur_px(x, y, rng.normal(0, 2) - lift))  # fmt: skip
    rows, cols = canvas.kinds.shape
    return not torn and 0 <= x < cols - 2 * MARGIN_PX and 0 <= y < rows - 2 * MARGIN_PX


def lay_piece(
    rng: np.random.Generator, canvas: Canvas, look: ScaleLook, x: float, y: float, size_um: float
) -> None:
    """Lay a torn flake of a scale, ridges and all."""
    frame = canvas.frame(x, y, rng.uniform(0, 6.3), 1.1 * size_um + 4)
    if frame is None or min(frame.u.shape) < 3:
        return
    d = ragged(frame.u * np.float32(rng.uniform(0.6, 1)), frame.v, 0.5 * size_um, rng, rng.uniform(0.05, 0.2))
    full = cover(d, max(canvas.um_per_px, 0.6))
    inner, height = _ridged(rng, canvas, look, frame, frame.v)
    rim = (
        np.exp(-(((d + 0.7) / np.float32(max(0.7, canvas.um_per_px))) ** 2))
        * full
        * np.float32(0.4 * look.rim)
    )
    rgb = _colour(full * inner * np.float32(rng.uniform(0.5, 1)), look.od) + _colour(
        rim, 0.3 * look.od + 0.15
    )
    canvas.cast_shadow(frame, full, 1.5, 0.3)
    shade = canvas.relief(height * 2, 0.3) if canvas.from_above else None
    canvas.lay(frame, full, rgb, "scale piece", opacity=0.95, hide=look.hide, shade=shade,
               blur_px=canvas.extra_blur_px(x, y, rng.normal(0, 2)))  # fmt: skip


def _along(
    canvas: Canvas, path: NDArray[np.float64], reach_um: float
) -> tuple[Frame, Plane, Plane, Plane] | None:
    """Distance, way and side from a path of photo pixels, each piece in a window of its own."""
    at = path + MARGIN_PX
    pad = reach_um / canvas.um_per_px + 2
    rows, cols = canvas.kinds.shape
    low = np.maximum(np.floor(at.min(0) - pad).astype(int), 0)
    high = np.minimum(np.ceil(at.max(0) + pad).astype(int) + 1, [cols, rows])
    if (high - low < 3).any():
        return None
    shape = int(high[1] - low[1]), int(high[0] - low[0])
    dist, way, side = (
        np.full(shape, 9e3, np.float32),
        np.zeros(shape, np.float32),
        np.zeros(shape, np.float32),
    )
    gone = 0.0
    for p, q in pairwise(at):
        span = float(np.hypot(*(q - p)))
        c0, r0 = np.maximum(np.floor(np.minimum(p, q) - pad).astype(int) - low, 0)
        c1, r1 = np.minimum(np.ceil(np.maximum(p, q) + pad).astype(int) + 1 - low, shape[::-1])
        if c0 < c1 and r0 < r1 and span > 0:
            dx = (np.arange(c0, c1) + low[0] - p[0]).astype(np.float32)[None]
            dy = (np.arange(r0, r1) + low[1] - p[1]).astype(np.float32)[:, None]
            ux, uy = np.float32((q[0] - p[0]) / span), np.float32((q[1] - p[1]) / span)
            t = np.clip(dx * ux + dy * uy, 0, np.float32(span))
            d = np.hypot(dx - t * ux, dy - t * uy) * np.float32(canvas.um_per_px)
            w = slice(r0, r1), slice(c0, c1)
            near = d < dist[w]
            dist[w][near] = d[near]
            way[w][near] = ((t + np.float32(gone)) * np.float32(canvas.um_per_px))[near]
            side[w][near] = ((dy * ux - dx * uy) * np.float32(canvas.um_per_px))[near]
        gone += span
    box = slice(int(low[1]), int(high[1])), slice(int(low[0]), int(high[0]))
    return Frame(box, way, side), dist, way, side


def lay_strand(rng: np.random.Generator, canvas: Canvas, x: float, y: float, sort: str) -> None:
    """Lay a hair, a paper or cotton fibre, a plastic thread or a mould hypha that passes through a place.

    Parameters
    ----------
    rng : numpy.random.Generator
    canvas : Canvas
    x, y : float
        A place of the photo.
    sort : str
        "hair", "fibre", "thread" or "hypha".
    """
    low, high, reach, bend = {
        "hair": (1.5, 6, 420, 0.5), "fibre": (5, 12, 700, 1.6), "thread": (6, 11, 900, 0.4),
        "hypha": (0.8, 1.6, 130, 1.4),
    }[sort]  # fmt: skip
    radius, length = rng.uniform(low, high), reach * rng.uniform(0.3, 1.1)
    pad = 1.6 * radius + 4
    points = int(np.clip(length / pad, 6, 45))
    path = wander(rng, (0, 0), rng.uniform(0, 6.3), length / canvas.um_per_px, bend, points)
    path += [x, y] - path[int(rng.integers(points))]
    found = _along(canvas, path, pad)
    if found is None:
        return
    frame, dist, way, side = found
    r = np.full_like(dist, np.float32(radius))
    if sort == "hair":
        r *= np.clip(1.15 - way / np.float32(length), 0.1, 1)
    elif sort == "fibre":
        r *= 1 + 0.3 * mottle(way, np.ones_like(way), (25, 25), canvas.um_per_px, rng)
    d = dist - r
    full = cover(d, max(canvas.um_per_px, 0.5))
    h = np.clip(dist / r, 0, 1)
    wall = np.exp(-(((d + 0.7) / np.float32(max(0.7, canvas.um_per_px))) ** 2))
    if sort == "hair":
        tint = _tint(*[(0.7, 0.8, 0.95), (0.35, 0.5, 0.75), (0.12, 0.14, 0.2)][int(rng.integers(3))])
        od = 0.5 * full * (1 + 0.4 * h * h) - 0.25 * np.exp(-((side / r * 2.2) ** 2)) * full * rng.uniform(
            0, 1
        )
    elif sort == "fibre":
        tint = _tint(1, 1, 1) if rng.random() < 0.65 else rng.uniform(0.2, 1.6, 3).astype(np.float32)
        lumen = np.exp(-((side / r * 3) ** 2)) * full
        od = rng.uniform(0.12, 0.4) * wall + rng.uniform(0.0, 0.18) * full - rng.uniform(-0.05, 0.12) * lumen
        od *= 1 + 0.4 * mottle(way, side, (18, 6), canvas.um_per_px, rng)
    elif sort == "thread":
        tint = rng.uniform(0.1, 1.4, 3).astype(np.float32)
        od = rng.uniform(0.1, 0.5) * full * np.sqrt(np.clip(1 - h * h, 0, 1)) + rng.uniform(0.1, 0.5) * wall
    else:
        tint = _tint(0.8, 0.9, 1.1)
        septa = np.exp(-((((way % 14) - 7) / 0.5) ** 2)) * full
        od = 0.16 * wall + 0.1 * full + 0.15 * septa
    gleam = None
    if not canvas.from_above and sort in ("fibre", "thread"):
        gleam = np.float32(rng.uniform(0, 0.12)) * np.exp(-np.clip(d, 0, None) / 1.5) * (d > 0)
    shade = np.clip(1 + 0.4 * side / np.float32(radius), 0.5, 1.5) if canvas.from_above else None
    lift = rng.uniform(0, 4)
    canvas.cast_shadow(frame, full, radius + lift, 0.35)
    kind = {"hair": "hair", "hypha": "other"}.get(sort, "fibre")
    canvas.lay(frame, full, _colour(np.asarray(od, np.float32), tint), kind,
               opacity=0.85, hide=0.75, shade=shade, gleam=gleam,
               blur_px=canvas.extra_blur_px(x, y, -lift - radius))  # fmt: skip


LOOKALIKES = (
    "bubble", "brown drop", "oil drop", "pollen", "spiny pollen", "dust", "fluff", "mould", "mould chain",
    "crystal", "starch", "hair stub", "ink speck", "soot", "ring stain", "hollow egg", "fat grain",
)  # fmt: skip


def lay_lookalike(
    rng: np.random.Generator, canvas: Canvas, x: float, y: float, sort: str, size_um: float
) -> None:
    """Lay one of `LOOKALIKES`, of about a given size."""
    if sort == "mould chain":
        size_um = min(size_um, 8.0)
        step, turn = 0.9 * size_um / canvas.um_per_px, rng.uniform(0, 6.3)
        same = int(rng.integers(2**32))
        for _ in range(int(rng.integers(3, 8))):
            lay_lookalike(
                np.random.default_rng(same), canvas, x, y, "mould", size_um * rng.uniform(0.85, 1.05)
            )
            turn += rng.normal(0, 0.35)
            x, y = x + step * np.cos(turn), y + step * np.sin(turn)
        return
    if sort == "mould":
        # A large oval with a dark rim could be taken for a spore by anybody.
        size_um = min(size_um, 8.0)
    frame = canvas.frame(x, y, rng.uniform(0, 6.3), 0.95 * size_um + 5)
    if frame is None or min(frame.u.shape) < 3:
        return
    u, v, px = frame.u, frame.v, canvas.um_per_px
    r, soft = 0.5 * size_um, max(px, 0.4)
    kind, gleam, tint = "other", None, _tint(1, 1, 1)
    stretch = float(rng.uniform(1, 1.2 if sort == "mould" else 1.07))
    d = ellipse(u, v, r * stretch, r / stretch)
    warm = _tint(rng.uniform(0.3, 0.7), 1, rng.uniform(1.2, 2.2))

    def band(at: float, wide: float) -> Plane:
        return np.asarray(
            np.exp(-(((d + np.float32(at)) / np.float32(max(wide, 0.6 * px))) ** 2)), np.float32
        )

    def bump() -> Plane:
        return np.asarray(np.sqrt(np.clip(1 - np.clip(1 + d / np.float32(r), 0, 1) ** 2, 0, 1)), np.float32)

    if sort == "bubble":
        kind = "bubble"
        wide = max(rng.uniform(0.06, 0.22) * r, 0.5)
        full = cover(d, soft)
        od = rng.uniform(0.3, 1.1) * band(wide, wide) * full - rng.uniform(0, 0.1) * full
        if rng.random() < 0.5:
            od -= rng.uniform(0.1, 0.35) * np.exp(-((np.hypot(u, v) / np.float32(0.35 * r)) ** 2))
        od -= rng.uniform(0, 0.12) * band(-wide, wide) * (1 - full)
    elif sort in ("brown drop", "oil drop", "fat grain"):
        wobble = mottle(u, v, (r, r), canvas.um_per_px, rng) * np.float32(rng.uniform(0, 0.14) * r)
        d = np.asarray(d + wobble, np.float32)
        full = cover(d, soft)
        if sort == "brown drop":
            tint = warm
            od = rng.uniform(0.15, 0.7) * bump() * full + rng.uniform(0, 0.25) * band(0.6, 0.7)
        else:
            tint = warm if sort == "fat grain" else _tint(0.85, 1, 1.2)
            od = rng.uniform(0.15, 0.5) * band(0.8, 0.8) + rng.uniform(0.0, 0.12) * full
        od = od - rng.uniform(0.05, 0.3) * np.exp(-((u * u + v * v) / np.float32(0.25 * r * r))) * full
    elif sort in ("pollen", "spiny pollen"):
        kind = "pollen"
        way = np.arctan2(v, u)
        if sort == "spiny pollen":
            d = d - np.float32(0.16 * r) * np.abs(np.cos(way * rng.integers(5, 10))) ** 3
        else:
            d = d + np.float32(rng.uniform(0, 0.1) * r) * np.cos(3 * way)
        full, tint = cover(d, soft), _tint(rng.uniform(0.2, 0.8), 0.7, rng.uniform(1, 2.4))
        pits = mottle(u, v, (0.16 * r, 0.16 * r), canvas.um_per_px, rng)
        od = full * (rng.uniform(0.15, 0.5) + 0.1 * pits) + rng.uniform(0.1, 0.45) * band(0.9, 0.9)
    elif sort in ("dust", "soot", "fluff", "ink speck"):
        kind = "other" if sort == "ink speck" else "dust"
        d = ragged(u, v * np.float32(rng.uniform(1, 2)), r, rng, rng.uniform(0.08, 0.4))
        full = cover(d, soft)
        tint = _tint(1, 1, 1) if sort != "dust" else rng.uniform(0.5, 1.3, 3).astype(np.float32)
        tint = rng.uniform(0.3, 1.2, 3).astype(np.float32) if sort == "ink speck" else tint
        grain = mottle(u, v, (0.3 * r, 0.3 * r), canvas.um_per_px, rng)
        od = (
            full
            * {"soot": 1.1, "dust": 0.45, "fluff": 0.16, "ink speck": 0.6}[sort]
            * (rng.uniform(0.5, 1.1) + 0.35 * grain)
        )
    elif sort == "mould":
        full, tint = (
            cover(d, soft),
            [_tint(0.9, 0.8, 1.1), _tint(0.5, 0.8, 1.2), _tint(1, 1, 1)][int(rng.integers(3))],
        )
        od = full * rng.uniform(0.08, 0.6) + rng.uniform(0.1, 0.4) * band(0.4, 0.5)
    elif sort == "crystal":
        d = np.maximum(np.abs(u) - r, np.abs(v) - np.float32(r * rng.uniform(0.3, 0.9))).astype(np.float32)
        full = cover(d, soft)
        od = rng.uniform(0.2, 0.7) * band(0.5, 0.6) + 0.1 * full * np.sign(
            u + v * rng.normal(0, 1)
        ) * rng.uniform(0, 1.5)
    elif sort == "starch":
        full = cover(d, soft)
        cross = np.exp(-((u * v / np.float32(0.06 * r * r)) ** 2)) * full
        od = rng.uniform(0.15, 0.4) * band(0.5, 0.6) + 0.04 * full + rng.uniform(0, 0.12) * cross
    elif sort == "hair stub":
        kind = "hair"
        d = (np.hypot(np.maximum(np.abs(u) - r, 0), v) - np.float32(rng.uniform(1.2, 3.2))).astype(np.float32)
        d = np.maximum(d, u - np.float32(0.8 * r))
        full, tint = cover(d, soft), warm * np.float32(rng.uniform(0.6, 1))
        od = full * rng.uniform(0.2, 0.7) + 0.2 * band(0.5, 0.6)
    elif sort == "ring stain":
        d = np.asarray(d + np.float32(0.12 * r) * mottle(u, v, (r, r), canvas.um_per_px, rng), np.float32)
        full, tint = cover(d, soft), warm
        od = full * rng.uniform(0.0, 0.06) + rng.uniform(0.06, 0.25) * band(1.0, 1.4)
    else:
        full = cover(d, soft)
        od = rng.uniform(0.1, 0.3) * (band(0.4, 0.5) + band(0.3 * r, 0.5) * rng.uniform(0, 1)) - 0.05 * full
    od = np.asarray(od, np.float32)
    if canvas.from_above:
        spot = np.hypot(u - np.float32(0.3 * r), v) / np.float32(0.2 * r + 0.4)
        gleam = (
            np.float32(rng.uniform(0, 0.5) * (sort in ("bubble", "brown drop", "oil drop", "fat grain")))
            * np.exp(-(spot**2))
            * full
        )
        canvas.cast_shadow(frame, full, 0.4 * r, 0.3)
    clear = sort in ("bubble", "oil drop", "ring stain", "hollow egg", "brown drop", "fluff", "fat grain")
    canvas.lay(frame, full, _colour(od, tint), kind, opacity=0.15 if clear else 0.85, hide=0.1 if clear else 0.4,
               blur_px=canvas.extra_blur_px(x, y, rng.normal(0, 2.5)), gleam=gleam)  # fmt: skip

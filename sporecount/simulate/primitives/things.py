"""Everything on the tape that is no spore: scales, their pieces, threads, round things, mould and dust."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.primitives.ground import Array, Sheet, Window, mottle, stroke, walk

PIGMENTS = {
    "orange": (0.05, 0.3, 0.95),
    "rust": (0.18, 0.5, 1.0),
    "brown": (0.35, 0.55, 0.85),
    "black": (0.95, 1.05, 1.2),
    "white": (0.03, 0.03, 0.04),
    "pale": (0.06, 0.1, 0.2),
}


def _local(box: Window, x: float, y: float, angle: float, px_um: float) -> tuple[Array, Array]:
    """Coordinates of a window's pixels along and across a direction, in um."""
    dx = ((np.arange(box[1].start, box[1].stop) - x) * px_um)[None].astype(np.float32)
    dy = ((np.arange(box[0].start, box[0].stop) - y) * px_um)[:, None].astype(np.float32)
    c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
    return dx * c + dy * s, dy * c - dx * s


def _fill(shape: tuple[int, int], points: Array) -> Array:
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(points * 16).astype(np.int32)], 255, cv2.LINE_AA, shift=4)
    return np.asarray(mask.astype(np.float32) / np.float32(255))


def _turned(points: Array, angle: float, x: float, y: float, px_um: float, box: Window) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    turned = np.stack([points[:, 0] * c - points[:, 1] * s, points[:, 0] * s + points[:, 1] * c], 1) / px_um
    return np.asarray(turned + np.array((x - box[1].start, y - box[0].start)))


class ScaleLook:
    """How a kind of butterfly scale looks; lengths in um, the rest as densities or shares."""

    def __init__(self, rng: np.random.Generator) -> None:
        name = str(rng.choice(list(PIGMENTS), p=(0.27, 0.13, 0.2, 0.12, 0.12, 0.16)))
        density = np.array(PIGMENTS[name]) * rng.uniform(0.35, 1.0) * rng.uniform(0.94, 1.06, 3)
        self.painter = str(rng.choice(["ridged", "blotchy", "glassy", "netted"]))
        self.density = density.astype(np.float32)
        self.length_um = float(rng.uniform(100, 220))
        self.width_um = float(rng.uniform(50, 110))
        self.teeth = int(rng.integers(2, 7))
        self.tooth = float(rng.uniform(0.015, 0.11))
        self.belly = float(rng.uniform(0.35, 0.9))
        self.ridge_um = float(rng.uniform(1.8, 4.5))
        self.ridge = float(rng.uniform(0.03, 0.3))
        self.rim = float(rng.uniform(0.02, 0.25))
        self.fade = float(rng.uniform(-0.5, 0.6))
        self.blotch = float(rng.uniform(0.02, 0.25))


def _scale_outline(rng: np.random.Generator, look: ScaleLook, length: float, width: float) -> Array:
    """Draw a closed outline from the stalk, along +x, to the toothed end."""
    t = np.linspace(0, 1, 24)
    flare = np.clip(t / 0.45, 0, 1) ** look.belly * (1 - 0.22 * np.clip((t - 0.55) / 0.45, 0, 1) ** 2)
    side = np.maximum(0.5 * width * flare, 1.5)
    x = length * (t - 0.5)
    x[0] -= rng.uniform(4, 14)
    across = np.linspace(-1, 1, 8 * look.teeth + 1)
    wave = (0.5 - 0.5 * np.cos(np.pi * look.teeth * (across + 1))) ** 0.8
    end_x = length / 2 + look.tooth * length * wave * rng.uniform(0.8, 1.2, across.size) - 6 * across**2
    end_y = across * side[-1]
    lower, upper = np.stack([x, -side], 1), np.stack([x, side], 1)[::-1]
    return np.concatenate([lower[:-1], np.stack([end_x, end_y], 1), upper[1:]]).astype(np.float32)


def lay_scale(
    rng: np.random.Generator, sheet: Sheet, look: ScaleLook, x: float, y: float, piece_um: float | None = None
) -> float:
    """Paint a scale, perhaps torn, or a flake of about the radius `piece_um`; the share left of the scale."""
    px = sheet.um_per_px
    length = float(np.clip(look.length_um * rng.uniform(0.85, 1.15), 100, 250))
    width = float(np.clip(look.width_um * rng.uniform(0.85, 1.15), 50, min(120, 0.8 * length)))
    box = sheet.window(x, y, (0.75 * length if piece_um is None else 1.8 * piece_um) / px + 3)
    if box is None:
        return 0.0
    shape = (box[0].stop - box[0].start, box[1].stop - box[1].start)
    angle = rng.uniform(0, 2 * np.pi)
    u, v = _local(box, x, y, angle, px)
    kept = 1.0
    if piece_um is None:
        mask = _fill(shape, _turned(_scale_outline(rng, look, length, width), angle, x, y, px, box))
        if rng.random() < 0.3:
            at = rng.uniform(-0.4, 0.45) * length
            tear = rng.uniform(2, 8) * mottle(rng, shape, 22 / px, 3)
            mask = mask * np.clip((at - u - rng.normal(0, 0.5) * v + tear) / px + 0.5, 0, 1)
            kept = 0.5 + at / length
    else:
        corners = int(rng.integers(4, 8))
        turn = np.sort((np.arange(corners) + rng.uniform(-0.4, 0.4, corners)) * 2 * np.pi / corners)
        far = piece_um * rng.uniform(0.55, 1.35, corners)
        points = np.stack([far * np.cos(turn) * rng.uniform(0.9, 1.6), far * np.sin(turn)], 1)
        mask = _fill(shape, _turned(points.astype(np.float32), angle, x, y, px, box))
    density = np.ones(shape, np.float32)
    rim = mask - cv2.GaussianBlur(mask, (0, 0), max(0.8, 1.2 / px))
    if look.painter in ("ridged", "netted"):
        bend = 0.6 * mottle(rng, shape, 60 / px, 1)
        wave = np.cos(2 * np.pi * (v + bend) / look.ridge_um)
        # Ridges finer than two pixels would only alias.
        density += look.ridge * np.float32(np.clip(look.ridge_um / px / 2.5 - 0.8, 0, 1)) * wave
    if look.painter == "netted":
        density += 0.6 * look.ridge * mottle(rng, shape, 3.5 / px, 1)
    density += look.blotch * mottle(rng, shape, 30 / px, 3) * (1.6 if look.painter == "blotchy" else 0.6)
    density *= np.clip(1 + look.fade * u / length, 0.2, 2)
    share = 0.35 if look.painter == "glassy" else 1.0
    od = np.clip(share * density, 0.05, 3)[..., None] * look.density * np.float32(rng.uniform(0.75, 1.25))
    # A clear flake shows by its edges alone.
    edge = 3 if piece_um is not None and look.density[1] < 0.12 else 1.2
    od = od + (look.rim * edge * np.clip(rim, 0, 1))[..., None]
    kind = "scale" if piece_um is None and kept > 0.5 else "scale piece"
    sheet.lay(box, mask, (10**-od).astype(np.float32), kind, min(0.95, sheet.solid * rng.uniform(0.8, 1.1)))
    return kept


def lay_thread(
    rng: np.random.Generator, sheet: Sheet, x: float, y: float, kind: str, stub: bool = False
) -> None:
    """Paint a hair (smooth, tapered, with a core) or a fibre (winding, flat, with two dark edges)."""
    px = sheet.um_per_px
    hair = kind == "hair"
    steps = int(rng.integers(5, 12)) if stub else int(rng.integers(30, 90))
    step_um = 2.2 if stub else rng.uniform(5, 14)
    width = (rng.uniform(1.5, 4) if stub else rng.uniform(2.5, 12 if hair else 16)) / px
    points = walk(rng, (x, y), step_um / px, steps, 0.02 if hair else rng.uniform(0.05, 0.16))
    low, high = points.min(0) - width - 3, points.max(0) + width + 3
    rows, cols = sheet.kinds.shape
    left, top = np.maximum(low, 0).astype(int)
    right, bottom = np.minimum(high + 1, (cols, rows)).astype(int)
    if right - left < 3 or bottom - top < 3:
        return
    box = slice(int(top), int(bottom)), slice(int(left), int(right))
    shape = (int(bottom - top), int(right - left))
    line = points - np.array((left, top), np.float32)
    outer = stroke(shape, line, max(0.8, 0.45 * width) if hair else width)
    for part in range(1, 6 if hair else 1):
        tip = max(2, steps * part // 6)
        outer = np.maximum(outer, stroke(shape, line[:tip], width * (1.05 - 0.1 * part)))
    inner = stroke(shape, line, 0.45 * width)
    soft = max(0.7, 0.12 * width)
    outer, inner = cv2.GaussianBlur(outer, (0, 0), soft), cv2.GaussianBlur(inner, (0, 0), soft * 1.5)
    strong = rng.uniform(0.12, 0.8) if hair else rng.uniform(0.06, 0.4)
    core = rng.uniform(-0.9, 0.6)
    colours = ((0.8, 1, 1.2), (1, 1, 1), (1.5, 1, 0.4), (0.4, 1.1, 1))
    colour = np.array(colours[rng.integers(2 if hair else 4)], np.float32)
    od = strong * np.clip(1 + core * inner, 0.05, 2)[..., None] * colour
    sheet.lay(box, outer, (10**-od).astype(np.float32), kind, 0.7 * sheet.solid)


def _oval_depth(u: Array, v: Array, a: float, b: float) -> Array:
    radius = np.hypot(u / a, v / b) + 1e-4
    slope = np.hypot(u / a**2, v / b**2) / radius + 1e-4
    return np.asarray((1 - radius) / slope, np.float32).clip(-3 * a, b)


def lay_round(
    rng: np.random.Generator, sheet: Sheet, x: float, y: float, radius_um: float, kind: str
) -> None:
    """Paint a bubble (wide dark rim, glint), a droplet (thin rim, one colour) or a pollen grain (rough wall)."""
    px = sheet.um_per_px
    box = sheet.window(x, y, 1.6 * radius_um / px + 3)
    if box is None:
        return
    aspect = {"bubble": 1.06, "droplet": 1.12, "pollen": 1.15}[kind]
    a, b = radius_um * np.sqrt(rng.uniform(1, aspect)), radius_um / np.sqrt(rng.uniform(1, aspect))
    u, v = _local(box, x, y, rng.uniform(0, np.pi), px)
    depth = _oval_depth(u, v, a, b)
    if kind == "pollen":
        knobs = np.cos(int(rng.integers(9, 22)) * np.arctan2(v, u))
        depth = depth + rng.uniform(0.02, 0.12) * radius_um * knobs
    alpha = np.clip(depth / px + 0.5, 0, 1)
    glint_x, glint_y = rng.normal(0, 0.3, 2) * radius_um
    glint = np.exp(-(((u - glint_x) ** 2 + (v - glint_y) ** 2) / (rng.uniform(0.12, 0.35) * radius_um) ** 2))
    if kind == "bubble":
        rim_um = radius_um * rng.uniform(0.15, 0.5)
        od = rng.uniform(0.25, 0.9) * np.exp(-((depth / rim_um) ** 2))
        od = (od - rng.uniform(0, 0.2) * glint)[..., None] * np.array((1, 1, 1.05), np.float32)
        name, solid = "bubble", 0.1 * sheet.solid
    elif kind == "droplet":
        colour = np.array(((0.25, 0.55, 1.5), (0.6, 1.0, 1.7), (0.9, 1, 1.1))[rng.integers(3)], np.float32)
        body = rng.uniform(0.06, 0.5) * (1 + rng.uniform(-0.3, 0.5) * np.clip(depth / b, 0, 1))
        edge = rng.uniform(0, 0.35) * np.exp(-((depth / max(0.4, 0.08 * radius_um)) ** 2))
        od = (body + edge - rng.uniform(0, 0.3) * body * glint * 2)[..., None] * colour
        name, solid = "other", 0.5 * sheet.solid
    else:
        colour = np.array(((0.2, 0.45, 1.3), (0.5, 0.7, 1.1), (0.8, 0.7, 0.9))[rng.integers(3)], np.float32)
        grain = mottle(rng, (depth.shape[0], depth.shape[1]), max(1.2, rng.uniform(1.2, 2.5) / px), 1)
        wall = rng.uniform(0.2, 0.6) * np.exp(-(((depth - 0.8) / 0.9) ** 2))
        if rng.random() < 0.5:
            wall = wall + 0.25 * np.exp(-(((depth - 0.3 * radius_um) / 0.8) ** 2))
        od = np.clip(rng.uniform(0.1, 0.4) * (1 + 0.3 * grain) + wall, 0, 2)[..., None] * colour
        name, solid = "pollen", 0.9 * sheet.solid
    sheet.lay(box, alpha.astype(np.float32), (10**-od).astype(np.float32), name, solid)


def lay_dust(rng: np.random.Generator, sheet: Sheet, x: float, y: float, radius_um: float) -> None:
    """Paint a ragged grain, dark or coloured, or a clear crystal with dark edges."""
    px = sheet.um_per_px
    box = sheet.window(x, y, 1.8 * radius_um / px + 3)
    if box is None:
        return
    turn = np.linspace(0, 2 * np.pi, 18, endpoint=False)
    far = radius_um * np.exp(rng.normal(0, 0.22, 18))
    if rng.random() < 0.4:
        turn, far = turn[::4], far[::4]
    points = np.stack([far * np.cos(turn) * rng.uniform(0.8, 1.5), far * np.sin(turn)], 1).astype(np.float32)
    shape = (box[0].stop - box[0].start, box[1].stop - box[1].start)
    mask = _fill(shape, _turned(points, rng.uniform(0, np.pi), x, y, px, box))
    body = rng.uniform(0.1, 1.1) * (1 + 0.35 * mottle(rng, shape, max(1.0, radius_um / px), 2))
    if rng.random() < 0.3:
        inside = cv2.GaussianBlur(mask, (0, 0), max(0.7, 0.3 * radius_um / px))
        body = body * np.clip(1.6 - 1.5 * inside, 0.05, 1.5)
    od = np.clip(body, 0.02, 2)[..., None] * (np.array((1, 1, 1), np.float32) * rng.uniform(0.75, 1.2, 3))
    sheet.lay(box, mask, (10**-od).astype(np.float32), "dust")


def lay_mould(rng: np.random.Generator, sheet: Sheet, x: float, y: float) -> None:
    """Paint mould: round or rod-like cells of 2.5 to 6 um, in a chain, a heap or alone."""
    px = sheet.um_per_px
    number = int(rng.choice([1, 2, int(rng.integers(3, 12))]))
    length, aspect = rng.uniform(2.5, 6), rng.choice([1.05, rng.uniform(1.1, 1.6), rng.uniform(2.2, 3)])
    chain, walled = rng.random() < 0.6, rng.random() < 0.5
    heading, at = rng.uniform(0, 2 * np.pi), np.array([x, y])
    colour = np.array(((1.1, 0.9, 1.1), (1, 1, 1), (1.05, 0.95, 0.8))[rng.integers(3)], np.float32)
    strength, wall = rng.uniform(0.1, 0.45), rng.uniform(0, 0.3)
    for _ in range(number):
        a, b = length / 2 * rng.uniform(0.9, 1.1), length / 2 / aspect
        box = sheet.window(at[0], at[1], 1.5 * a / px + 2)
        if box is not None:
            u, v = _local(box, at[0], at[1], heading, px)
            depth = _oval_depth(u, v, a, b)
            od = strength + wall * np.exp(-((depth / 0.5) ** 2)) + 0.3 * walled * np.exp(-((u / 0.35) ** 2))
            alpha = np.clip(depth / px + 0.5, 0, 1).astype(np.float32)
            sheet.lay(box, alpha, (10 ** -(od[..., None] * colour)).astype(np.float32), "other")
        heading += rng.normal(0, 0.3) if chain else rng.uniform(0, 2 * np.pi)
        step = (2 * a if chain else rng.uniform(b, 2.5 * a)) / px
        at = at + step * np.array([np.cos(heading), np.sin(heading)])

"""Everything on a print that is no spore: scales, hairs, fibres, round things, dust, the ground and the glue."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.depths.plan import Plan
from sporecount.simulate.depths.sheets import KIND, LUMA, Array, Canvas, Window, smooth_noise

Rng = np.random.Generator
Blob = tuple[Window, Array, Array]
SCALE_COLOURS = (
    ((0.08, 0.35, 1.0), (0.25, 0.7)),  # orange
    ((0.5, 0.8, 1.2), (0.3, 0.9)),  # brown
    ((0.9, 1.0, 1.1), (0.6, 1.4)),  # black
    ((0.95, 1.0, 1.1), (0.08, 0.3)),  # white
    ((0.5, 0.8, 1.4), (0.06, 0.22)),  # pale
)
"""Density per channel and the range of the mean density, in transmitted light."""


def _tint(rng: Rng, rgb: tuple[float, float, float], spread: float = 0.1) -> Array:
    colour = np.array(rgb) * np.exp(spread * rng.standard_normal(3))
    return np.asarray(colour / (colour @ LUMA), np.float32)


def _somewhere(rng: Rng, canvas: Canvas) -> tuple[float, float]:
    return float(rng.uniform(0, canvas.shape[1])), float(rng.uniform(0, canvas.shape[0]))


def draw_scale_look(rng: Rng) -> dict[str, float]:
    """Draw what the scales of one patch of skin share; lengths in um, `colour` a row of `SCALE_COLOURS`."""
    colour = int(rng.choice(len(SCALE_COLOURS), p=[0.28, 0.24, 0.2, 0.14, 0.14]))
    names = ("length", "width", "pitch", "ridge", "teeth", "tooth", "way", "loose", "density")
    ends = ((110, 230), (52, 110), (1.5, 3.2), (0.1, 0.6), (2, 7), (4, 26), (0, 2 * np.pi), (0.2, 1.5))
    ranges = zip(names, (*ends, SCALE_COLOURS[colour][1]), strict=True)
    return {"colour": colour} | {name: float(rng.uniform(*pair)) for name, pair in ranges}


def lay_scale(rng: Rng, canvas: Canvas, look: dict[str, float], piece_um: float = 0.0) -> bool:
    """Lay a scale, or a torn piece of one of that radius; whether it is a nearly whole scale."""
    x, y = _somewhere(rng, canvas)
    length = float(np.clip(look["length"] * np.exp(rng.normal(0, 0.12)), 100, 250))
    wide = float(np.clip(look["width"] * np.exp(rng.normal(0, 0.1)), 50, 120))
    angle = look["way"] + rng.normal(0, look["loose"])
    win = canvas.window(x, y, piece_um or 0.62 * length, float(angle), 0.5 if piece_um else 1.0)
    u, v = win.along / length + 0.5, win.across
    v = v + rng.normal(0, 0.1) * length * (u - 0.5) ** 2  # slightly bent
    ragged = smooth_noise(rng, u.shape, 5 * win.finer / canvas.px_um)
    whole, tears = not piece_um, 0
    if whole:
        # Round towards the stalk, widest before the middle or straight to the end.
        base = 1 - np.clip(1 - u / rng.uniform(0.3, 0.75), 0, 1) ** rng.uniform(1.8, 2.6)
        half = wide / 2 * base ** rng.uniform(0.5, 0.9) * (1 - rng.uniform(0, 0.3) * np.clip(u, 0, 1) ** 2)
        phase = (v / wide + 0.5) * look["teeth"] + 0.15 * np.sin(9 * v / wide + look["way"])
        wave = np.abs(phase % 1 - 0.5) * 2
        end = (1 - look["tooth"] / length * wave - 0.3 * (v / wide) ** 2 - u) * length
        depth = np.minimum(half - np.abs(v), np.minimum(end, u * length))
        stalk = np.minimum(1.6 - np.abs(v), np.minimum((u + 0.09) * length, (0.05 - u) * length))
        depth = np.maximum(depth, stalk)
        tears = int(rng.integers(1, 3)) if rng.random() < 0.3 else 0
    else:
        depth = piece_um * 0.8 - np.hypot(win.along, win.across * rng.uniform(1.0, 2.2))
        tears = int(rng.integers(2, 5))
    for _ in range(tears):
        turn = rng.uniform(0, 2 * np.pi)
        away = (0.25 + 0.3 * rng.random()) * (piece_um or length / 2)
        edge = away - win.along * np.cos(turn) - win.across * np.sin(turn)
        depth = np.minimum(depth, edge + (0.9 if piece_um else 2.0) * ragged)
        whole = whole and away > 0.42 * length / 2
    cell = canvas.px_um / win.finer
    skin = np.clip(depth / max(0.4, cell) + 0.5, 0, 1)
    fade = np.exp(-2 * (cell / look["pitch"]) ** 2)  # ridges finer than the grid only grey it
    ridges = fade * look["ridge"] * np.cos(2 * np.pi * v / look["pitch"] + 0.5 * ragged)
    cloud = 0.22 * smooth_noise(rng, depth.shape, 40 / cell)
    edge = rng.uniform(0, 0.6) * np.exp(-np.clip(depth, 0, None) / 1.2)
    slope = rng.uniform(-0.5, 0.8) * (u - 0.5)
    thick = look["density"] * np.exp(rng.normal(0, 0.2)) * (1.4 if canvas.from_above else 1.0)
    density = skin * thick * np.clip(1 + ridges + cloud + edge + slope, 0.05, None)
    tint = _tint(rng, SCALE_COLOURS[int(look["colour"])][0], 0.08)
    mine = canvas.lay("scales", win, density, depth > 0, "scale piece" if piece_um else "scale", tint)
    canvas.scaled[win.box] |= mine
    # Light is scattered on the way: the denser the scale, the less is seen of what lies beneath.
    canvas.clear[win.box][mine] *= np.float32(np.exp(-(2.6 if canvas.from_above else 1.3) * thick))
    return bool(whole)


def _round(rng: Rng, canvas: Canvas, radius: float, rough: float, long: float = 1.0) -> Blob:
    """Window, depth inside a roundish outline in um, and distance from the middle as a share of the radius."""
    reach, detail = 1.7 * radius * long + 2, min(0.5, max(0.2, radius / 5))
    win = canvas.window(*_somewhere(rng, canvas), reach, float(rng.uniform(0, np.pi)), detail)
    u, v = win.along / long, win.across
    turn, away = np.arctan2(v, u), np.hypot(u, v)
    shape = np.ones_like(u)
    for k in range(2, 8):
        shape += rough * rng.normal(0, 1 / k) * np.cos(k * turn + rng.uniform(0, 2 * np.pi))
    shape = np.clip(shape, 0.3, 1.6) * radius
    return win, (shape - away).astype(np.float32), (away / shape).astype(np.float32)


def lay_bubble(rng: Rng, canvas: Canvas) -> None:
    """Air beneath the tape: a dark ring where light is bent away, a clear or bright middle."""
    radius = float(np.clip(6 * np.exp(rng.normal(0, 0.7)), 2.2, 70))
    win, depth, share = _round(rng, canvas, radius, 0.0 if rng.random() < 0.7 else 0.15)
    ring_um = rng.uniform(0.08, 0.3) * min(radius, 12)
    ring = np.exp(-(((depth - ring_um) / ring_um) ** 2))
    bright = rng.uniform(0.0, 0.25) * np.exp(-((share / rng.uniform(0.2, 0.6)) ** 2))
    outer = rng.uniform(0, 0.12) * np.exp(-np.abs(depth + ring_um) / ring_um)
    density = rng.uniform(0.25, 1.3) * ring - bright - outer
    canvas.lay("tape", win, density, depth > 0, "bubble", _tint(rng, (1, 1, 1), 0.04))


def lay_droplet(rng: Rng, canvas: Canvas) -> None:
    """Lay a drop of body fluid or glue: brown, yellow or clear, smooth, bright towards the middle or flat."""
    radius = float(np.clip(5 * np.exp(rng.normal(0, 0.5)), 1.8, 24))
    win, depth, share = _round(rng, canvas, radius, rng.uniform(0, 0.12), rng.uniform(1, 1.15))
    skin, dome = np.clip(depth / 0.5 + 0.5, 0, 1), np.sqrt(np.clip(1 - share**2, 0, 1))
    rim = rng.uniform(0, 1.5) * np.exp(-((depth / (0.12 * radius + 0.3)) ** 2))
    bright = rng.uniform(0, 1.3) * np.exp(-((share / 0.4) ** 2))
    density = rng.uniform(0.08, 0.5) * skin * (0.4 + rng.uniform(0, 0.6) * dome + rim - bright)
    tint = _tint(rng, ((0.5, 0.9, 1.6), (0.3, 0.7, 1.8), (0.9, 1.0, 1.1))[int(rng.integers(3))])
    canvas.lay("upper", win, density, depth > 0, "other", tint)


def lay_pollen(rng: Rng, canvas: Canvas) -> None:
    """Lay a round grain with a thick wall, smooth or spiny."""
    radius = float(np.clip(11 * np.exp(rng.normal(0, 0.35)), 5, 24))
    win, depth, share = _round(rng, canvas, radius, 0.02, rng.uniform(1, 1.12))
    if rng.random() < 0.5:
        spines = np.cos(int(rng.integers(11, 24)) * np.arctan2(win.across, win.along))
        depth = depth + rng.uniform(0.05, 0.14) * radius * (spines - 0.5) * np.clip(2 * share - 1, 0, 1)
    wall = rng.uniform(0.4, 1.6) * np.exp(-(((depth - 1) / rng.uniform(0.8, 1.8)) ** 2))
    grain = rng.uniform(0, 0.25) * smooth_noise(rng, depth.shape, 1.8 * win.finer / canvas.px_um)
    body = np.clip(depth / 0.5 + 0.5, 0, 1) * np.clip(0.5 + wall + grain + 0.3 * share, 0, None)
    tint = _tint(rng, (0.35, 0.65, 1.9), 0.15)
    canvas.lay("upper", win, rng.uniform(0.12, 0.5) * body, depth > 0, "pollen", tint)


def lay_dust(rng: Rng, canvas: Canvas) -> None:
    """Lay a speck: a clear splinter that shows only its edges, dark grit, or a brown crumb."""
    radius = float(np.clip(2.2 * np.exp(rng.normal(0, 0.65)), 0.6, 20))
    long = min(2.5, float(1 + rng.exponential(0.3)))
    win, depth, _ = _round(rng, canvas, radius, rng.uniform(0.25, 0.6), long)
    skin = np.clip(depth / 0.4 + 0.5, 0, 1)
    grain = 0.35 * smooth_noise(rng, depth.shape, max(1.0, 0.5 * radius) * win.finer / canvas.px_um)
    style = int(rng.choice(3, p=[0.3, 0.3, 0.4]))
    thick = rng.uniform(*((0.1, 0.5), (0.4, 1.4), (0.1, 0.5))[style])
    body = np.exp(-((depth / 0.6) ** 2)) - 0.1 * skin if style == 0 else skin * np.clip(1 + grain, 0.2, None)
    tint = _tint(rng, ((1, 1, 1), (0.95, 1, 1.05), (0.6, 0.9, 1.4))[style], 0.08)
    canvas.lay("upper", win, thick * body, depth > 0, "dust", tint)


def lay_mould(rng: Rng, canvas: Canvas) -> None:
    """Lay some small round mould spores, alone or in a short chain or cluster."""
    size, thick, tint = rng.uniform(1.4, 3.4), rng.uniform(0.1, 0.5), _tint(rng, (0.8, 0.9, 1.2), 0.15)
    x, y = _somewhere(rng, canvas)
    way = rng.uniform(0, 2 * np.pi)
    for _ in range(int(rng.integers(1, 9))):
        radius = size * np.exp(rng.normal(0, 0.07))
        win = canvas.window(x, y, radius + 1.5, 0.0, 0.4)
        depth = radius - np.hypot(win.along, win.across)
        wall = 0.7 + np.exp(-(((depth - 0.5) / 0.5) ** 2))
        canvas.lay("upper", win, thick * wall * np.clip(depth / 0.4 + 0.5, 0, 1), depth > 0, "other", tint)
        way += rng.normal(0, 0.7)
        x, y = x + 1.9 * radius * np.cos(way) / canvas.px_um, y + 1.9 * radius * np.sin(way) / canvas.px_um


def lay_thread(rng: Rng, canvas: Canvas, kind: str) -> None:
    """Lay a stiff tapering hair or a flat wavy fibre of paper or cotton, whole or only a short end of it."""
    hair = kind == "hair"
    length = float(rng.uniform(30, 120) if rng.random() < (0.4 if hair else 0.15) else rng.uniform(200, 1200))
    wide = float(rng.uniform(1.5, 6) if hair else rng.uniform(4, np.clip(length / 8, 4, 22))) / canvas.px_um
    n = 40
    bend = rng.normal(0, 0.3 if hair else 0.6) / n + np.cumsum(rng.normal(0, 0.003 if hair else 0.018, n))
    way = rng.uniform(0, 2 * np.pi) + np.cumsum(bend)
    x, y = _somewhere(rng, canvas)
    step = length / canvas.px_um / n
    xs, ys = x + step * np.cumsum(np.cos(way)), y + step * np.cumsum(np.sin(way))
    pad = wide + 4
    left, right = max(0, int(xs.min() - pad)), min(canvas.shape[1], int(xs.max() + pad) + 1)
    top, low = max(0, int(ys.min() - pad)), min(canvas.shape[0], int(ys.max() + pad) + 1)
    if left >= right or top >= low:
        return
    swell = 1 + 0.25 * np.sin(np.linspace(0, rng.uniform(3, 15), n))
    swell *= np.clip(0.35 + np.minimum(np.arange(n), np.arange(n)[::-1]) / rng.uniform(1, 8), 0, 1)
    widths = wide * (np.linspace(1, 0.25, n) if hair else swell)
    finer = int(np.clip(np.ceil(5 / wide), 1, 4))  # lines have whole widths, so thin ones are drawn larger
    points = np.round((np.column_stack([xs - left, ys - top]) + 0.5) * finer * 16 - 8).astype(np.int32)
    masks: list[Array] = []
    for share in (1.0, rng.uniform(0.45, 0.75)):
        mask = np.zeros(((low - top) * finer, (right - left) * finer), np.uint8)
        for k in range(n - 1):
            across = max(1, round(float(widths[k]) * share * finer))
            cv2.line(mask, points[k].tolist(), points[k + 1].tolist(), 255, across, cv2.LINE_AA, 4)
        masks.append(mask.astype(np.float32) / np.float32(255))
    thick, core = (rng.uniform(0.3, 1.3), 0.5) if hair else (rng.uniform(0.08, 0.4), 1.1)
    density = np.asarray(thick * (masks[0] - rng.uniform(0, core) * masks[1]), np.float32)
    colour = (0.7, 0.95, 1.3) if hair else (1, 1, 1) if rng.random() < 0.7 else (1.4, 0.9, 0.6)
    tint = _tint(rng, colour, 0.12)
    sheet = "upper" if hair or rng.random() < 0.5 else "tape"
    win = Window((slice(top, low), slice(left, right)), density, density, finer)
    canvas.lay(sheet, win, density, masks[0] > 0.5, kind, tint)


def lay_ground(rng: Rng, canvas: Canvas, plan: Plan) -> None:
    """Card, paper or glass beneath, sometimes ruled; and the texture of the glue above."""
    px, shape = canvas.px_um, canvas.shape
    density = np.zeros(shape, np.float32)
    if plan.ground != "glass":
        rough = rng.uniform(0.01, 0.05 if plan.ground == "paper" else 0.035)
        density += rough * smooth_noise(rng, shape, rng.uniform(15, 60) / px)
        density += 0.6 * rough * smooth_noise(rng, shape, rng.uniform(60, 200) / px)
    if plan.ground == "paper":
        felt = np.zeros(shape, np.float32)
        for _ in range(min(150, int(2 + rng.uniform(60, 220) * shape[0] * shape[1] * px**2 * 1e-6))):
            x, y = _somewhere(rng, canvas)
            way, long = rng.uniform(0, np.pi), rng.uniform(100, 500) / px
            tip = (int(x + long * np.cos(way)), int(y + long * np.sin(way)))
            thick = max(1, int(rng.uniform(8, 25) / px))
            cv2.line(felt, (int(x), int(y)), tip, float(rng.normal(0, 1)), thick, cv2.LINE_AA)
        density += rng.uniform(0.01, 0.05) * felt
    tint = _tint(rng, (0.8, 1.0, 1.3), 0.1)
    ground = np.exp(-np.log(10) * density[..., None] * tint)
    if plan.ground != "glass" and rng.random() < 0.18:
        rule = np.zeros(shape, np.float32)
        way, wide = rng.uniform(0, np.pi), rng.uniform(60, 200) / px
        x, y = _somewhere(rng, canvas)
        far = 2 * max(shape) * np.array([np.cos(way), np.sin(way)])
        ends = [[int(x + side * far[0]), int(y + side * far[1])] for side in (-1, 1)]
        cv2.line(rule, ends[0], ends[1], 1.0, max(1, int(wide)), cv2.LINE_AA)
        ink = rule * np.clip(1 + 0.3 * smooth_noise(rng, shape, 12 / px), 0, None)
        ground *= np.exp(-rng.uniform(0.2, 0.6) * ink[..., None] * _tint(rng, (1.5, 0.9, 0.4), 0.2))
        canvas.kinds[(rule > 0.5) & (canvas.kinds == 0)] = KIND["other"]
    canvas.sheets["ground"] *= ground.astype(np.float32)
    grain = rng.uniform(4, 40) / px
    glue = smooth_noise(rng, shape, grain)
    if rng.random() < 0.4:  # ridges drawn out by the tape's pull
        turn = rng.choice([0, 1])
        lines = smooth_noise(rng, (shape[turn], 8), grain)[:, 4]
        glue = 0.6 * glue + (lines[:, None] if turn == 0 else lines[None, :])
    if rng.random() < 0.4:  # folds: sharp lines where the noise crosses zero
        glue = np.exp(-((glue / 0.12) ** 2)) - 0.1
    canvas.sheets["tape"] *= (10 ** (-0.035 * plan.glue * glue))[..., None].astype(np.float32)


LAYERS = {"droplet": lay_droplet, "pollen": lay_pollen, "dust": lay_dust, "mould": lay_mould}
"""Small things beside the spores, by the name that the plan counts them under."""

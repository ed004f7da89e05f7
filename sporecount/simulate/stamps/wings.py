"""Large things: butterfly scales, their torn pieces, hairs and fibres."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.stamps.plan import log_uniform
from sporecount.simulate.stamps.portraits import hue, mottle, to_sprite
from sporecount.simulate.stamps.sheet import Array, Sheet, Sprite

_TONES = {
    "orange": ((0.22, 0.9, 2.2), 0.12, 0.5),
    "brown": ((0.75, 1.0, 1.3), 0.25, 0.8),
    "black": ((0.98, 1.0, 1.05), 0.7, 1.5),
    "white": ((0.95, 1.0, 1.1), 0.05, 0.22),
    "pale": ((0.6, 1.0, 1.7), 0.05, 0.25),
}


def scale_portrait(rng: np.random.Generator, tone: str, um_per_px: float) -> Sprite:
    """Draw a butterfly scale along x: stalk at the left, toothed end at the right, ridges lengthwise."""
    # Ridges are finer than the pixels of a low power, so they are drawn finer and averaged.
    px = min(um_per_px, 0.45)
    length, width = rng.uniform(100, 235), rng.uniform(48, 115)
    width = min(width, 0.85 * length)
    stalk = rng.uniform(6, 16)
    cols, rows = int((length + stalk + 12) / px), int((width + 12) / px)
    v, u = np.mgrid[:rows, :cols].astype(np.float32) * np.float32(px)
    u, v = u - np.float32(stalk + 4), v - np.float32(rows * px / 2)
    along = np.clip(u / length, 0, 1)
    v = v - np.float32(rng.normal(0, 0.04) * length) * (along - 0.5) ** 2
    shoulder, taper = rng.uniform(0.25, 0.8), rng.uniform(0, 0.3)
    half = width / 2 * np.sin(np.pi / 2 * np.clip(along / shoulder, 1e-4, 1)) ** rng.uniform(0.4, 0.9)
    half *= 1 - taper * np.clip((along - shoulder) / (1 - shoulder), 0, 1) ** 2
    teeth, deep = rng.integers(2, 7), rng.uniform(0.02, 0.14) * length
    across = np.clip(v / (width / 2), -1, 1)
    bent = across + 0.08 * mottle(rng, u.shape, 15 / px)
    saw = np.sin(np.pi * ((bent + 1) * teeth / 2 + rng.uniform(0, 1))) ** 2
    end = length - deep * saw ** rng.uniform(0.5, 1.2) - rng.uniform(0.02, 0.2) * length * across**2
    inside = np.minimum(half - np.abs(v), np.minimum(end - u, u))
    rod = np.minimum(rng.uniform(1.2, 2.4) - np.abs(v), np.minimum(u + stalk, 12 - u))
    torn = rng.random()
    if torn < 0.35:
        # A tear: what lies beyond a ragged line is gone.
        way = rng.uniform(0, 2 * np.pi)
        line = (u - length * rng.uniform(0.3, 0.7)) * np.cos(way) + v * np.sin(way)
        inside = np.minimum(
            inside, rng.uniform(0.05, 0.35) * length - line + 4 * mottle(rng, u.shape, 12 / px, 3)
        )
    edge = np.maximum(inside, rod)
    cover = np.clip(edge / px + 0.5, 0, 1)
    triple, low, high = _TONES[tone]
    od = np.full(u.shape, log_uniform(rng, low, high), np.float32)
    period = rng.uniform(1.4, 3.2)
    fan = v / np.maximum(half / (width / 2), 0.5) ** 0.5
    ridge = np.cos(2 * np.pi * fan / period + 0.4 * mottle(rng, u.shape, 30 / px))
    od *= 1 + rng.uniform(0.08, 0.5) * ridge
    if rng.random() < 0.35:
        od *= 1 + rng.uniform(0.02, 0.09) * np.cos(2 * np.pi * u / rng.uniform(1.6, 4))
    od *= (
        1
        + rng.uniform(-0.4, 0.7) * along
        + rng.uniform(0.03, 0.2) * mottle(rng, u.shape, rng.uniform(8, 40) / px, 2)
    )
    if rng.random() < 0.3:
        # Rubbed places have lost their pigment.
        od *= 1 - 0.75 / (1 + np.exp(-6 * (mottle(rng, u.shape, 25 / px, 2) - 1.1)))
    od += rng.uniform(0.05, 0.35) * np.exp(-np.maximum(edge, 0) / rng.uniform(0.6, 1.5))
    colour = hue(rng, *triple, 0.03 if tone == "black" else 0.1)
    light = 10 ** (-np.maximum(od, 0.01)[..., None] * cover[..., None] * colour)
    light *= (1 + rng.uniform(0, 0.15) * np.exp(-(((edge + 1) / 0.9) ** 2)) * (1 - cover))[..., None]
    sprite = to_sprite(light, cover, px, length, width, 1)
    if um_per_px <= px:
        return sprite
    size = (round(cols * px / um_per_px), round(rows * px / um_per_px))
    return Sprite(cv2.resize(sprite.taken, size, interpolation=cv2.INTER_AREA), um_per_px, length, width, 1)


def torn_piece(rng: np.random.Generator, scale: Sprite, small: bool, fine: int, px: float) -> Sprite:
    """Cut a flake out of the portrait of a scale along a ragged polygon."""
    radius = log_uniform(rng, 3.5, 9) if small else log_uniform(rng, 4, 32)
    half = int(np.ceil(1.5 * radius / scale.um_per_px)) + 1
    tall, wide = scale.taken.shape[:2]
    cy, cx = tall * rng.uniform(0.35, 0.65), wide * rng.uniform(0.4, 0.8)
    bit = cv2.getRectSubPix(
        np.ascontiguousarray(scale.taken[..., :3]), (2 * half + 1, 2 * half + 1), (cx, cy)
    )
    grow = max(round(scale.um_per_px / px), 1)
    bit = cv2.resize(bit, None, fx=grow, fy=grow, interpolation=cv2.INTER_LINEAR)
    n = bit.shape[0]
    fine_um = scale.um_per_px / grow
    corners = int(rng.integers(4, 9))
    turn = np.sort(rng.uniform(0, 2 * np.pi, corners))
    far = radius * rng.uniform(0.5, 1.4, corners) / fine_um
    points = np.column_stack([np.cos(turn), np.sin(turn)]) * far[:, None] + n / 2
    # A tear runs straight only for a while.
    part = np.linspace(0, 1, 6)[:-1, None]
    points = (points[:, None] + (np.roll(points, -1, 0) - points)[:, None] * part).reshape(-1, 2)
    points += rng.normal(0, 0.03 * radius / fine_um, points.shape)
    mask = np.zeros((n, n), np.uint8)
    cv2.fillPoly(mask, [np.round(points * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    cover = mask.astype(np.float32) / 255
    rim = rng.uniform(0, 0.25) * np.exp(
        -cv2.distanceTransform((mask > 127).astype(np.uint8), cv2.DIST_L2, 5) * fine_um
    )
    light = (1 - bit * cover[..., None]) * (1 - rim * cover)[..., None]
    return to_sprite(light, cover, fine_um, 2 * radius, 2 * radius, fine)


def _path(rng: np.random.Generator, start: Array, reach_px: float, curl: float) -> Array:
    n = 90
    turn = (
        rng.uniform(0, 2 * np.pi)
        + np.cumsum(rng.normal(0, curl / np.sqrt(n), n))
        + rng.normal(0, curl) * np.linspace(0, 1, n)
    )
    step = np.column_stack([np.cos(turn), np.sin(turn)]) * reach_px / n
    return start + np.cumsum(step, axis=0)


def lay_strand(rng: np.random.Generator, sheet: Sheet, layer: int, hair: bool) -> None:
    """Lay a hair (tapered, dark or pale) or a fibre (a ribbon that twists, cotton or paper)."""
    px = sheet.um_per_px
    rows, cols = sheet.kinds.shape
    start = rng.uniform(0, 1, 2) * [cols, rows]
    if hair:
        reach, half = log_uniform(rng, 80, 900), rng.uniform(1.0, 3.5)
        path = _path(rng, start, reach / px, rng.uniform(0.1, 0.9))
        widths = half * (1 - np.linspace(0, 1, len(path))) ** rng.uniform(0.3, 0.8) + 0.25
        colour, od, core = hue(rng, 0.8, 1, 1.3), log_uniform(rng, 0.15, 1.1), rng.uniform(-0.6, 0.2)
    else:
        reach, half = log_uniform(rng, 150, 2500), rng.uniform(3, 11)
        path = _path(rng, start, reach / px, rng.uniform(0.5, 2.5))
        twist = np.abs(np.cos(np.cumsum(rng.uniform(0, 0.25, len(path))) + rng.uniform(0, 3)))
        widths = half * (0.45 + 0.55 * twist)
        dyed = rng.random() < 0.25
        colour = np.exp(rng.normal(0, 0.4, 3)).astype(np.float32) if dyed else hue(rng, 1, 1, 1.1, 0.04)
        od, core = (
            (log_uniform(rng, 0.15, 0.6), 0.3)
            if dyed
            else (log_uniform(rng, 0.08, 0.4), rng.uniform(-1.3, -0.4))
        )
    widths = widths / px
    side = np.gradient(path, axis=0)
    side = np.column_stack([-side[:, 1], side[:, 0]]) / np.maximum(np.hypot(*side.T), 1e-9)[:, None]
    low = np.maximum(np.floor(path.min(0) - widths.max() - 3), 0).astype(int)
    high = np.minimum(np.ceil(path.max(0) + widths.max() + 3), [cols, rows]).astype(int)
    if (high - low).min() < 2:
        return
    fine = 2
    wide, tall = (high - low) * fine
    shares = (1.0, 0.72, 0.42)
    tone = np.zeros((high[1] - low[1], high[0] - low[0]), np.float32)
    cover = tone
    for k, share in enumerate(shares):
        mask = np.zeros((tall, wide), np.uint8)
        left, right = path + side * (widths * share)[:, None], path - side * (widths * share)[:, None]
        for i in range(len(path) - 1):
            quad = np.array([left[i], left[i + 1], right[i + 1], right[i]])
            quad = ((quad - low + 0.5) * fine - 0.5) * 16
            cv2.fillConvexPoly(mask, np.round(quad).astype(np.int32), 255, cv2.LINE_8, 4)
        part = cv2.resize(mask, tone.shape[::-1], interpolation=cv2.INTER_AREA).astype(np.float32) / 255
        cover = part if k == 0 else cover
        tone = tone + part * (1.0 if k == 0 else core / 2)
    tone = od * tone * (1 + 0.15 * mottle(rng, tone.shape, max(6 / px, 1)))
    light = np.clip(10 ** (-tone[..., None] * colour), 0.01, 1.5)
    patch = np.dstack([1 - light, cover]).astype(np.float32)
    sheet.lay(layer, patch, (slice(low[1], high[1]), slice(low[0], high[0])), 4 if hair else 5)

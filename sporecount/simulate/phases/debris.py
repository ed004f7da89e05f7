"""All on a print that is no spore: scales and their pieces, threads, drops, bubbles, mould, dust, pollen."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.random import Generator

from sporecount.simulate.phases.sheet import Array, Sheet, cover, lay, tint_of, window
from sporecount.simulate.phases.style import log_uniform

GREY = tint_of(1, 1, 1)


@dataclass(frozen=True)
class ScaleLook:
    """What the scales of one patch of the butterfly have in common."""

    length_um: float
    width_um: float
    strength: float
    tint: Array
    ridge_um: float
    ridge: float
    teeth: int
    veil: float


def draw_scale_look(rng: Generator) -> ScaleLook:
    """Draw a kind of scale: orange, brown, black, white or clear."""
    colour = rng.integers(0, 5)
    tint, strength, veil = (
        (tint_of(0.25, 0.9, 2.4), rng.uniform(0.15, 0.45), 0.35),
        (tint_of(0.7, 1.0, 1.5), rng.uniform(0.3, 0.8), 0.15),
        (tint_of(0.92, 1.0, 1.12), rng.uniform(0.7, 1.3), 0.06),
        (tint_of(1.0, 1.0, 1.05), rng.uniform(0.05, 0.2), 0.8),
        (tint_of(0.8, 1.0, 1.4), rng.uniform(0.03, 0.12), 0.25),
    )[colour]
    length_um, width_um, ridge_um = rng.uniform(105, 230), rng.uniform(52, 110), rng.uniform(1.6, 3.2)
    ridge, teeth = rng.uniform(0.15, 0.6), int(rng.integers(0, 7))
    return ScaleLook(length_um, width_um, strength, tint, ridge_um, ridge, teeth, veil)


def lay_scale(
    rng: Generator, sheet: Sheet, look: ScaleLook, x: float, y: float, piece_um: float | None = None
) -> None:
    """Lay a scale, whole or torn, or with `piece_um` only an angular flake of about that size."""
    length = look.length_um * rng.uniform(0.88, 1.1)
    half_width = look.width_um * rng.uniform(0.88, 1.1) / 2
    cut = window(sheet, x, y, piece_um or length * 0.62, rng.uniform(0, 2 * np.pi))
    if cut is None:
        return
    box, u, v = cut
    if piece_um is None:
        v = v + rng.normal(0, 0.0012) * u * u
        t = np.clip(u / length + 0.5, 0, 1)
        half = half_width * (1 - (1 - t) ** rng.uniform(2.2, 4.5)) ** 0.7
        depth = rng.uniform(0.03, 0.14) * length * (look.teeth > 0)
        wave = np.abs((v / half_width * (look.teeth + 0.5) / 2 + rng.uniform()) % 1 - 0.5) * 2
        tip = length / 2 - depth * wave - 0.28 * half_width * (v / half_width) ** 2
        shape = np.maximum(np.maximum(np.abs(v) - half, u - tip), -u - length / 2)
        shape = np.minimum(shape, np.maximum(np.abs(v) - 1.8, np.abs(u + length / 2) - 0.09 * length))
        tears = int(rng.choice([0, 0, 1, 2]))
        offset = half_width * rng.uniform(0.1, 0.9)
    else:
        shape = np.hypot(u, v) - np.float32(piece_um * 0.9)
        tears, offset = int(rng.integers(3, 5)), piece_um * 0.3
    start = rng.uniform(0, 2 * np.pi)
    for k in range(tears):
        # A tear runs straight or along the ridges, in small steps.
        way = start + k * 2 * np.pi / tears + rng.normal(0, 0.35)
        along = v * np.cos(way) - u * np.sin(way)
        pace = rng.uniform(1.5, 4, 2) / offset
        jag = offset * (0.1 * np.sin(along * pace[0] + k) + 0.04 * np.sin(along * 3.7 * pace[1]))
        shape = np.maximum(shape, u * np.cos(way) + v * np.sin(way) - offset * rng.uniform(0.6, 1.4) + jag)
    share = cover(shape.astype(np.float32), sheet.px_um)
    shade = rng.normal(0, 0.25) * v / half_width + rng.normal(0, 0.3) * u / length
    ridges = look.ridge * np.cos(2 * np.pi * v / look.ridge_um + rng.uniform(0, 6))
    if 2.2 * sheet.px_um > look.ridge_um:
        # Too fine for the grid: left out, or false stripes would show.
        ridges = np.zeros_like(v)
    if piece_um is None and rng.random() < 0.3:
        fold = rng.normal(0, 0.3) * length
        shade = shade + np.where(u > fold + 0.3 * v, 0.7, 0.0)
    amount = look.strength * np.clip(1 + shade + ridges + 0.5 * np.exp(-((shape / 1.2) ** 2)), 0.1, 2.5)
    path = (0.1 + 0.05 * ridges).astype(np.float32)
    kind = "scale" if piece_um is None else "scale piece"
    lay(sheet, box, share, kind, amount.astype(np.float32), look.tint, path, look.veil)


def _blob(
    rng: Generator, sheet: Sheet, x: float, y: float, radius_um: float, wobble: float, waves: int
) -> tuple[tuple[slice, slice], Array, Array] | None:
    """Window, signed distance and thickness (1 in the middle) of a more or less round thing."""
    cut = window(sheet, x, y, radius_um * (1 + 2.2 * wobble) + 1, rng.uniform(0, 2 * np.pi))
    if cut is None:
        return None
    box, u, v = cut
    r, way = np.hypot(u, v), np.arctan2(v, u)
    edge = np.ones_like(r)
    for k in range(2, 2 + waves):
        edge += 1.5 * wobble / k * rng.normal() * np.cos(k * way + rng.uniform(0, 6.3))
    edge = radius_um * np.clip(edge, 0.35, 1 + 2 * wobble)
    thick = np.sqrt(np.clip(1 - (r / edge) ** 2, 0, 1))
    return box, (r - edge).astype(np.float32), thick.astype(np.float32)


def lay_grain(rng: Generator, sheet: Sheet, x: float, y: float, radius_um: float) -> None:
    """Lay a dust grain: a ragged dark crumb, or a clear mineral chip with a hard edge."""
    cut = window(sheet, x, y, radius_um * 1.6, rng.uniform(0, 2 * np.pi))
    if cut is None:
        return
    box, u, v = cut
    distance = np.full(u.shape, -np.inf, np.float32)
    for way in np.cumsum(rng.uniform(0.5, 1.5, 9)):
        # Broken faces, each a little off the round.
        face = u * np.cos(way) + v * np.sin(way) - radius_um * rng.uniform(0.5, 1.15)
        distance = np.maximum(distance, face).astype(np.float32)
    distance += 0.06 * radius_um * np.sin(u * (7 / radius_um)) * np.sin(v * (9 / radius_um))
    thick = np.sqrt(np.clip(-distance / radius_um, 0, 1)).astype(np.float32)
    share = cover(distance, sheet.px_um)
    patchy = 1 + 0.35 * rng.standard_normal(thick.shape, np.float32)
    patchy = cv2.GaussianBlur(patchy, (0, 0), max(0.6, 0.8 / sheet.px_um))
    if rng.random() < 0.65:
        tint = tint_of(rng.uniform(0.75, 1), 1, rng.uniform(1, 1.4))
        lay(
            sheet,
            box,
            share,
            "dust",
            rng.uniform(0.4, 1.6) * patchy * (0.5 + 0.5 * thick),
            tint,
            0.3 * thick,
            0.2,
        )
    else:
        amount = rng.uniform(0.02, 0.15) * patchy
        lay(sheet, box, share, "dust", amount, GREY, radius_um * rng.uniform(0.03, 0.1) * thick, 0.4)


def lay_soot(rng: Generator, sheet: Sheet, x: float, y: float, radius_um: float) -> None:
    """Lay a loose heap of black specks, each far smaller than a spore."""
    for _ in range(int(rng.geometric(0.3))):
        blob = _blob(rng, sheet, x, y, radius_um * rng.uniform(0.6, 1.3), 0.25, 4)
        if blob is not None:
            box, distance, thick = blob
            lay(sheet, box, cover(distance, sheet.px_um), "dust", 0.5 + 0.7 * thick, tint_of(0.97, 1, 1.05))
        x, y = x + rng.normal(0, 1.6) / sheet.px_um, y + rng.normal(0, 1.6) / sheet.px_um


def lay_droplet(rng: Generator, sheet: Sheet, x: float, y: float, radius_um: float) -> None:
    """Lay a drop of body fluid or oil: round, smooth, domed, yellow to brown or clear."""
    blob = _blob(rng, sheet, x, y, radius_um, 0.03, 2)
    if blob is None:
        return
    box, distance, thick = blob
    tint = tint_of(rng.uniform(0.2, 0.7), 1, rng.uniform(1.6, 3.2))
    amount = log_uniform(rng, 0.04, 0.5) * thick ** rng.uniform(0.6, 1.6)
    path = radius_um * rng.uniform(0.02, 0.09) * thick
    lay(sheet, box, cover(distance, sheet.px_um), "other", amount.astype(np.float32), tint, path, 0.1)


def lay_mould(rng: Generator, sheet: Sheet, x: float, y: float, radius_um: float) -> None:
    """Lay mould: a chain or a heap of very small round spores, olive, brown, grey or clear."""
    tint = (tint_of(0.8, 0.9, 1.5), tint_of(0.7, 1, 1.4), GREY, tint_of(0.9, 0.8, 1.2))[rng.integers(4)]
    strength = log_uniform(rng, 0.08, 0.8)
    chain, way = rng.random() < 0.5, rng.uniform(0, 2 * np.pi)
    for _ in range(int(rng.integers(1, 15))):
        r = radius_um * rng.uniform(0.93, 1.07)
        blob = _blob(rng, sheet, x, y, r, 0.03, 2)
        if blob is not None:
            box, distance, thick = blob
            amount = strength * (0.45 + 0.9 * np.exp(-((distance / 0.45) ** 2)))
            lay(sheet, box, cover(distance, sheet.px_um), "other", amount, tint, 0.08 * r * thick, 0.1)
        way = way + rng.normal(0, 0.3) if chain else rng.uniform(0, 2 * np.pi)
        step = (2 if chain else 2.4) * radius_um / sheet.px_um
        x, y = x + step * np.cos(way), y + step * np.sin(way)


def lay_pollen(rng: Generator, sheet: Sheet, x: float, y: float, radius_um: float) -> None:
    """Lay a pollen grain: large, yellow, with spines or three furrows and a grainy coat."""
    cut = window(sheet, x, y, radius_um * 1.2, rng.uniform(0, 2 * np.pi))
    if cut is None:
        return
    box, u, v = cut
    r, way = np.hypot(u, v), np.arctan2(v, u)
    if rng.random() < 0.5:
        edge = radius_um * (1 + 0.1 * np.abs(np.cos(way * rng.integers(6, 13))) ** 3)
        lines = np.zeros_like(r)
    else:
        edge = radius_um * (1 - 0.07 * np.cos(3 * way))
        lines = np.exp(-((np.sin(1.5 * way) * r / 1.2) ** 2)) * (r > 0.3 * radius_um)
    thick = np.sqrt(np.clip(1 - (r / edge) ** 2, 0, 1)).astype(np.float32)
    coat = cv2.GaussianBlur(rng.standard_normal(r.shape, np.float32), (0, 0), 0.9 / sheet.px_um)
    coat = coat / (coat.std() + 1e-6)
    wall = np.exp(-(((r - edge) / 1.3) ** 2))
    amount = rng.uniform(0.15, 0.5) * np.clip(
        0.5 + 0.5 * thick + 0.8 * wall - 0.3 * lines + 0.2 * coat, 0.05, None
    )
    tint = tint_of(rng.uniform(0.15, 0.6), 1, rng.uniform(2.0, 3.4))
    share = cover((r - edge).astype(np.float32), sheet.px_um)
    path = 0.06 * radius_um * thick
    lay(sheet, box, share, "pollen", amount.astype(np.float32), tint, path, 0.3, hides=True)


def lay_bubble(rng: Generator, sheet: Sheet, x: float, y: float, radius_um: float) -> None:
    """Lay an air bubble beneath the tape: clear, with a broad black rim; large ones are ragged and flat."""
    big = radius_um > 12
    blob = _blob(rng, sheet, x, y, radius_um, 0.16 if big else 0.03, 5 if big else 2)
    if blob is None:
        return
    box, distance, thick = blob
    height = min(radius_um, 9) * rng.uniform(0.35, 0.8)
    path = -0.45 * height * thick ** (0.6 if big else 1.0)
    ring = rng.uniform(0.3, 1.0) * np.exp(-((distance / rng.uniform(0.4, 1.0)) ** 2))
    lay(sheet, box, cover(distance, sheet.px_um), "bubble", ring, GREY, path, 0.1, hides=True)


def lay_thread(rng: Generator, sheet: Sheet, x: float, y: float, kind: str, length_um: float) -> None:
    """Lay a hair (dark, tapering) or a fibre (clear, ribbon-like) that wanders through a point."""
    fibre = kind == "fibre"
    half = rng.uniform(4, 10) if fibre else min(rng.uniform(1.0, 4.5), length_um / 16)
    steps = max(8, int(length_um / 12))
    turns = np.cumsum(rng.normal(0, 0.09 if fibre else 0.03, steps)) + rng.uniform(0, 2 * np.pi)
    step = length_um / steps / sheet.px_um
    line = np.column_stack([np.cumsum(np.cos(turns)), np.cumsum(np.sin(turns))]) * step
    line += (x, y) - line[steps // 2]
    rows, cols = sheet.kinds.shape
    pad = 2 * half / sheet.px_um + 3
    left, top = np.clip(line.min(axis=0) - pad, 0, (cols, rows)).astype(int)
    right, bottom = np.clip(line.max(axis=0) + pad, 0, (cols, rows)).astype(int)
    if right - left < 2 or bottom - top < 2:
        return
    # At no more than 600 pixels a side: a thread is smooth, and its distances are too.
    shrink = min(1.0, 600 / max(right - left, bottom - top))
    size = (max(2, round((right - left) * shrink)), max(2, round((bottom - top) * shrink)))
    away = np.full(size[::-1], 255, np.uint8)
    cv2.polylines(away, [np.round((line - (left, top)) * shrink * 16).astype(np.int32)], False, 0, 1, shift=4)
    dist = np.asarray(cv2.distanceTransform(away, cv2.DIST_L2, 5), np.float32) * np.float32(
        sheet.px_um / shrink
    )
    dist = np.asarray(
        cv2.resize(cv2.GaussianBlur(dist, (0, 0), 0.8), (right - left, bottom - top)), np.float32
    )
    box = (slice(top, bottom), slice(left, right))
    gx = (np.arange(left, right) - line[0, 0])[None] * sheet.px_um
    gy = (np.arange(top, bottom) - line[0, 1])[:, None] * sheet.px_um
    along = np.hypot(gx, gy)
    # Ribbons twist, hairs taper.
    shape = 0.35 * np.sin(along / rng.uniform(15, 40)) if fibre else -0.75 * np.clip(along / length_um, 0, 1)
    wide = (half * (1 + shape)).astype(np.float32)
    thick = np.sqrt(np.clip(1 - (dist / wide) ** 2, 0, 1))
    wall = np.exp(-(((dist - wide) / 0.8) ** 2))
    if fibre:
        tint, amount = tint_of(1, 1, rng.uniform(1, 1.25)), rng.uniform(0.03, 0.2) * (1 + 1.5 * wall)
        path = rng.uniform(0.01, 0.05) * wide * thick
    else:
        tint = tint_of(0.75, 1, rng.uniform(1.1, 1.7))
        amount = rng.uniform(0.25, 1.0) * (0.4 + 0.6 * thick + 0.5 * wall)
        path = 0.05 * wide * thick
    share = cover(dist - wide, sheet.px_um)
    lay(sheet, box, share, kind, amount.astype(np.float32), tint, path, 0.3 if fibre else 0.1, hides=True)

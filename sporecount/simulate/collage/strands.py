"""Hairs and fibres: bent strands with ends, crossings and any profile."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.collage import colours
from sporecount.simulate.collage.canvas import Canvas


def draw_strand(
    rng: np.random.Generator,
    canvas: Canvas,
    x: float,
    y: float,
    kind: str,
    pair: tuple[np.ndarray, np.ndarray],
) -> None:
    """Draw one strand through a place.

    Parameters
    ----------
    rng : numpy.random.Generator
    canvas : Canvas
        Changed in place.
    x, y : float
        A place on it, µm.
    kind : str
        "hair" tapers and is nearly straight; "fibre" keeps its width and bends.
    pair : tuple of ndarray of shape (3,)
        Dark and pale colour.
    """
    hair = kind == "hair"
    width = (
        float(np.exp(rng.uniform(np.log(1.2), np.log(9))))
        if hair
        else float(np.exp(rng.uniform(np.log(2), np.log(22))))
    )
    length = float(np.exp(rng.uniform(np.log(25), np.log(500))))
    length = max(length, 4.5 * width)
    turn = rng.uniform(0, 2 * np.pi)
    steps = 24
    bend = np.cumsum(rng.normal(0, 0.05 if hair else 0.16, steps)) + np.linspace(0, rng.normal(0, 0.4), steps)
    stride = length / steps
    px = x + np.concatenate(([0.0], np.cumsum(stride * np.cos(turn + bend))))
    py = y + np.concatenate(([0.0], np.cumsum(stride * np.sin(turn + bend))))
    middle = int(rng.integers(0, steps))
    px, py = px - px[middle] + x, py - py[middle] + y
    half = np.full(steps + 1, 0.5 * width)
    if hair:
        half *= np.linspace(1.0, rng.uniform(0.05, 0.9), steps + 1)
    elif rng.random() < 0.3:  # twisted like cotton
        half *= 0.65 + 0.35 * np.abs(np.cos(np.linspace(0, rng.uniform(4, 20), steps + 1)))
    reach = 0.5 * max(np.ptp(px), np.ptp(py)) + width
    box = canvas.window(0.5 * (px.min() + px.max()), 0.5 * (py.min() + py.max()), reach)
    if box is None:
        return
    depth = _depth(px, py, half, box, canvas.px_um)
    _paint(rng, canvas, box, depth, 0.5 * width, kind, colours.near(rng, pair, 0.03))


def _depth(
    px: np.ndarray, py: np.ndarray, half: np.ndarray, box: tuple[slice, slice], px_um: float
) -> np.ndarray:
    """Distance from the middle line in half widths, near 0 on it and 1 at the edge."""
    rows, cols = box
    shape = rows.stop - rows.start, cols.stop - cols.start
    inside = np.zeros(shape, np.uint8)
    ends = np.stack((px / px_um - 0.5 - cols.start, py / px_um - 0.5 - rows.start), axis=1)
    thin = np.zeros(shape, np.uint8)
    for k in range(len(px) - 1):
        line = [np.round(ends[k : k + 2] * 16).astype(np.int32)]
        thick = max(1, round(float(half[k] + half[k + 1]) / px_um))
        cv2.polylines(inside, line, False, 255, thick, cv2.LINE_AA, 4)
        cv2.polylines(thin, line, False, 255, 1, cv2.LINE_8, 4)
    middle = cv2.distanceTransform(255 - thin, cv2.DIST_L2, 3)
    edge = cv2.distanceTransform((inside < 128).astype(np.uint8), cv2.DIST_L2, 3)
    into = cv2.distanceTransform((inside >= 128).astype(np.uint8), cv2.DIST_L2, 3)
    depth = np.where(
        inside >= 128, middle / np.maximum(middle + into - 0.5, 0.5), 1 + edge * px_um / max(half.mean(), 0.3)
    )
    soft = (255 - inside.astype(np.float32)) / 255
    return np.where((inside > 0) & (inside < 255), 0.9 + 0.2 * soft, depth).astype(np.float32)


def _paint(
    rng: np.random.Generator,
    canvas: Canvas,
    box: tuple[slice, slice],
    depth: np.ndarray,
    half_um: float,
    kind: str,
    pair: tuple[np.ndarray, np.ndarray],
) -> None:
    dark, pale = pair
    rim = rng.choice([0.0, rng.uniform(0.3, 1.0), -rng.uniform(0.3, 1.0)], p=[0.3, 0.45, 0.25])
    strength = float(np.sqrt(rng.uniform(0.03, 1.0)))
    inside = np.clip((1.1 - depth) * half_um / max(0.2 * half_um, canvas.px_um) + 0.0, 0, 1)
    within = np.clip(depth, 0, 1)
    tone = (
        np.clip(0.5 * abs(rim) + rim * (0.5 - within**2), 0, 1)
        if rim
        else np.full_like(depth, rng.uniform(0, 0.4))
    )
    if rng.random() < 0.3:  # a bright or dark seam along the middle
        tone = tone + rng.uniform(-0.6, 0.9) * np.exp(-((depth / 0.35) ** 2))
    cover = strength * inside
    colour = dark + tone[..., None] * (pale - dark)
    if rng.random() < 0.3:
        ring = rng.uniform(-0.2, 0.5) * np.exp(-(((depth - 1.3) / 0.3) ** 2)) * (1 - inside)
        canvas.rgb[box] += ring[..., None] * (1 - canvas.rgb[box])
    canvas.rgb[box] += cover[..., None] * (colour - canvas.rgb[box])
    canvas.mark(box, depth < 1, cover, kind)

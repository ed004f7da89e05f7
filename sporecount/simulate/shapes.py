"""Outlines and centre lines in um, in each object's own frame. Pure geometry."""

from __future__ import annotations

import numpy as np


def lemon_half_width(t: np.ndarray, pointed: float) -> np.ndarray:
    """Half width of a spore along its axis, relative to the largest.

    Parameters
    ----------
    t : ndarray
        Place along the axis, -1 at one tip to 1 at the other; 0 is returned beyond the tips.
    pointed : float
        0 gives an ellipse, (1 - t^2)^0.5; 1 a lemon, (1 - t^2)^0.85.
    """
    return np.maximum(1.0 - t * t, 0.0) ** (0.5 + 0.35 * pointed)


def lemon_area_um2(length_um: float, width_um: float, pointed: float) -> float:
    """Area of the outline of `lemon_half_width`, by the trapezoid rule."""
    t = np.linspace(-1.0, 1.0, 4001)
    profile = lemon_half_width(t, pointed)
    return float(length_um / 2 * width_um * np.sum((profile[1:] + profile[:-1]) / 2) * (t[1] - t[0]))


def scale_outline(rng: np.random.Generator, length_um: float, width_um: float) -> np.ndarray:
    """Outline of a butterfly scale, base with stalk at u < 0, tip at u > 0, as (n, 2) of u, v in um.

    Spatulate, with a smooth, wavy or toothed end (2 to 6 teeth) and a stalk.
    """
    half = width_um / 2
    s = np.linspace(0.0, 0.86, 22)
    rise, belly, taper = rng.uniform(0.06, 0.35), rng.uniform(0.35, 0.8), rng.uniform(0.0, 0.5)
    body = (1 - np.exp(-s / rise)) / (1 - np.exp(-belly / rise))
    body *= 1 - taper * np.maximum(s - belly, 0) / (1 - belly + 1e-6)
    body = np.minimum(body / body.max(), 1.0) * half
    lean = rng.normal(0, 0.04) * width_um * (s / 0.86) ** 2
    stalk = rng.uniform(1.5, 3.0)
    body = np.maximum(body, stalk * 0.7)
    q = np.linspace(-1, 1, 61)[1:-1]
    end = body[-1]
    teeth = int(rng.choice([0, 0, 1, 2, 3, 3, 4, 5, 6]))
    depth = length_um * (0.0 if teeth == 0 else rng.uniform(0.04, 0.18))
    bow = length_um * rng.uniform(0.02, 0.14)
    if teeth:
        phase = (q + 1) / 2 * teeth
        saw = 1 - np.abs(2 * (phase - np.floor(phase)) - 1)
        heights = rng.uniform(0.6, 1.0, teeth + 1)[np.minimum(phase.astype(int), teeth)]
        notch = depth * (1 - saw ** rng.uniform(0.6, 1.2) * heights)
    else:
        notch = rng.normal(0, 0.006) * length_um * np.cos(q * rng.uniform(3, 9))
    tip_u = length_um - bow * np.abs(q) ** 2.2 - notch
    tip_u = np.maximum(tip_u, 0.80 * length_um)
    left = np.column_stack([s * length_um, -body + lean])
    tip = np.column_stack([tip_u, q * end + lean[-1]])
    right = np.column_stack([s * length_um, body + lean])[::-1]
    stalk_um = rng.uniform(4, 16)
    base = np.array(
        [
            [-stalk_um * 0.2, stalk],
            [-stalk_um, stalk * 0.7],
            [-stalk_um, -stalk * 0.7],
            [-stalk_um * 0.2, -stalk],
        ]
    )
    outline = np.vstack([left, tip, right, base])
    outline[:, 0] -= length_um / 2
    return outline


def torn_outline(rng: np.random.Generator, size_um: float) -> np.ndarray:
    """Outline of a torn piece, (n, 2) in um, its ridges along u.

    Half of them are cut from a whole scale, so that a part of the outline is the scale's own edge or teeth;
    the others have torn edges all around.
    """
    ragged = rng.uniform(0.0, 0.07) * size_um
    if rng.random() < 0.5:
        whole = scale_outline(rng, rng.uniform(60, 160), rng.uniform(32, 75))
        piece = _dense(whole - whole[int(rng.integers(len(whole)))] * rng.uniform(0.0, 0.95), 1.5)
        sides = int(rng.integers(2, 7))
        for heading in (
            rng.uniform(0, 2 * np.pi) + np.arange(sides) * 2 * np.pi / sides + rng.normal(0, 0.4, sides)
        ):
            normal = np.array([np.cos(heading), np.sin(heading)])
            along = piece @ np.array([-normal[1], normal[0]]) / size_um
            tear = rng.uniform(0.3, 1.4) + rng.normal(0, 0.12) * np.minimum(along**2, 2.0)
            tear += rng.uniform(0, 0.12) * np.sin(along * rng.uniform(3, 14) + rng.uniform(0, 6))
            over = np.maximum(piece @ normal - np.maximum(tear, 0.1) * size_um / 2, 0)
            piece = piece - over[:, None] * normal
        piece = piece + rng.normal(0, ragged / 4, piece.shape)
        return piece - piece.mean(0)
    corners = int(rng.integers(4, 10))
    angle = np.sort(
        rng.uniform(0, 2 * np.pi, corners) * 0.35 + np.linspace(0, 2 * np.pi, corners, endpoint=False)
    )
    stretch = rng.uniform(1.0, 2.6)
    radius = size_um / 2 * rng.uniform(0.55, 1.1, corners)
    points = np.column_stack(
        [np.cos(angle) * radius * np.sqrt(stretch), np.sin(angle) * radius / np.sqrt(stretch)]
    )
    fine = _dense(points, size_um / 12)
    return fine + rng.normal(0, ragged / 2, fine.shape)


def _dense(points: np.ndarray, step_um: float) -> np.ndarray:
    """Return a closed outline with points at most `step_um` apart."""
    closed = np.vstack([points, points[:1]])
    gone = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.linspace(0, gone[-1], max(int(gone[-1] / step_um), len(points)), endpoint=False)
    return np.column_stack([np.interp(at, gone, closed[:, 0]), np.interp(at, gone, closed[:, 1])])


def lump_outline(
    rng: np.random.Generator, size_um: float, rough: float, ratio: float = 1.0, n: int = 48
) -> np.ndarray:
    """Return a rounded irregular outline of a few harmonics; `rough` 0 gives an ellipse. (n, 2) in um."""
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    order = np.arange(2, 9)
    amplitude = rng.normal(0, rough, order.size) / order**0.8
    shift = rng.uniform(0, 2 * np.pi, order.size)
    radius = 1 + (amplitude[:, None] * np.cos(order[:, None] * angle + shift[:, None])).sum(0)
    radius = np.maximum(radius, 0.25) * size_um / 2
    return np.column_stack([radius * np.cos(angle) * np.sqrt(ratio), radius * np.sin(angle) / np.sqrt(ratio)])


def spiny_outline(rng: np.random.Generator, size_um: float, spines: int, spine_um: float) -> np.ndarray:
    """Round grain with spines around it, (n, 2) in um."""
    angle = np.linspace(0, 2 * np.pi, spines * 6, endpoint=False)
    bump = np.abs(np.cos(angle * spines / 2)) ** 6
    radius = size_um / 2 + spine_um * bump * rng.uniform(0.7, 1.1, angle.size)
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])


def wandering_line(
    rng: np.random.Generator, length_um: float, bend: float, step_um: float = 8.0
) -> np.ndarray:
    """Smoothly bending line through the origin, (n, 2) in um; `bend` in radians over 100 um."""
    n = max(int(length_um / step_um), 4)
    turn = np.cumsum(rng.normal(0, bend * (step_um / 100) ** 0.5, n)) * 0.5 + rng.normal(
        0, bend
    ) * np.linspace(-1, 1, n)
    points = np.cumsum(np.column_stack([np.cos(turn), np.sin(turn)]) * (length_um / n), axis=0)
    return points - points[n // 2]


def strip(line: np.ndarray, width_um: np.ndarray) -> np.ndarray:
    """Return the closed outline of a line with a width at each of its points, (2 n, 2) in um."""
    along = np.gradient(line, axis=0)
    along /= np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-9)[:, None]
    side = np.column_stack([-along[:, 1], along[:, 0]]) * (np.asarray(width_um) / 2)[:, None]
    return np.vstack([line + side, (line - side)[::-1]])

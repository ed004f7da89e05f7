"""Outlines as a radius over the direction, and the places of a patch relative to one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

DIRECTIONS = 256
_TURN = np.linspace(0.0, 2 * np.pi, DIRECTIONS, endpoint=False)


@dataclass(frozen=True)
class Outline:
    """A closed outline around its centre, star-shaped.

    Parameters
    ----------
    x_um, y_um : float
        Centre, from the top left corner of the picture.
    half_long_um, half_wide_um : float
        Half axes of the box that the outline is stretched to.
    angle : float
        Direction of the long axis, radians, from +x towards +y (down).
    radius : ndarray of shape (DIRECTIONS,)
        Relative radius by direction in the stretched frame; 1 everywhere is an ellipse.
    """

    x_um: float
    y_um: float
    half_long_um: float
    half_wide_um: float
    angle: float
    radius: np.ndarray


Places = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]
"""Depth, reach, along and across, see `relative_places`."""


def relative_places(one: Outline, x_um: np.ndarray, y_um: np.ndarray) -> Places:
    """Give (depth, reach, along, across) at places.

    Parameters
    ----------
    one : Outline
    x_um, y_um : ndarray
        Places, of shapes that broadcast.

    Returns
    -------
    depth : ndarray
        0 at the centre, 1 on the outline, more outside.
    reach : ndarray
        Distance of the outline from the centre in this direction, µm.
    along, across : ndarray
        Coordinates in the frame of the axes, relative to the half axes.
    """
    c, s = np.cos(one.angle), np.sin(one.angle)
    dx, dy = x_um - one.x_um, y_um - one.y_um
    along = ((dx * c + dy * s) / one.half_long_um).astype(np.float32)
    across = ((dy * c - dx * s) / one.half_wide_um).astype(np.float32)
    turn = np.arctan2(across, along) * np.float32(DIRECTIONS / (2 * np.pi))
    step = np.floor(turn).astype(np.int32)
    part = turn - step
    table = one.radius.astype(np.float32)
    rim = table[step % DIRECTIONS] * (1 - part) + table[(step + 1) % DIRECTIONS] * part
    far = np.hypot(along, across)
    depth = far / rim
    reach = np.hypot(dx, dy) / np.maximum(depth, 1e-3)
    return depth, reach.astype(np.float32), along, across


def extent(one: Outline) -> float:
    """Largest distance of the outline from its centre, µm."""
    return float(max(one.half_long_um, one.half_wide_um) * one.radius.max())


def area_um2(one: Outline) -> float:
    """Area inside the outline, by the polar sum."""
    return float(np.mean(one.radius**2) * np.pi * one.half_long_um * one.half_wide_um)


def oval(point: float, skew: float = 0.0, square: float = 2.0) -> np.ndarray:
    """Radius table of something between an ellipse and a lemon.

    Parameters
    ----------
    point : float
        0 is an ellipse, 1 two arcs that meet in points.
    skew : float
        Moves the widest place towards one end, -0.3 to 0.3.
    square : float
        Power of the curve: below 2 leaner, above 2 fuller.
    """
    t = np.linspace(-1.0, 1.0, 721)
    bulge = np.clip(1 - np.abs(t) ** square, 0.0, 1.0)
    half = (1 - point) * np.sqrt(bulge) + point * bulge
    half = half * (1 + skew * t)
    half /= half.max()
    angle, far = np.arctan2(half, t)[::-1], np.hypot(t, half)[::-1]
    upper = np.interp(np.where(np.pi >= _TURN, _TURN, 2 * np.pi - _TURN), angle, far)
    return upper.astype(np.float64)


def nippled(point: float, tip: float, tip_width: float) -> np.ndarray:
    """Radius table of an oval with a small knob at either end, long axis kept at 1."""
    knob = tip * np.exp(-((np.sin(_TURN) / tip_width) ** 2))
    table = oval(point) * (1 - tip) + knob
    x, y = table * np.cos(_TURN), table * np.sin(_TURN)
    x, y = x / x.max(), y / y.max()  # full length and width again
    return np.interp(_TURN, np.arctan2(y, x) % (2 * np.pi), np.hypot(x, y), period=2 * np.pi)


def angular(rng: np.random.Generator, corners: int, uneven: float) -> np.ndarray:
    """Radius table of a polygon with corners at random directions."""
    turns = np.sort((np.arange(corners) + rng.uniform(-uneven, uneven, corners) * 0.6) * 2 * np.pi / corners)
    far = rng.uniform(1 - uneven, 1.0, corners)
    x, y = far * np.cos(turns), far * np.sin(turns)
    table = np.full(DIRECTIONS, 1.6)
    for x0, y0, x1, y1 in zip(x, y, np.roll(x, -1), np.roll(y, -1), strict=True):
        nx, ny = y1 - y0, x0 - x1
        reach = nx * x0 + ny * y0
        towards = nx * np.cos(_TURN) + ny * np.sin(_TURN)
        side = np.abs(_between(_TURN, np.arctan2(y0, x0), np.arctan2(y1, x1)))
        hit = (side < 0.5 + 1e-9) & (towards * np.sign(reach) > 1e-6)
        table[hit] = np.minimum(table[hit], np.abs(reach / towards[hit]))
    return np.clip(table, 0.15, 1.6)


def _between(turn: np.ndarray, first: float, last: float) -> np.ndarray:
    """Place of directions in an arc: -0.5 at its start, 0.5 at its end."""
    width = (last - first) % (2 * np.pi)
    middle = first + width / 2
    return ((turn - middle + np.pi) % (2 * np.pi) - np.pi) / max(width, 1e-6)


def wavy(rng: np.random.Generator, waves: int, height: float) -> np.ndarray:
    """Radius table of a circle with smooth random bumps up to a number of waves."""
    table = np.ones(DIRECTIONS)
    for n in range(2, waves + 1):
        table += height * rng.normal() / n * np.cos(n * _TURN + rng.uniform(0, 2 * np.pi))
    return np.clip(table / table.mean(), 0.3, 1.8)


def spiky(spikes: int, height: float, sharpness: float) -> np.ndarray:
    """Radius table of a circle with even spikes."""
    return (1 - height) + height * np.abs(np.cos(spikes * _TURN / 2)) ** sharpness

"""Density along and across the outline of each object: what a careful eye would follow round it."""

from __future__ import annotations

from dataclasses import dataclass, fields

import cv2
import numpy as np

from sporecount.records import FlatField, WorkImage
from sporecount.steps.flatten import LOG_LINEAR
from sporecount.steps.lemon import x_and_y
from sporecount.steps.settle import Settled

ANGLES = 16
RADII = np.array([0.0, 0.35, 0.6, 0.85, 1.15, 1.4, 1.8])
"""In half-axes: 1 is the outline."""

_INSIDE = slice(1, 4)
_OUTSIDE = slice(5, 7)
_CHANNELS = np.array([0.0, 0.5, 0.5], np.float32)
"""Green and blue: amber hardly shows in red."""


@dataclass(frozen=True)
class Outlines:
    """Figures of each object's outline, shape (n,) unless said otherwise.

    Parameters
    ----------
    contrast : ndarray of shape (n, 3), float32
        Density of red, green, blue inside the outline over that of a ring around it.
    around : ndarray, float32
        Density of that ring, green and blue.
    unrest : ndarray, float32
        Standard deviation of that ring.
    unrest_inside : ndarray, float32
        Standard deviation inside.
    closed : ndarray of shape (n, 3), float32
        Contrast by direction, green and blue: the least of 16, the lowest quarter, the mean.
    edge : ndarray, float32
        Fall of the density across the outline, from 0.85 to 1.15 half-axes.
    edge_least : ndarray, float32
        The same in the direction of the lowest quarter.
    rim : ndarray, float32
        Density just inside the outline over that of the middle.
    lopsided : ndarray, float32
        Mean difference of opposite directions inside.
    """

    contrast: np.ndarray
    around: np.ndarray
    unrest: np.ndarray
    unrest_inside: np.ndarray
    closed: np.ndarray
    edge: np.ndarray
    edge_least: np.ndarray
    rim: np.ndarray
    lopsided: np.ndarray

    def take(self, rows: np.ndarray) -> Outlines:
        """Keep some rows."""
        return Outlines(**{one.name: getattr(self, one.name)[rows] for one in fields(self)})

    def replaced(self, rows: np.ndarray, other: Outlines) -> Outlines:
        """Put another's rows in the place of some."""
        columns = {one.name: getattr(self, one.name).copy() for one in fields(self)}
        for name, column in columns.items():
            column[rows] = getattr(other, name)
        return Outlines(**columns)


def follow_outlines(work: WorkImage, flat: FlatField, settled: Settled) -> Outlines:
    """Sample the density on seven ellipses inside and around each object's outline.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField
    settled : Settled

    Returns
    -------
    Outlines
    """
    rgb = _samples(work, flat, settled)
    grey = rgb @ _CHANNELS
    inside, outside = grey[:, :, _INSIDE], grey[:, :, _OUTSIDE]
    by_direction = inside.mean(axis=2) - outside.mean(axis=2)
    ranked = np.sort(by_direction, axis=1)
    fall = grey[:, :, 3] - grey[:, :, 4]
    half = ANGLES // 2
    return Outlines(
        contrast=rgb[:, :, _INSIDE].mean(axis=(1, 2)) - rgb[:, :, _OUTSIDE].mean(axis=(1, 2)),
        around=outside.mean(axis=(1, 2)),
        unrest=outside.std(axis=(1, 2)),
        unrest_inside=inside.std(axis=(1, 2)),
        closed=np.stack((ranked[:, 0], ranked[:, ANGLES // 4], by_direction.mean(axis=1)), axis=1),
        edge=fall.mean(axis=1),
        edge_least=np.sort(fall, axis=1)[:, ANGLES // 4],
        rim=grey[:, :, 3].mean(axis=1) - grey[:, :, 0].mean(axis=1),
        lopsided=np.abs(inside[:, :half] - inside[:, half:]).mean(axis=(1, 2)),
    )


def _samples(work: WorkImage, flat: FlatField, settled: Settled) -> np.ndarray:
    """Density at each direction and radius, shape (n, ANGLES, len(RADII), 3)."""
    turn = np.arange(ANGLES) * (2 * np.pi / ANGLES)
    long_axis = (settled.looks.length_um / 2 / work.um_per_px)[:, None] * np.cos(turn)
    short_axis = (settled.looks.width_um / 2 / work.um_per_px)[:, None] * np.sin(turn)
    to_col, to_row = x_and_y(long_axis, short_axis, settled.looks.angle_deg[:, None])
    count = len(settled.row)
    places = (count, ANGLES * len(RADII))
    rows = (settled.row[:, None, None] + to_row[:, :, None] * RADII).reshape(places)
    cols = (settled.col[:, None, None] + to_col[:, :, None] * RADII).reshape(places)
    height, width = work.seen.shape
    log_value = _look_up(work.close, rows, cols, work.close.shape[0] / height, work.close.shape[1] / width)
    light = _look_up(
        flat.log_light, rows, cols, flat.log_light.shape[0] / height, flat.log_light.shape[1] / width
    )
    return (light - LOG_LINEAR[log_value]).reshape(count, ANGLES, len(RADII), 3)


def _look_up(
    image: np.ndarray, rows: np.ndarray, cols: np.ndarray, zoom_y: float, zoom_x: float
) -> np.ndarray:
    out = np.empty((*rows.shape, 3), image.dtype)
    for start in range(0, len(rows), 8192):  # remap takes no side beyond 32767
        part = slice(start, start + 8192)
        map_y = ((rows[part] + 0.5) * zoom_y - 0.5).astype(np.float32)
        map_x = ((cols[part] + 0.5) * zoom_x - 0.5).astype(np.float32)
        out[part] = cv2.remap(image, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return out

"""What a careful person could see of each spore in the finished photo."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from sporecount.simulate.truth import SporeTruth
from sporecount.simulate.waves.bodies import half_width
from sporecount.simulate.waves.optics import Floats
from sporecount.simulate.waves.plan import Seats, reach, touching
from sporecount.simulate.waves.scene import KIND, Scene

Points = tuple[NDArray[np.float64], NDArray[np.float64]]
_DIRECTIONS = 24
_SEEN_LEVELS = 3.0
"""Steps of grey that an eye follows along an outline."""


@dataclass(frozen=True)
class Pressed:
    """What was drawn of each spore, in the order of the seats, from the bottom to the top."""

    z_um: NDArray[np.float64]
    contrast: NDArray[np.float64]
    veil: NDArray[np.int64]
    covered: list[tuple[tuple[slice, slice], NDArray[np.bool_]] | None]


def _sample(values: Floats, x: NDArray[np.float64], y: NDArray[np.float64]) -> Floats:
    return np.asarray(cv2.remap(values, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR))


def _under_others(seats: Seats, x: NDArray[np.float64], y: NDArray[np.float64], px_um: float, point: float,
                  above_only: bool) -> NDArray[np.bool_]:  # fmt: skip
    """Which of the points (n, k) of each spore lie within another spore, or within one above it."""
    hidden = np.zeros(x.shape, bool)
    places = np.stack([seats.x_px, seats.y_px], axis=1) * px_um
    pairs = cKDTree(places).query_pairs(1.2 * float(seats.length_um.max()), output_type="ndarray")
    both = [pairs] if above_only else [pairs, pairs[:, ::-1]]
    for low, high in (one.T for one in both):
        dx = (x[low] - seats.x_px[high][:, None]) * px_um
        dy = (y[low] - seats.y_px[high][:, None]) * px_um
        c, s = np.cos(seats.angle[high])[:, None], np.sin(seats.angle[high])[:, None]
        u, v = dx * c + dy * s, dy * c - dx * s
        a, b = seats.length_um[high][:, None] / 2, seats.width_um[high][:, None] / 2
        np.logical_or.at(hidden, low, np.abs(v) < half_width(u, a, b, point))
    return hidden


def judge(
    scene: Scene, seats: Seats, pressed: Pressed, point: float, field: Floats, clean: Floats, noise: Floats
) -> tuple[SporeTruth, ...]:
    """Give the truth of every spore, and map those beneath scales that can be seen."""
    n = len(seats.x_px)
    if n == 0:
        return ()
    px = scene.px_um
    rows, cols = scene.shape
    turn = np.linspace(0, 2 * np.pi, _DIRECTIONS, endpoint=False)[None, :]
    length, width = seats.length_um[:, None], seats.width_um[:, None]
    rim = reach(length + 0 * turn, width + 0 * turn, point, turn) / px
    way = turn + seats.angle[:, None]

    def at(share: float, more_px: NDArray[np.float64] | float = 0.0) -> Points:
        far = share * rim + more_px
        return seats.x_px[:, None] + far * np.cos(way), seats.y_px[:, None] + far * np.sin(way)

    # Rings of equal area.
    x, y = (
        np.concatenate(parts, axis=1)
        for parts in zip(*map(at, (0.29, 0.5, 0.65, 0.76, 0.87, 0.96)), strict=True)
    )
    inside = (x > -0.5) & (x < cols - 0.5) & (y > -0.5) & (y < rows - 0.5)
    inside &= _sample(field, x, y) > 0.5
    veil = np.ones(x.shape, np.float32)
    for number in np.unique(pressed.veil):
        some = pressed.veil == number
        veil[some] = _sample(scene.veils[number], x[some], y[some])
    hidden = _under_others(seats, x, y, px, point, above_only=True)
    visible = (inside & (veil > 0.3) & ~hidden).mean(axis=1)
    # Along the outline: does the light step there, beyond noise and indifference? Between spores that touch,
    # the step is that from the rim to the inside.
    blur = scene.optics.blur_um(pressed.z_um)
    rings = [at(0.6), at(0.8), at(0.93), at(1.0, (0.6 + 0.8 * blur[:, None]) / px)]
    across = [_sample(clean, *ring) for ring in rings]
    edge = np.max(across, axis=0) - np.min(across, axis=0)
    # Neighbours that just meet share a piece of outline: it can still be followed.
    x_rim, y_rim = at(0.95)
    on_view = (x_rim > 0) & (x_rim < cols - 1) & (y_rim > 0) & (y_rim < rows - 1)
    on_view &= _sample(field, x_rim, y_rim) > 0.9
    # A person averages over the stretch of outline that belongs to a direction.
    stretch_px = np.clip(np.pi * seats.length_um / _DIRECTIONS * 2.0 / px**2, 1, 60)[:, None]
    doubt = _sample(noise, x_rim, y_rim) * 1.6 / np.sqrt(stretch_px) + _SEEN_LEVELS
    buried = _under_others(seats, x_rim, y_rim, px, point, above_only=False)
    # Inside another spore an outline is seen through it, half as surely.
    followed = ((on_view & (edge > doubt)) * np.where(buried, 0.5, 1.0)).mean(axis=1)
    clump = touching(seats, px, point)
    centre_in = (
        (seats.x_px > -0.5) & (seats.x_px < cols - 0.5) & (seats.y_px > -0.5) & (seats.y_px < rows - 0.5)
    )
    contrast = pressed.contrast * (veil.mean(axis=1) if scene.from_above else 1.0)
    sure = centre_in & (visible >= 0.5) & (blur <= 0.22 * seats.length_um) & (contrast > 0.012)
    sure &= followed >= np.where(clump > 1, 0.5, 0.42)
    column = np.clip(np.rint(seats.x_px).astype(int), 0, cols - 1)
    row = np.clip(np.rint(seats.y_px).astype(int), 0, rows - 1)
    for k in np.flatnonzero(sure & (pressed.veil == 1)):
        if (found := pressed.covered[k]) is not None:
            box, cover = found
            kinds = scene.kinds[box]
            kinds[cover & (kinds == KIND["scale"]) & (scene.veils[1][box] > 0.3)] = KIND["spore"]
    angle = np.degrees(seats.angle) % 180
    return tuple(
        SporeTruth(
            x_px=float(seats.x_px[k]),
            y_px=float(seats.y_px[k]),
            length_um=float(seats.length_um[k]),
            width_um=float(seats.width_um[k]),
            angle_deg=float(angle[k]),
            visible=float(visible[k]),
            blur_um=float(blur[k]),
            contrast=float(contrast[k]),
            on_scale=bool(scene.on_scale[row[k], column[k]]),
            clump=int(clump[k]),
            countable=bool(sure[k]),
        )
        for k in range(n)
    )

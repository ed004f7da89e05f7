"""From what was painted to the truth of each spore: what is left to see of it, how blurred, how strong."""

from __future__ import annotations

import numpy as np
from scipy.special import ive

from sporecount.simulate.layered import camera, spores
from sporecount.simulate.layered.canvas import Canvas
from sporecount.simulate.layered.recipe import Recipe
from sporecount.simulate.parting import LEAST_SHARE, outline_seen
from sporecount.simulate.truth import SporeTruth

_SHARP_ENOUGH = {1: 0.42, 2: 0.33, 3: 0.25}
"""Widest blur, as a share of its length, at which a spore can be counted: single, in a pair, in a clump."""


def truths_of(
    canvas: Canvas,
    recipe: Recipe,
    placed: list[spores.Placed],
    drawn: list[tuple[float, float]],
    shown: np.ndarray,
    sigma_um: np.ndarray,
    picture: np.ndarray,
) -> tuple[SporeTruth, ...]:
    """Truth of every spore whose centre lies in the photo, from the canvas's books.

    Parameters
    ----------
    placed, drawn : list
        The spores, and the contrast and area (µm²) of each when it was painted.
    shown : ndarray of shape (n, 3)
        As `stand_out` gives it.
    sigma_um : ndarray of shape (h, w)
        Blur over the canvas.
    picture : ndarray of shape (H, W, 3), uint8
        The finished photo.
    """
    out_shape = picture.shape[:2]
    owned = (canvas.owner >= 0) & canvas.in_view
    seen_px = np.bincount(canvas.owner[owned], weights=canvas.clear[owned], minlength=len(placed))
    left_px = np.bincount(canvas.owner[owned], minlength=len(placed))
    clumps = spores.clump_sizes(placed)
    grow_x, grow_y = out_shape[1] / canvas.shape[1], out_shape[0] / canvas.shape[0]
    everywhere = recipe.camera.motion**2 / 24 + (0.3 * recipe.um_per_px * recipe.camera.zoom) ** 2  # µm²
    half_px = 0.5 * grow_x / canvas.px_um
    table = [
        (s.x / canvas.px_um * grow_x - 0.5, s.y / canvas.px_um * grow_y - 0.5, half_px * s.length,
         half_px * s.width, s.angle) for s in placed
    ]  # fmt: skip
    followed = outline_seen(picture, np.array(table).reshape(-1, 5))
    truths = []
    for number, spore in enumerate(placed):
        contrast, area = drawn[number]
        visible = float(min(1.0, seen_px[number] * canvas.px_um**2 / area))
        column = int(np.clip(spore.x // canvas.px_um, 0, canvas.shape[1] - 1))
        row = int(np.clip(spore.y // canvas.px_um, 0, canvas.shape[0] - 1))
        blur_um = float(np.sqrt(sigma_um[row, column] ** 2 + spore.soften**2 + everywhere))
        b = max(spore.length * spore.width / 4.0 / blur_um**2, 1e-3)
        contrast *= float(1.0 - ive(0, b) - ive(1, b))  # what a blurred disc keeps within its outline
        contrast *= float(seen_px[number] / max(left_px[number], 1))  # dimmed by what lies over it
        in_view = canvas.seen(spore.x, spore.y)
        clump = int(clumps[number])
        sharp_enough = blur_um <= _SHARP_ENOUGH[min(clump, 3)] * spore.length
        needed = max(0.03, 2.0 * camera.noise_density(recipe.camera, float(shown[number, 2])))
        calm = clump > 1 or contrast > 0.2 or shown[number, 0] > 0.8 * shown[number, 1]
        among_others = clump > 2  # what lies around is as dark as the spore itself
        sharp_enough &= clump < 3 or followed[number] >= LEAST_SHARE
        strong_enough = contrast > needed and (among_others or shown[number, 0] > 0.7 * needed) and calm
        truths.append(
            SporeTruth(
                x_px=spore.x / canvas.px_um * grow_x - 0.5,
                y_px=spore.y / canvas.px_um * grow_y - 0.5,
                length_um=spore.length,
                width_um=spore.width,
                angle_deg=float(np.degrees(spore.angle) % 180.0),
                visible=visible,
                blur_um=blur_um,
                contrast=contrast,
                on_scale=bool(in_view and canvas.scaled[row, column]),
                clump=clump,
                countable=bool(in_view and visible >= 0.5 and sharp_enough and strong_enough),
            )
        )
    return tuple(
        t for t in truths if -0.5 <= t.x_px < out_shape[1] - 0.5 and -0.5 <= t.y_px < out_shape[0] - 0.5
    )


def stand_out(level: np.ndarray, placed: list[spores.Placed], size_um: tuple[float, float]) -> np.ndarray:
    """How far each spore differs from around it in the noiseless picture, and how uneven it is there.

    Parameters
    ----------
    level : ndarray of shape (h, w)
        Decadic logarithm of brightness at the sensor's pixels.

    Returns
    -------
    ndarray of shape (n, 3)
        Larger of the differences of its inside and of its rim from the lighter part around it, and the
        spread between the quartiles around it (optical densities); the level of light there.
    """
    if not placed:
        return np.zeros((0, 3))
    table = np.array([(s.x, s.y, s.length, s.width, s.angle) for s in placed])

    def ring(share: float, count: int) -> np.ndarray:
        t = np.arange(count) * 2 * np.pi / count
        widen = (share - 1.0) * 2.0 if share > 1.0 else 0.0  # µm more room beyond the outline
        u = (share * table[:, 2:3] / 2 + widen) * np.cos(t)
        v = (share * table[:, 3:4] / 2 + widen) * np.sin(t)
        c, s = np.cos(table[:, 4:5]), np.sin(table[:, 4:5])
        columns = (table[:, 0:1] + u * c - v * s) / size_um[0] * level.shape[1]
        rows = (table[:, 1:2] + u * s + v * c) / size_um[1] * level.shape[0]
        return level[
            np.clip(rows.astype(int), 0, level.shape[0] - 1),
            np.clip(columns.astype(int), 0, level.shape[1] - 1),
        ]

    low, middle, high = np.percentile(ring(1.6, 20), [25, 60, 75], axis=1)
    differs = np.maximum(
        np.abs(middle - ring(0.4, 8).mean(axis=1)), np.abs(middle - ring(0.85, 12).mean(axis=1))
    )
    return np.stack([differs, high - low, 10.0**middle], axis=1)

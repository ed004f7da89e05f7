"""The scene before any blur: cut-outs are turned, squeezed and laid over one another."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.recipes.voyager.bodies import KIND, Placed
from tests.recipes.voyager.textures import Floats


@dataclass
class Stage:
    """Sheets of the view that placed bodies are added to.

    Parameters
    ----------
    um_per_px : float
    density : ndarray of shape (H, W, 3)
        Optical density for the light from below.
    sent_back : ndarray of shape (H, W, 3)
        Share of the light from above that comes back.
    height_um : ndarray of shape (H, W)
    kind : ndarray of shape (H, W), uint8
    owner : ndarray of shape (H, W), int32
        Topmost spore that nothing opaque hides, -1 for none.
    on_scale : ndarray of shape (H, W), bool
    """

    um_per_px: float
    density: Floats
    sent_back: Floats
    height_um: Floats
    kind: NDArray[np.uint8]
    owner: NDArray[np.int32]
    on_scale: NDArray[np.bool_]


def empty_stage(shape: tuple[int, int], um_per_px: float, density: Floats, sent_back: Floats) -> Stage:
    """Bare ground."""
    return Stage(
        um_per_px,
        density,
        sent_back,
        np.zeros(shape, np.float32),
        np.zeros(shape, np.uint8),
        np.full(shape, -1, np.int32),
        np.zeros(shape, bool),
    )


def lay(stage: Stage, placed: Placed) -> float:
    """Lay a body on top of all; return the pixels that it covers, those outside the view included."""
    body = placed.body
    per_px = body.grain_um / stage.um_per_px
    zoom_x, zoom_y = per_px * placed.stretch, per_px * placed.squeeze
    # the copy whose pixels are just finer than the photo's: neither aliased nor smeared
    level = int(np.clip(np.floor(-np.log2((zoom_x + zoom_y) / 2) + 0.3), 0, len(body.levels) - 1))
    sheet = body.levels[level]
    rows, cols = sheet.shape[:2]
    ax, ay = zoom_x * 2**level, zoom_y * 2**level
    c, s = np.cos(np.radians(placed.angle_deg)), np.sin(np.radians(placed.angle_deg))
    turn = np.array([[c * ax, -s * ay], [s * ax, c * ay]])
    half = np.abs(turn) @ np.array([cols, rows]) / 2 + 1
    centre = np.array([placed.x_um, placed.y_um]) / stage.um_per_px
    low, high = np.floor(centre - half).astype(int), np.ceil(centre + half).astype(int) + 1
    height, width = stage.kind.shape
    whole = placed.spore >= 0
    x0, y0 = (int(v) for v in (low if whole else np.maximum(low, 0)))
    x1, y1 = (int(v) for v in (high if whole else np.minimum(high, [width, height])))
    if x1 <= x0 or y1 <= y0:
        return 0.0
    shift = centre - [x0, y0] - turn @ [(cols - 1) / 2, (rows - 1) / 2]
    patch = cv2.warpAffine(sheet, np.column_stack([turn, shift]), (x1 - x0, y1 - y0), flags=cv2.INTER_LINEAR)
    covered = patch[..., 3] > 0.5
    total = float(covered.sum())
    cx0, cy0, cx1, cy1 = max(x0, 0), max(y0, 0), min(x1, width), min(y1, height)
    if cx1 <= cx0 or cy1 <= cy0:
        return total
    inner = (slice(cy0 - y0, cy1 - y0), slice(cx0 - x0, cx1 - x0))
    _add(stage, placed, (slice(cy0, cy1), slice(cx0, cx1)), patch[inner], covered[inner])
    return total


def _add(
    stage: Stage, placed: Placed, box: tuple[slice, slice], patch: Floats, covered: NDArray[np.bool_]
) -> None:
    """Add a warped patch to every sheet."""
    body = placed.body
    taken = patch[..., :3] * np.float32(placed.strength)
    stage.density[box] += taken
    sends = patch[..., 3:] * np.float32(body.gloss)
    own = 0.72 * np.exp(np.float32(-1.6) * np.maximum(taken, 0))
    # what the body doesn't send back itself passes it on the way down, and in part on the way up
    passed = stage.sent_back[box] * np.exp(np.float32(-2.9 * (1 - body.gloss)) * taken)
    stage.sent_back[box] = passed * (1 - sends) + own * sends
    stage.height_um[box] += patch[..., 3] * np.float32(body.height_um)
    stage.kind[box][covered] = body.kind
    if placed.spore >= 0:
        stage.owner[box][covered] = placed.spore
    elif body.hides:
        stage.owner[box][covered] = -1
    if body.kind == KIND["scale"]:
        stage.on_scale[box] |= covered

"""What a careful person could see and count in the finished photo."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.parting import LEAST_SHARE, outline_seen
from sporecount.simulate.relief.forms import Oval
from sporecount.simulate.truth import KIND_NAMES, SporeTruth

_SPORE, _SCALE = KIND_NAMES.index("spore"), KIND_NAMES.index("scale")

_LEAST_LEVELS = 9.0
"""Least difference in display values from the surroundings."""

_LEAST_SIGNAL = 2.6
"""Least difference in units of how much patches of a spore's width differ from one another around it."""

_LEAST_EDGE_LEVELS = 7.0
_SINGLE_BLUR, _CLUMP_BLUR = 0.33, 0.25
_TOUCH = 1.15


@dataclass(frozen=True)
class Laid:
    """A spore that was laid: its outline, its centre in um, and whether a scale lies there."""

    oval: Oval
    x_um: float
    y_um: float
    on_scale: bool


def clump_sizes(laid: list[Laid]) -> np.ndarray:
    """Count the spores in each one's touching group, shape (n,)."""
    count = len(laid)
    if not count:
        return np.zeros(0, int)
    at = np.array([(one.x_um, one.y_um) for one in laid])
    turn = np.array([one.oval.turn for one in laid])
    long = np.array([one.oval.half_long_um for one in laid])
    wide = np.array([one.oval.half_wide_um for one in laid])
    dx, dy = at[None, :, 0] - at[:, None, 0], at[None, :, 1] - at[:, None, 1]
    way = np.arctan2(dy, dx) - turn[:, None]
    reach = long[:, None] * wide[:, None] / np.hypot(wide[:, None] * np.cos(way), long[:, None] * np.sin(way))
    near = np.hypot(dx, dy) < _TOUCH * (reach + reach.T)
    group = np.arange(count)
    while True:  # each takes the least number among its neighbours until nothing changes
        least = np.where(near, group[None, :], count).min(axis=1)
        if (least == group).all():
            break
        group = least
    sizes: np.ndarray = np.bincount(group, minlength=count)[group]
    return sizes


def tell(
    photo: np.ndarray,
    laid: list[Laid],
    owner: np.ndarray,
    blur_um: np.ndarray,
    view: np.ndarray | None,
    um_per_px: float,
) -> tuple[SporeTruth, ...]:
    """Truth of each spore whose centre is in the photo.

    Parameters
    ----------
    photo : ndarray of shape (H, W, 3), uint8
        The finished photo: contrast is judged on it.
    laid : list of Laid
    owner : ndarray of shape (H, W), int
        Number of the topmost spore at each pixel, else -1.
    blur_um : ndarray of shape (H, W)
        Standard deviation of the whole blur.
    view : ndarray of shape (H, W) or None
        Share of light let through by the eyepiece.
    um_per_px : float
    """
    rows, cols = owner.shape
    shown = np.bincount(owner[owner >= 0], minlength=len(laid)) * um_per_px**2
    clumps = clump_sizes(laid)
    levels = photo.astype(np.float32)
    halves = [one.oval.half_wide_um for one in laid] or [4.0]
    patches = cv2.GaussianBlur(levels, (0, 0), max(0.45 * float(np.median(halves)) / um_per_px, 0.3))
    table = [
        (one.x_um, one.y_um, one.oval.half_long_um, one.oval.half_wide_um, one.oval.turn * um_per_px)
        for one in laid
    ]
    followed = outline_seen(photo, np.array(table).reshape(-1, 5) / um_per_px)
    truths = []
    for number, one in enumerate(laid):
        x, y = one.x_um / um_per_px, one.y_um / um_per_px
        row, col = round(y), round(x)
        if not (0 <= row < rows and 0 <= col < cols):
            continue
        visible = float(min(shown[number] / one.oval.area_um2(), 1.0))
        if visible > 0.93:  # the pixels of a small outline never add up to its area exactly
            visible = 1.0
        blur = float(blur_um[row, col])
        density, seen = _stands_out(levels, patches, owner, number, one, um_per_px, int(clumps[number]))
        seen &= int(clumps[number]) < 3 or bool(followed[number] >= LEAST_SHARE)
        lit = view is None or float(view[row, col]) > 0.6
        most = (_SINGLE_BLUR if clumps[number] == 1 else _CLUMP_BLUR) * one.oval.half_long_um * 2
        truths.append(
            SporeTruth(
                x_px=x,
                y_px=y,
                length_um=2 * one.oval.half_long_um,
                width_um=2 * one.oval.half_wide_um,
                angle_deg=float(np.degrees(one.oval.turn) % 180.0) % 180.0,
                visible=visible,
                blur_um=blur,
                contrast=density,
                on_scale=one.on_scale,
                clump=int(clumps[number]),
                countable=bool(visible > 0.5 and blur < most and lit and seen),
            )
        )
    return tuple(truths)


def _stands_out(
    levels: np.ndarray,
    patches: np.ndarray,
    owner: np.ndarray,
    number: int,
    one: Laid,
    um_per_px: float,
    clump: int,
) -> tuple[float, bool]:
    """Optical density over the surroundings, and whether it can be told from them."""
    rows, cols = owner.shape
    reach = max(int(np.ceil(2.0 * one.oval.half_long_um / um_per_px)), 4)
    row, col = round(one.y_um / um_per_px), round(one.x_um / um_per_px)
    box = (slice(max(row - reach, 0), min(row + reach + 1, rows)),
           slice(max(col - reach, 0), min(col + reach + 1, cols)))  # fmt: skip
    mine = owner[box] == number
    if not mine.any():
        return 0.0, False
    y, x = np.ogrid[box]
    level, _, _ = one.oval.places(x * um_per_px - np.float32(one.x_um), y * um_per_px - np.float32(one.y_um))
    close = np.hypot(x - col, y - row) <= reach
    around = (owner[box] < 0) & close & (level < -0.25)
    if around.sum() < 0.4 * mine.sum():  # in the middle of a heap: nothing but other spores around
        around = (owner[box] != number) & close
    if around.sum() < 4:
        return 0.0, False
    ring = levels[box][around]
    ground = np.median(ring, axis=0)
    inside = levels[box][mine].mean(axis=0)
    texture = patches[box][around].std(axis=0) + 1.0
    apart = np.abs(inside - ground)
    signal = float((apart / texture).max())
    strong = float(apart.max()) > _LEAST_LEVELS and signal > _LEAST_SIGNAL
    # a spore as bright as its ground is still seen by its flanks, if these stand out from the ground's own texture
    flanks = float((levels[box][mine] - inside).std(axis=0).mean())
    modelled = flanks > 14.0 and flanks > 2.2 * float(ring.std(axis=0).mean())
    seen = strong or modelled
    if clump > 2 and seen:
        seen = _parted(levels[box], owner[box], number)
    linear = (np.array([inside.mean(), ground.mean()]) / 255 + 0.004) ** 2.2
    return float(np.log10(linear[1] / linear[0])), seen


def _parted(levels: np.ndarray, owner: np.ndarray, number: int) -> bool:
    """Whether a line or a step of brightness parts a spore from those that it touches."""
    mine = (owner == number).astype(np.uint8)
    grown = cv2.dilate(mine, np.ones((3, 3), np.uint8))
    seam = (grown > 0) & (owner >= 0) & (owner != number)
    if seam.sum() < 0.2 * mine.sum() ** 0.5:
        return True
    core = cv2.erode(mine, np.ones((3, 3), np.uint8)) > 0
    if not core.any():
        core = mine > 0
    beyond = (cv2.dilate(mine, np.ones((7, 7), np.uint8)) > 0) & ~(grown > 0) & (owner >= 0)
    middle, line = levels[core].mean(axis=0), levels[seam].mean(axis=0)
    step = np.abs(line - middle).max()
    if beyond.any():
        step = max(step, np.abs(levels[beyond].mean(axis=0) - middle).max())
    return bool(step > _LEAST_EDGE_LEVELS)

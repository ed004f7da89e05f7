"""What a careful person could see in the finished photo: the truth of each spore."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.collage.outlines import Outline, area_um2
from sporecount.simulate.parting import LEAST_SHARE, outline_seen
from sporecount.simulate.truth import SporeTruth

LEAST_DIFFERENCE = 0.05
"""Difference from the surroundings that a person still sees in a noisy photo: 5 of the 100 steps of CIELAB."""

_MOST_TEXTURE = 0.04
"""More swing than this comes from large things in a narrow view, not from the background."""

_INNER = (0.0, 0.25, 0.5)
_RIM = (0.75, 0.92)
_OUTER = (1.45, 1.65, 1.9)
_SECTORS = 8
_SIDES = 0.6
"""Share of the visible surroundings that it must stand out from."""


def stands_out(
    photo: np.ndarray, owner: np.ndarray, laid: np.ndarray, visible: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Measure how each spore stands out from what lies around it.

    Parameters
    ----------
    photo : ndarray of shape (H, W, 3), uint8
    owner : ndarray of shape (H, W)
        Number of the spore that owns the pixel, -1 for none, -2 outside of the view.
    laid : ndarray of shape (n, 5)
        x, y, half length, half width (photo pixels) and angle (radians) of each.
    visible : ndarray of shape (n,)
        Share of each that is topmost.

    Returns
    -------
    density : ndarray of shape (n,)
        Mean optical density over its surroundings.
    seen : ndarray of shape (n,), bool
        Stands out from most of its surroundings by more than texture and noise do.
    """
    lab = cv2.cvtColor(photo.astype(np.float32) / 255, cv2.COLOR_RGB2LAB) * np.float32(0.01)
    lab[..., 1:] *= 0.6
    long_px = 2 * float(np.median(laid[:, 2]))
    smooth = cv2.GaussianBlur(lab, (0, 0), max(0.6, 0.09 * long_px))
    texture = _texture(smooth[..., 0], owner, long_px)
    turns = np.linspace(0, 2 * np.pi, 2 * _SECTORS, endpoint=False)
    inner = _sample(smooth, laid, _INNER, turns).mean(axis=(1, 2))
    rim = _sample(smooth, laid, _RIM, turns).reshape(len(laid), len(_RIM), _SECTORS, 2, 3).mean(axis=(1, 3))
    outer = _sample(smooth, laid, _OUTER, turns).reshape(len(laid), len(_OUTER), _SECTORS, 2, 3)
    near = np.ones((2 * int(0.08 * long_px) + 1,) * 2, np.uint8)
    taken = cv2.dilate((owner >= 0).astype(np.uint8), near).astype(np.int32) + (owner == -2)
    free = _sample_nearest(np.where(taken == 0, -1, -2), laid, _OUTER, turns).reshape(outer.shape[:4]) == -1
    number = free.sum(axis=(1, 3))
    weight = free[..., None] / np.maximum(number, 1)[:, None, :, None, None]
    around = (outer * weight).sum(axis=(1, 3))
    both = free.all(axis=3)
    beside = (
        ((outer[:, :, :, 0] - outer[:, :, :, 1]) ** 2).sum(axis=-1) / 2 * both
    )  # not the fading of its own edge
    usable = number >= 2
    differ = np.maximum(
        np.linalg.norm(inner[:, None] - around, axis=-1), np.linalg.norm(rim - around, axis=-1)
    )
    rough = np.sqrt(beside.sum(axis=(1, 2)) / np.maximum(both.sum(axis=(1, 2)), 1))
    needed = np.maximum(LEAST_DIFFERENCE, np.maximum(2.5 * rough, 3.0 * texture))
    good = (differ > needed[:, None]) & usable
    seen = good.sum(axis=1) >= _SIDES * np.maximum(usable.sum(axis=1), 2)
    crowded = usable.sum(axis=1) < 2  # only spores around: its rim must part it from them, or it lies on top
    own = np.linalg.norm(rim.mean(axis=1) - inner, axis=-1)
    bare = np.median(smooth[owner == -1], axis=0) if (owner == -1).any() else np.zeros(3)
    seen |= (
        crowded
        & ((own > 0.03) | (visible > 0.75))
        & (np.linalg.norm(inner - bare, axis=-1) > LEAST_DIFFERENCE)
    )
    dark = np.log10(np.clip(0.5 * (inner[:, 0] + rim[..., 0].mean(axis=1)), 0.02, None))
    light = np.log10(np.clip(np.where(crowded, bare[0], _mean_of(around[..., 0], usable)), 0.02, None))
    return 2.2 * (light - dark), seen


def _mean_of(values: np.ndarray, usable: np.ndarray) -> np.ndarray:
    return (values * usable).sum(axis=1) / np.maximum(usable.sum(axis=1), 1)


def _texture(grey: np.ndarray, owner: np.ndarray, long_px: float) -> float:
    """Usual swing of the background at the size of a spore."""
    band = cv2.GaussianBlur(grey, (0, 0), 0.2 * long_px) - cv2.GaussianBlur(grey, (0, 0), 0.6 * long_px)
    step = max(
        1, int(long_px / 8)
    )  # coarse is enough to keep away from spores, and farther from the stop's dark
    thing, stop = (mask[::step, ::step].astype(np.uint8) for mask in (owner >= 0, owner == -2))
    ring = np.ones((3, 3), np.uint8)
    around = cv2.dilate(thing, ring, iterations=int(0.6 * long_px / step) + 1)
    edge = cv2.dilate(stop, ring, iterations=int(1.4 * long_px / step) + 1)
    swing = np.abs(band[::step, ::step])[(around == 0) & (edge == 0)]
    return min(float(np.median(swing)) / 0.67, _MOST_TEXTURE) if swing.size > 60 else 0.0


def _points(laid: np.ndarray, depths: tuple[float, ...], turns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places at depths (relative radii) and directions; shape (n, depths, turns)."""
    far = np.array(depths)[None, :, None]
    half_long, half_wide, angle = (laid[:, k][:, None, None] for k in (2, 3, 4))
    beyond = np.maximum(far - 1, 0) * half_wide  # outside, by the same distance all around
    along = (np.minimum(far, 1) * half_long + beyond) * np.cos(turns)
    across = (np.minimum(far, 1) * half_wide + beyond) * np.sin(turns)
    x = laid[:, 0][:, None, None] + along * np.cos(angle) - across * np.sin(angle)
    y = laid[:, 1][:, None, None] + along * np.sin(angle) + across * np.cos(angle)
    return x.astype(np.float32), y.astype(np.float32)


def _sample(
    picture: np.ndarray, laid: np.ndarray, depths: tuple[float, ...], turns: np.ndarray
) -> np.ndarray:
    x, y = _points(laid, depths, turns)
    flat = cv2.remap(
        picture,
        x.reshape(len(laid), -1),
        y.reshape(len(laid), -1),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return flat.reshape(*x.shape, picture.shape[2])


def _sample_nearest(
    owner: np.ndarray, laid: np.ndarray, depths: tuple[float, ...], turns: np.ndarray
) -> np.ndarray:
    x, y = _points(laid, depths, turns)
    row, col = np.round(y).astype(int), np.round(x).astype(int)
    inside = (row >= 0) & (row < owner.shape[0]) & (col >= 0) & (col < owner.shape[1])
    found = np.full(x.shape, -2)
    found[inside] = owner[row[inside], col[inside]]
    return found


def visible_shares(owner: np.ndarray, laid: list[Outline], drawn: np.ndarray, px_um: float) -> np.ndarray:
    """Share of each outline that is topmost in the view.

    Parameters
    ----------
    owner : ndarray of shape (h, w)
        See `stands_out`.
    laid : list of Outline
    drawn : ndarray of shape (n,)
        Pixels that each had in the picture when it was drawn.
    px_um : float
    """
    counts = np.bincount(owner[owner >= 0].ravel(), minlength=len(laid))
    whole = np.array([area_um2(one) for one in laid]) / px_um**2
    height, width = owner.shape[0] * px_um, owner.shape[1] * px_um
    cut = np.array(
        [min(s.x_um, s.y_um, width - s.x_um, height - s.y_um) < s.half_long_um for s in laid], bool
    )
    return np.minimum(counts / np.maximum(np.where(cut, whole, drawn), 1.0), 1.0)


def truths_of(
    photo: np.ndarray,
    owner: np.ndarray,
    laid: list[Outline],
    *,
    visible: np.ndarray,
    groups: np.ndarray,
    on_scale: np.ndarray,
    blur_um: np.ndarray,
    um_per_px: float,
) -> tuple[SporeTruth, ...]:
    """Make the record of all spores whose centre is in the photo.

    Parameters
    ----------
    photo : ndarray of shape (H, W, 3), uint8
    owner : ndarray of shape (H, W)
        At the photo's pixels, see `stands_out`.
    laid : list of Outline
    visible, groups, on_scale : ndarray of shape (n,)
    blur_um : ndarray of shape (H, W)
        At the photo's pixels.
    um_per_px : float
    """
    if not laid:
        return ()
    height, width = owner.shape
    table = np.array(
        [
            (
                s.x_um / um_per_px - 0.5,
                s.y_um / um_per_px - 0.5,
                s.half_long_um / um_per_px,
                s.half_wide_um / um_per_px,
                s.angle,
            )
            for s in laid
        ]
    )
    density, seen = stands_out(photo, owner, table, visible)
    seen &= (groups < 3) | (outline_seen(photo, table) >= LEAST_SHARE)
    found = []
    for number, one in enumerate(laid):
        x, y = float(table[number, 0]), float(table[number, 1])
        row, col = round(y), round(x)
        if not (0 <= row < height and 0 <= col < width) or owner[row, col] == -2:
            continue
        blur = float(blur_um[row, col])
        whole = visible[number] >= 0.55
        sharp = blur <= 0.26 * 2 * one.half_long_um and 2 * one.half_wide_um >= 2.5 * um_per_px
        found.append(
            SporeTruth(
                x_px=x,
                y_px=y,
                length_um=2 * one.half_long_um,
                width_um=2 * one.half_wide_um,
                angle_deg=float(np.degrees(one.angle) % 180.0),
                visible=float(visible[number]),
                blur_um=blur,
                contrast=float(density[number]),
                on_scale=bool(on_scale[number]),
                clump=int(groups[number]),
                countable=bool(whole and sharp and seen[number]),
            )
        )
    return tuple(found)

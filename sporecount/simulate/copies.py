"""Copies of a photo's own spores: cut out where they lie alone, and placed at known places in a photo."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.darkening import overlap_of
from sporecount.simulate.truth import SporeTruth

_SEAM_UM = 2.0
"""How far beyond its outline a spore changes a photo: by its rim's refraction, by a phone's sharpening."""
_FADE_UM = 1.5
"""Over which a cut-out fades into its new ground."""


@dataclass(frozen=True)
class SporeCut:
    """A spore cut out of a photo: what share of the light it lets through, in the values of that photo.

    Parameters
    ----------
    gain : ndarray of shape (n, n, 3), float32
        Photo over its ground, 1 outside the spore; n is odd, the spore's centre in the middle pixel.
    um_per_px, length_um, width_um, angle_deg : float
    blur_um : float
        Standard deviation of the blur where it lay.
    """

    gain: np.ndarray
    um_per_px: float
    length_um: float
    width_um: float
    angle_deg: float
    blur_um: float


def cut_spore(
    rgb: np.ndarray,
    x_px: float,
    y_px: float,
    *,
    length_um: float,
    width_um: float,
    angle_deg: float,
    blur_um: float,
    um_per_px: float,
) -> SporeCut:
    """Cut a lone spore out of a photo, along its outline and the seam around it, over the ground beside it.

    Parameters
    ----------
    rgb : ndarray of shape (H, W, 3), uint8
    x_px, y_px, length_um, width_um, angle_deg : float
        Its outline.
    blur_um, um_per_px : float
    """
    wide, ring = _SEAM_UM + blur_um, max(_FADE_UM, 2 * um_per_px)
    reach = int(np.ceil((length_um / 2 + wide + _FADE_UM + ring) / um_per_px))
    cx, cy = round(x_px), round(y_px)
    rows, cols = (
        np.clip(np.arange(middle - reach, middle + reach + 1), 0, size - 1)
        for middle, size in zip((cy, cx), rgb.shape, strict=False)
    )
    part = rgb[np.ix_(rows, cols)].astype(np.float32) + 0.5
    side = np.arange(-reach, reach + 1) * um_per_px
    dx, dy = side[None, :] - (x_px - cx) * um_per_px, side[:, None] - (y_px - cy) * um_per_px
    turn = np.deg2rad(angle_deg)
    along, across = dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn)
    out = np.maximum(2 * np.hypot(along / length_um, across / width_um), 1e-6)  # 1 on the outline
    beyond = np.hypot(along, across) * (1 - 1 / out)  # um from there, outwards
    weight = np.clip((wide + _FADE_UM - beyond) / _FADE_UM, 0, 1).astype(np.float32)
    ground = np.median(part[(weight == 0) & (beyond < wide + _FADE_UM + ring)], axis=0)
    gain = 1 + (part / ground - 1) * weight[..., None]
    return SporeCut(gain, um_per_px, length_um, width_um, angle_deg, blur_um)


def place_cuts(
    rgb: np.ndarray,
    places_px: np.ndarray,
    cuts: Sequence[SporeCut],
    *,
    um_per_px: float,
    blur_um: np.ndarray,
    rng: np.random.Generator,
) -> tuple[np.ndarray, tuple[SporeTruth, ...]]:
    """Place a cut-out at each place, turned by quarters and mirrored by chance, blurred where the place is more.

    Nothing is sharpened. The grain that a cut-out brings along stands for that which the darkening takes away.

    Parameters
    ----------
    rgb : ndarray of shape (H, W, 3), uint8
        Left unchanged.
    places_px : ndarray of shape (n, 2)
        x, y; rounded to whole pixels.
    cuts : sequence of SporeCut
        As many.
    um_per_px : float
    blur_um : ndarray of shape (n,)
        Of the places.
    rng : numpy.random.Generator

    Returns
    -------
    rgb : ndarray of shape (H, W, 3), uint8
    truth : tuple of SporeTruth
        `contrast` and `countable` are not judged: they are the original's.
    """
    out, truth = rgb.copy(), []
    for (x, y), cut, blur in zip(np.round(places_px).astype(int), cuts, blur_um, strict=True):
        gain, angle = cut.gain, cut.angle_deg
        zoom = cut.um_per_px / um_per_px
        if abs(zoom - 1) > 0.01:
            half = max(1, round(zoom * gain.shape[0] / 2))
            gain = cv2.resize(
                gain, (2 * half + 1,) * 2, interpolation=cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC
            )
        turns, mirrored = int(rng.integers(4)), bool(rng.integers(2))
        gain = np.rot90(gain, turns)
        angle -= 90.0 * turns
        if mirrored:
            gain, angle = gain[:, ::-1], -angle
        more = np.sqrt(max(blur**2 - cut.blur_um**2, 0.0)) / um_per_px
        if more > 0.5:
            wide = int(np.ceil(3 * more))
            gain = cv2.copyMakeBorder(gain, *(wide,) * 4, cv2.BORDER_CONSTANT, value=(1, 1, 1))
            gain = cv2.GaussianBlur(gain, (0, 0), more)
        if (boxes := overlap_of(out, gain, x, y)) is not None:
            own, there = boxes
            out[there] = np.clip(out[there] * gain[own] + 0.5, 0, 255).astype(np.uint8)
        truth.append(
            SporeTruth(
                x_px=float(x), y_px=float(y), length_um=cut.length_um, width_um=cut.width_um,
                angle_deg=float(angle % 180), visible=1.0, blur_um=float(max(blur, cut.blur_um)), contrast=np.nan,
                on_scale=False, clump=1, countable=True,
            )
        )  # fmt: skip
    return out, tuple(truth)

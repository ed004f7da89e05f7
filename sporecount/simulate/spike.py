"""Simulated spores placed at known places in an existing photo, to measure how many of them are found."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.account import blurred_contrast
from sporecount.simulate.painters import spore_stamp
from sporecount.simulate.truth import SporeTruth


@dataclass(frozen=True)
class SpikeSpore:
    """What spiked-in spores look like.

    Parameters
    ----------
    length_um, ratio : float
        Mean length, and length / width.
    length_cv : float
        Spread of the length, relative.
    amber : tuple of float
        Optical density of red, green, blue through the thickest place.
    pointed : float
        0 ellipse to 1 lemon.
    wall, core : float
        How much darker the rim and lighter the middle is.
    """

    length_um: float = 11.5
    ratio: float = 1.5
    length_cv: float = 0.06
    amber: tuple[float, float, float] = (0.16, 0.38, 0.62)
    pointed: float = 0.5
    wall: float = 0.5
    core: float = 0.25


def spike_in(
    rgb: np.ndarray,
    places_px: np.ndarray,
    *,
    um_per_px: float,
    blur_um: float | np.ndarray,
    rng: np.random.Generator,
    spore: SpikeSpore | None = None,
    gamma: float = 2.2,
) -> tuple[np.ndarray, tuple[SporeTruth, ...]]:
    """Darken a photo where spores are placed, in optical density, with the blur and grain of the place.

    The light behind a spore is what the photo shows there (its texture stays, dimmed), so tint, shade and
    background need no guess. A dimmed place would also lose its grain; what the dimming took away is put back
    as noise of the spread measured around the spore.

    Parameters
    ----------
    rgb : ndarray of shape (H, W, 3), uint8
        Left unchanged.
    places_px : ndarray of shape (n, 2)
        Centres x, y.
    um_per_px : float
    blur_um : float or ndarray of shape (n,)
        Standard deviation of the blur at each place.
    rng : numpy.random.Generator
        Draws size, angle and grain.
    spore : SpikeSpore, optional
    gamma : float
        Of the photo's tone curve.

    Returns
    -------
    rgb : ndarray of shape (H, W, 3), uint8
    truth : tuple of SporeTruth
        One for each place, in its order. `countable` says no more than that the centre lies in the photo, the
        blur is at most 0.45 of the length and the contrast at least 0.03.

    Raises
    ------
    ValueError
        If `places_px` is not (n, 2) or `um_per_px` is not positive.
    """
    places = np.asarray(places_px, float).reshape(-1, 2) if np.size(places_px) else np.zeros((0, 2))
    if np.ndim(places_px) not in (1, 2) or (
        np.ndim(places_px) == 2 and np.size(places_px) and np.shape(places_px)[1] != 2
    ):
        raise ValueError(f"places_px must be (n, 2), got {np.shape(places_px)}")
    if not um_per_px > 0:
        raise ValueError(f"um_per_px must be positive, got {um_per_px}")
    spore = spore or SpikeSpore()
    blurs = np.broadcast_to(np.asarray(blur_um, float), (len(places),))
    out, truth = rgb.copy(), []
    for (x, y), blur in zip(places, blurs, strict=True):
        length = max(spore.length_um * (1 + spore.length_cv * rng.normal()), 0.3 * spore.length_um)
        look = {
            "length_um": float(length),
            "width_um": float(length / spore.ratio),
            "pointed": spore.pointed,
            "amber": np.asarray(spore.amber) * np.exp(rng.normal(0, 0.1)),
            "wall": spore.wall,
            "core": spore.core,
        }
        angle = float(rng.uniform(0, 180))
        share = _stamp(out, rgb, x, y, angle, look, float(blur), um_per_px, gamma, rng)
        contrast = blurred_contrast(look, float(blur))
        inside = 0 <= round(x) < rgb.shape[1] and 0 <= round(y) < rgb.shape[0]
        truth.append(
            SporeTruth(
                x_px=float(x),
                y_px=float(y),
                length_um=look["length_um"],
                width_um=look["width_um"],
                angle_deg=angle,
                visible=share,
                blur_um=float(blur),
                contrast=contrast,
                on_scale=False,
                clump=1,
                countable=bool(inside and share >= 0.5 and blur <= 0.45 * length and contrast >= 0.03),
            )
        )
    return out, tuple(truth)


def _stamp(
    out: np.ndarray,
    original: np.ndarray,
    x: float,
    y: float,
    angle_deg: float,
    look: dict,
    blur_um: float,
    um_per_px: float,
    gamma: float,
    rng: np.random.Generator,
) -> float:
    """Darken `out` under one spore; returns the share of the spore that lies in the photo."""
    reach = int(np.ceil((look["length_um"] / 2 + 3 * blur_um) / um_per_px)) + 2
    cx, cy = round(x), round(y)
    fine = int(np.clip(np.ceil(um_per_px / 0.25), 1, 6))
    side = (np.arange((2 * reach + 1) * fine) + 0.5) / fine - 0.5 - reach
    dx, dy = (side + cx - x)[None, :] * um_per_px, (side + cy - y)[:, None] * um_per_px
    turn = np.deg2rad(angle_deg)
    body, mask, _ = spore_stamp(
        dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn), look
    )
    through = np.exp(-2.302585 * body[..., None] * look["amber"]).astype(np.float32)
    size = (2 * reach + 1, 2 * reach + 1)
    through = cv2.resize(through, size, interpolation=cv2.INTER_AREA)
    mask = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    if blur_um / um_per_px > 0.25:
        through = cv2.GaussianBlur(through, (0, 0), blur_um / um_per_px)
    top, left = max(cy - reach, 0), max(cx - reach, 0)
    bottom, right = min(cy + reach + 1, out.shape[0]), min(cx + reach + 1, out.shape[1])
    if top >= bottom or left >= right:
        return 0.0
    own = np.s_[top - cy + reach : bottom - cy + reach, left - cx + reach : right - cx + reach]
    part = out[top:bottom, left:right].astype(np.float32)
    gain = through[own] ** np.float32(1 / gamma)
    around = original[top:bottom, left:right].astype(np.float32)
    grain = around - cv2.blur(around, (3, 3), borderType=cv2.BORDER_REFLECT)
    spread = (
        np.median(np.abs(grain), axis=(0, 1)) * 1.4826 * 1.06
    )  # the 3 x 3 mean takes a ninth of the variance
    lost = np.sqrt(np.maximum(1 - gain**2, 0)) * spread
    part = part * gain + rng.standard_normal(part.shape).astype(np.float32) * lost
    out[top:bottom, left:right] = np.clip(part + 0.5, 0, 255).astype(np.uint8)
    return float(mask[own].sum() / max(mask.sum(), 1e-6))

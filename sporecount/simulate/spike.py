"""Simulated spores placed at known places in an existing photo, to measure how many of them are found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from sporecount.simulate.account import blurred_contrast
from sporecount.simulate.darkening import LN10, darken, overlap_of
from sporecount.simulate.painters import spore_stamp
from sporecount.simulate.truth import SporeTruth


@dataclass(frozen=True)
class SpikeSpore:
    """What spiked-in spores look like; a pair is a range from which each spore draws.

    Parameters
    ----------
    length_um, ratio : float
        Mean length, and length / width.
    length_cv, ratio_cv, density_cv : float
        Spread from spore to spore, relative.
    amber : tuple of float
        Optical density of red, green, blue through the thickest place.
    pointed : (low, high)
        0 ellipse to 1 lemon.
    wall, core : (low, high)
        How much darker the rim and lighter the middle is.
    halo : (low, high)
        Optical density of the bright seam around it, by which a rim's refraction and a phone's sharpening show.
    """

    length_um: float = 11.5
    ratio: float = 1.5
    length_cv: float = 0.06
    ratio_cv: float = 0.05
    density_cv: float = 0.12
    amber: tuple[float, float, float] = (0.22, 0.42, 0.66)
    pointed: tuple[float, float] = (0.2, 0.9)
    wall: tuple[float, float] = (0.3, 1.4)
    core: tuple[float, float] = (0.1, 0.5)
    halo: tuple[float, float] = (0.0, 0.06)


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
    from the photo's own grain beside the spore, so that it has the same spread, colour and size. Colour is
    blurred by a pixel more than brightness, as JPEG keeps it at half the pixels.

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
        look = _draw_look(spore, rng)
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
                countable=bool(
                    inside and share >= 0.5 and blur <= 0.45 * look["length_um"] and contrast >= 0.03
                ),
            )
        )
    return out, tuple(truth)


def _draw_look(spore: SpikeSpore, rng: np.random.Generator) -> dict[str, Any]:
    length = spore.length_um * float(np.clip(1 + spore.length_cv * rng.normal(), 0.6, 1.5))
    ratio = max(spore.ratio * (1 + spore.ratio_cv * rng.normal()), 1.05)
    return {
        "length_um": length,
        "width_um": length / ratio,
        "pointed": rng.uniform(*spore.pointed),
        "amber": np.asarray(spore.amber)
        * np.exp(spore.density_cv * (rng.normal() + 0.3 * rng.normal(size=3))),
        "wall": rng.uniform(*spore.wall),
        "core": rng.uniform(*spore.core),
        "halo": rng.uniform(*spore.halo),
    }


def _stamp(
    out: np.ndarray,
    original: np.ndarray,
    x: float,
    y: float,
    angle_deg: float,
    look: dict[str, Any],
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
    density = (body[..., None] * look["amber"]).astype(np.float32)
    if look["halo"] > 0:
        seam = cv2.GaussianBlur(mask, (0, 0), max(1.2 / um_per_px * fine, 0.5)) * (1 - mask)
        density -= (2 * look["halo"] * seam)[..., None]
    size = (2 * reach + 1, 2 * reach + 1)
    through = cv2.resize(np.exp(-LN10 * density).astype(np.float32), size, interpolation=cv2.INTER_AREA)
    mask = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    if blur_um / um_per_px > 0.25:
        through = cv2.GaussianBlur(through, (0, 0), blur_um / um_per_px)
    boxes = overlap_of(out, through, cx, cy)
    if boxes is None:
        return 0.0
    own, there = boxes
    darken(out, original, there, through[own], gamma, rng)
    return float(mask[own].sum() / max(mask.sum(), 1e-6))

"""A photo of a print at low power: which parts of it are covered by scales."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.records import FieldPreview, Photo, RoundView, Scale, WorkImage
from sporecount.steps.flatten import flatten
from sporecount.steps.round_view import view_mask

_LONG_SIDE_PX = 1200
_LEAST_DENSITY = 0.07
"""Density from which something is more than cloudy card; a scale mostly has 0.1 to 1."""
_OVER_CARD = 4.0
"""Standard deviations of the card's cloudiness that a scale must exceed."""
_FIBRE_UM = 28.0
"""Width up to which a thing is a fibre, a hair or the rim of a bubble; scales are 30 to 80 um wide."""
_LONG_UM, _SLENDER = 250.0, 0.15
"""Things longer than that whose area is below that share of their squared length are fibres all the same."""
_BROAD_SHARE = 0.3
"""Of what hangs together, the share broader than that: less makes a net of fibres, broad only at its knots."""
_SCALE_UM2 = 900.0
"""Least area of a scale or a good piece of one; a spore has some 75."""


@dataclass(frozen=True)
class Overview:
    """A photo of a print at low power, made ready for measuring how far the print reaches.

    Parameters
    ----------
    photo : str
    width_px, height_px : int
        Of the upright photo.
    scale : Scale
    view : RoundView
    preview : FieldPreview
        What lies outside the view is left out.
    scales : ndarray of shape (h, w), bool
        On the preview's grid: covered by butterfly scales.
    """

    photo: str
    width_px: int
    height_px: int
    scale: Scale
    view: RoundView
    preview: FieldPreview
    scales: np.ndarray


def find_scales(photo: Photo, view: RoundView, scale: Scale) -> Overview:
    """Find the scales of a print in a photo at low power.

    A scale is darker than cloudy card and broader than a fibre. Needs a photo of some 12 um per px or finer,
    light that shows scales darker than the card, and a third of the view empty or with gaps.

    Parameters
    ----------
    photo : Photo
    view : RoundView
    scale : Scale

    Returns
    -------
    Overview
    """
    height, width = photo.rgb.shape[:2]
    zoom = min(1.0, _LONG_SIDE_PX / max(height, width))
    size = (max(2, round(width * zoom)), max(2, round(height * zoom)))
    rgb = cv2.resize(photo.rgb, size, interpolation=cv2.INTER_AREA)
    on_grid = RoundView(
        (view.center_x_px + 0.5) * zoom - 0.5,
        (view.center_y_px + 0.5) * zoom - 0.5,
        view.radius_px * zoom,
        view.found,
    )
    seen = view_mask(on_grid, *size, margin=0.97)
    pixel_um = scale.um_per_px / zoom
    flat = flatten(WorkImage(rgb, seen, pixel_um, zoom, zoom, 0, 0, rgb, zoom))
    return Overview(
        photo=photo.name,
        width_px=width,
        height_px=height,
        scale=scale,
        view=view,
        preview=FieldPreview(rgb, np.where(seen, 0, 255).astype(np.uint8), np.zeros(seen.shape, bool), zoom),
        scales=_scales(flat.density, seen, pixel_um),
    )


def _scales(density: np.ndarray, seen: np.ndarray, pixel_um: float) -> np.ndarray:
    """Pixels under scales."""
    smooth = cv2.GaussianBlur(density, (0, 0), 0.8)
    card = smooth[seen]
    middle = float(np.median(card)) if card.size else 0.0
    # 1.4826 times the median deviation is a standard deviation that the scales hardly move
    cloudy = 1.4826 * float(np.median(np.abs(card - middle))) if card.size else 0.0
    dark = ((smooth > max(_LEAST_DENSITY, middle + _OVER_CARD * cloudy)) & seen).astype(np.uint8)
    side = 2 * max(1, round(_FIBRE_UM / 2 / pixel_um)) + 1
    broad = cv2.morphologyEx(dark, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)))
    _, nets, net_stats, _ = cv2.connectedComponentsWithStats(dark, connectivity=4)
    share = np.bincount(nets.ravel(), broad.ravel(), len(net_stats)) / net_stats[:, cv2.CC_STAT_AREA]
    broad = broad * (share > _BROAD_SHARE)[nets].astype(np.uint8)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(broad, connectivity=4)
    area_um2 = stats[:, cv2.CC_STAT_AREA] * pixel_um**2
    long_um = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]) * pixel_um
    kept = (area_um2 > _SCALE_UM2) & ~((long_um > _LONG_UM) & (area_um2 < _SLENDER * long_um**2))
    kept[0] = False
    return np.asarray(kept[labels])

"""From photo pixels to the working grid, the only way in, and back.

All later steps see the same size of spore at 4x, 10x and 40x and cost the same, whatever the camera.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np

from sporecount.records import Photo, RoundView, Scale, WorkImage
from sporecount.settings import CountSettings
from sporecount.steps.round_view import dark_corners, view_mask

PIXELS_PER_SPORE = 5.6
"""Working pixels along the shortest spore looked for: 1.4 um per px for 8 um, enough to find a blob; the close
look parts those that touch. With 7.3 a photo takes an eighth more time and no more is found: F1 of objects 0.952
instead of 0.951 on 220 simulated photos of recipes that no network knew, 0.947 instead of 0.949 on 186 others."""

COARSEST_UM_PER_PX = 1.5
"""No working grid is coarser, however large the spores looked for, unless the photo is: focus and the glance are
measured at so many um per px. Sought as 12 um long and more, 1 in 100 fewer spores were found at 2.1 than at 1.6
(36 simulated photos of four recipes that no network knew)."""

CLOSE_PIXELS_PER_SPORE = 16.0
"""The same for the close look: at 0.5 um per px a spore of 8 um shows its two ends, and the resolution limit of
a 10x objective (1.3 um, Rayleigh) is sampled more than twice."""

_NOT_WORTH_REDUCING = 0.7
"""Photos up to so much finer than the close grid are looked at as they are."""


def to_working_grid(photo: Photo, view: RoundView, scale: Scale, settings: CountSettings) -> WorkImage:
    """Cut out the view and reduce it to both grids. Photos that are coarser stay as they are.

    Parameters
    ----------
    photo : Photo
    view : RoundView
    scale : Scale
    settings : CountSettings

    Returns
    -------
    WorkImage
    """
    height, width = photo.rgb.shape[:2]
    left, top, right, bottom = 0, 0, width, height
    if view.found:
        left = max(0, int(view.center_x_px - view.radius_px))
        top = max(0, int(view.center_y_px - view.radius_px))
        right = min(width, int(np.ceil(view.center_x_px + view.radius_px)) + 1)
        bottom = min(height, int(np.ceil(view.center_y_px + view.radius_px)) + 1)
    cut = photo.rgb[top:bottom, left:right]
    close_zoom = scale.um_per_px * CLOSE_PIXELS_PER_SPORE / settings.spore_length_min_um
    if close_zoom <= 0.5:  # sides that can be halved three times, so that no place moves
        cut = cut[: cut.shape[0] // 8 * 8, : cut.shape[1] // 8 * 8]
    close = cut if close_zoom > _NOT_WORTH_REDUCING else reduced(cut, _size(cut, close_zoom))
    close_zoom = close.shape[1] / cut.shape[1]
    wished_um_per_px = min(settings.spore_length_min_um / PIXELS_PER_SPORE, COARSEST_UM_PER_PX)
    zoom = min(1.0, scale.um_per_px / wished_um_per_px)
    work = cut if zoom == 1.0 else reduced(close, _size(close, zoom / close_zoom))
    zoom = work.shape[1] / cut.shape[1]
    on_grid = RoundView(
        (view.center_x_px - left + 0.5) * zoom - 0.5,
        (view.center_y_px - top + 0.5) * zoom - 0.5,
        view.radius_px * zoom,
        view.found,
    )
    seen = view_mask(on_grid, work.shape[1], work.shape[0])
    return WorkImage(
        rgb=work,
        seen=seen if view.found else seen & ~dark_corners(work),
        um_per_px=scale.um_per_px / zoom,
        zoom=zoom,
        zoom_down=work.shape[0] / cut.shape[0],
        left_px=left,
        top_px=top,
        close=close,
        close_zoom=close_zoom,
    )


def _size(image: np.ndarray, zoom: float) -> tuple[int, int]:
    return max(1, round(image.shape[1] * zoom)), max(1, round(image.shape[0] * zoom))


def size_at(work: WorkImage, um_per_px: float, least_px: int = 2) -> tuple[int, int]:
    """Width and height of the working grid at a coarser scale; no finer than it is.

    Parameters
    ----------
    work : WorkImage
    um_per_px : float
        What is wished; whole pixels make it a little finer or coarser.
    least_px : int
        Of either side.
    """
    height, width = work.seen.shape
    shrink = max(1.0, um_per_px / work.um_per_px)
    return max(least_px, round(width / shrink)), max(least_px, round(height / shrink))


def seen_at(work: WorkImage, size: tuple[int, int], margin_px: int = 0) -> np.ndarray:
    """Tell what is inside the view on another grid, less a margin.

    Parameters
    ----------
    work : WorkImage
    size : tuple of int
        Width and height of the other grid.
    margin_px : int
        How far from what is not seen, and from the picture's edge, along rows and columns.

    Returns
    -------
    ndarray of shape (height, width), bool
    """
    seen = cv2.resize(work.seen.view(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    if margin_px:
        side = 2 * margin_px + 1
        seen = cv2.erode(seen, np.ones((side, side), np.uint8), borderValue=0)
    return np.asarray(seen > 0)


def on_both_grids(work: WorkImage, change: Callable[[np.ndarray], np.ndarray]) -> WorkImage:
    """Change both pictures of a field alike; where they are one picture, once."""
    close = change(work.close)
    return replace(work, close=close, rgb=close if work.rgb is work.close else change(work.rgb))


def reduced(image: np.ndarray, size: tuple[int, int], last: int = cv2.INTER_LINEAR) -> np.ndarray:
    """Reduce a picture by whole steps of two with a box, then by what is left, less than two.

    A box of any other width than two costs ten times as much, so an odd last row or column is left out: places
    then move by less than the last of them is wide.

    Parameters
    ----------
    image : ndarray of shape (h, w) or (h, w, channels), uint8 or float32
    size : tuple of int
        Width and height that are wanted.
    last : int
        How the last step is taken: between neighbours, or where noise matters by `cv2.INTER_AREA`.

    Returns
    -------
    ndarray of that size
    """
    while image.shape[1] >= 2 * size[0] and image.shape[0] >= 2 * size[1]:
        half = image.shape[1] // 2, image.shape[0] // 2
        image = cv2.resize(image[: 2 * half[1], : 2 * half[0]], half, interpolation=cv2.INTER_AREA)
    return cv2.resize(image, size, interpolation=last)


def to_photo(work: WorkImage, row: np.ndarray, col: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Turn working-grid positions into `x_px, y_px` of the upright photo.

    Parameters
    ----------
    work : WorkImage
    row, col : ndarray

    Returns
    -------
    x_px, y_px : ndarray
    """
    return (
        (np.asarray(col, float) + 0.5) / work.zoom - 0.5 + work.left_px,
        (np.asarray(row, float) + 0.5) / work.zoom_down - 0.5 + work.top_px,
    )


def from_photo(work: WorkImage, x_px: np.ndarray, y_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Turn places of the upright photo into working-grid positions `row, col`; `to_photo` turns them back."""
    return (
        (np.asarray(y_px, float) - work.top_px + 0.5) * work.zoom_down - 0.5,
        (np.asarray(x_px, float) - work.left_px + 0.5) * work.zoom - 0.5,
    )

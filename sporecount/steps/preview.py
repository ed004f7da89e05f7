"""A small picture of a field with what was left out of it."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.records import Clutter, FieldPreview, Photo, WorkImage
from sporecount.steps.field_tally import SHARP_UM
from sporecount.steps.rescale import reduced

_LONG_SIDE_PX = 1000


def make_preview(photo: Photo, work: WorkImage, clutter: Clutter, blur_um: np.ndarray) -> FieldPreview:
    """Reduce the photo and bring the masks onto the same small grid.

    Parameters
    ----------
    photo : Photo
    work : WorkImage
    clutter : Clutter
    blur_um : ndarray of shape (tile rows, tile columns)

    Returns
    -------
    FieldPreview
    """
    height, width = photo.rgb.shape[:2]
    zoom = min(1.0, _LONG_SIDE_PX / max(height, width))
    size = (max(1, round(width * zoom)), max(1, round(height * zoom)))
    rgb = reduced(photo.rgb, size)
    left_out = np.full((size[1], size[0]), 255, np.uint8)
    blurred = np.zeros((size[1], size[0]), bool)
    top, left = round(work.top_px * zoom), round(work.left_px * zoom)
    work_height, work_width = work.seen.shape
    inner = (
        min(size[0] - left, max(1, round(work_width / work.zoom * zoom))),
        min(size[1] - top, max(1, round(work_height / work.zoom * zoom))),
    )
    box = (slice(top, top + inner[1]), slice(left, left + inner[0]))
    kind, seen = (
        cv2.resize(one, inner, interpolation=cv2.INTER_NEAREST)
        for one in (clutter.kind, work.seen.view(np.uint8))
    )
    left_out[box] = np.where(seen, kind, 255)
    blur = cv2.resize(blur_um.astype(np.float32), inner, interpolation=cv2.INTER_NEAREST)
    blurred[box] = (blur > SHARP_UM) & (left_out[box] != 255)
    return FieldPreview(rgb=rgb, left_out=left_out, blurred=blurred, zoom=zoom)

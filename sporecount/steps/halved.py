"""Photos read at half their size: what is found there, told in pixels of the whole photo, and back.

A photo of 48 or 64 megapixels holds the same view as one of 12 to 16, finer than any objective shows it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from sporecount.records import FieldPreview, FieldResult, RoundView

LEAST_VIEW_PX = 2400
"""Of the round view across, in a photo of half the size; below, the photo is read whole. A usual photo of 12
megapixels has it 2400 to 3000 px wide."""


def resized_view(view: RoundView, by: float) -> RoundView:
    """Tell a round view on a grid of `by` times as many pixels along a side."""
    return replace(
        view,
        center_x_px=_place(view.center_x_px, by),
        center_y_px=_place(view.center_y_px, by),
        radius_px=view.radius_px * by,
    )


def resized_field(field: FieldResult, by: float) -> FieldResult:
    """Tell a field on a grid of `by` times as many pixels along a side; nothing in um changes."""
    objects, scale = field.objects, field.scale
    return replace(
        field,
        width_px=round(field.width_px * by),
        height_px=round(field.height_px * by),
        scale=replace(scale, um_per_px=scale.um_per_px / by, um_per_px_u=scale.um_per_px_u / by),
        view=resized_view(field.view, by),
        objects=replace(objects, x_px=_place(objects.x_px, by), y_px=_place(objects.y_px, by)),
    )


def resized_preview(preview: FieldPreview, by: float) -> FieldPreview:
    """Tell the preview of such a field: it has the fewer pixels to one of the photo."""
    return replace(preview, zoom=preview.zoom / by)


def _place(px: Any, by: float) -> Any:
    return (px + 0.5) * by - 0.5

"""The map of a print, drawn from where its fields lie and what of them counts."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import cv2
import numpy as np

from sporecount.records import FieldPreview, FieldResult, PrintTally
from sporecount.report.print_map import FieldPlace, WholePrint, print_map_svg
from sporecount.steps.overlap import FieldOnMap, PrintMap
from sporecount.steps.registration import move, objects_um, to_um

_LEAST_SHARE = 0.002
"""Left-out parts below this share of the view are not drawn."""
_OUTSIDE = 255


def draw_map(
    placed: PrintMap,
    fields: Sequence[FieldResult],
    previews: Callable[[str], FieldPreview],
    tally: PrintTally,
) -> str:
    """Draw the map of a print.

    Parameters
    ----------
    placed : PrintMap
    fields : sequence of FieldResult
        Those of the map, and perhaps others.
    previews : callable
        Photo name to its preview.
    tally : PrintTally
        Of the print; the outline by its overview photos is drawn beside the fields at the same scale.

    Returns
    -------
    str
        SVG; empty with fewer than two fields on the map and no outline, which tell nothing of a print.
    """
    outlines = [np.array(one) for one in tally.print_outlines_um]
    whole = WholePrint(outlines, tally.print_area_source == "measured") if outlines else None
    if not placed.fields or (len(placed.fields) < 2 and whole is None):
        return ""
    known = {field.photo: field for field in fields}
    places: dict[int, list[FieldOnMap]] = {}
    for one in placed.fields:
        places.setdefault(one.place, []).append(one)
    return print_map_svg(
        [_place(photos, known, previews) for photos in places.values()],
        known[placed.fields[0].photo].sample,
        whole,
    )


def _place(
    photos: Sequence[FieldOnMap],
    fields: Mapping[str, FieldResult],
    previews: Callable[[str], FieldPreview],
) -> FieldPlace:
    """One place: the view of the photo that stands for most of it, the spores of all its photos."""
    main = max(photos, key=lambda one: one.part.own_share)
    field, view = fields[main.photo], fields[main.photo].view
    centre = move(main.matrix, to_um(field, np.array([view.center_x_px]), np.array([view.center_y_px])))[0]
    spores = [
        move(one.matrix, objects_um(fields[one.photo])[fields[one.photo].counted & ~one.part.repeat])
        for one in photos
    ]
    return FieldPlace(
        number=", ".join(str(one.field) for one in photos),
        x_um=float(centre[0]),
        y_um=float(centre[1]),
        radius_um=view.radius_px * field.scale.um_per_px,
        spores_um=np.concatenate(spores),
        left_out_um=[move(main.matrix, outline) for outline in _left_out(field, previews(main.photo))],
    )


def _left_out(field: FieldResult, preview: FieldPreview) -> list[np.ndarray]:
    """Outlines of what was left out inside the view, in um of the field."""
    hidden = ((preview.left_out > 0) & (preview.left_out != _OUTSIDE)).astype(np.uint8)
    least_px = _LEAST_SHARE * float((preview.left_out != _OUTSIDE).sum())
    outlines, _ = cv2.findContours(hidden, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    smooth = [
        cv2.approxPolyDP(one, 2.0, closed=True)[:, 0].astype(float)
        for one in outlines
        if cv2.contourArea(one) >= least_px
    ]
    return [
        to_um(field, *((corners + 0.5) / preview.zoom - 0.5).T) for corners in smooth if len(corners) >= 3
    ]

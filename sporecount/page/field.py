"""Field: a photo at full size with what was found in it."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import simplejpeg
from PIL import Image
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from sporecount.errors import PhotoError
from sporecount.page.answers import desk_of, page, say
from sporecount.page.desk import Desk, said_of_field
from sporecount.page.opened import photo_id
from sporecount.readings import current
from sporecount.records import CLUTTER_KINDS, KINDS, FieldPreview, FieldResult
from sporecount.report import field_sentence
from sporecount.report.words import reason_words
from sporecount.session.tiles import LAYERS
from sporecount.settings import CountSettings

_OUTSIDE = 255
_KEEP = {"cache-control": "private, max-age=86400, immutable"}


def _field(request: Request) -> tuple[Desk, FieldResult]:
    desk = desk_of(request)
    field = desk.field(request.path_params["photo"])
    if field is None:
        raise HTTPException(404, "There is no counted photo of this address.")
    return desk, field


def show(request: Request) -> Response:
    """Show a field."""
    desk, field = _field(request)
    opened = desk.session()
    at = photo_id(field.photo)
    rows = opened.rows if opened is not None else []
    place = next((number for number, row in enumerate(rows) if row.id == at), None)
    settled = desk.tallies.field(opened, at) if opened is not None else None
    doubts, remarks, remedies = reason_words(field.tally.reasons)
    return page(
        request,
        "field.html",
        at=at,
        field=field,
        sentence=field_sentence(field.tally),
        settled=settled.tally if settled is not None and settled is not field else None,
        settled_sentence=field_sentence(settled.tally) if settled is not None else "",
        doubts=doubts,
        remarks=remarks,
        remedies=remedies,
        before=rows[place - 1] if place else None,
        after=rows[place + 1] if place is not None and place + 1 < len(rows) else None,
    )


def objects(request: Request) -> Response:
    """Give the objects of a field, with what readers said of them."""
    desk, field = _field(request)
    knobs = opened.settings if (opened := desk.session()) is not None else CountSettings()
    said = [
        {"x": one.x_px, "y": one.y_px, "says": one.says, "reader": one.reader, "round": one.round}
        for one in current(desk.book.readings(field.photo))
    ]
    return say(
        geometry(field) | {"objects": columns(field), "kinds": KINDS, "readings": said} | bounds(knobs)
    )


def geometry(field: FieldResult) -> dict[str, Any]:
    """Give what is needed to measure in a photo."""
    return {
        "width": field.width_px,
        "height": field.height_px,
        "um_per_px": field.scale.um_per_px,
        "um_per_px_u": field.scale.um_per_px_u,
        "k1": field.scale.k1,
        "view": [field.view.center_x_px, field.view.center_y_px, field.view.radius_px],
        "view_found": field.view.found,
    }


def bounds(knobs: CountSettings) -> dict[str, Any]:
    """Give the probabilities between which an object is doubtful, and from which it counts."""
    return {"doubt_low": knobs.doubt_low, "doubt_high": knobs.doubt_high, "count_from": knobs.count_from}


def columns(field: FieldResult) -> dict[str, Any]:
    """Give the objects as columns."""
    measured = field.objects
    rounded = {
        "x": (measured.x_px, 2), "y": (measured.y_px, 2), "length": (measured.length_um, 2),
        "width": (measured.width_um, 2), "angle": (measured.angle_deg, 1), "area": (measured.area_um2, 1),
        "density": (measured.optical_density, 3), "amber": (measured.amber, 2),
        "sharpness": (measured.sharpness, 3), "p": (field.kinds.spore, 4),
    }  # fmt: skip
    return {
        name: np.round(np.asarray(values, float), digits).tolist()
        for name, (values, digits) in rounded.items()
    } | {
        "kind": (1 + field.kinds.probability[:, 1:].argmax(axis=1)).tolist() if len(measured) else [],
        "counted": field.counted.tolist(),
        "clump": measured.clump.tolist(),
        "on_scale": measured.on_scale.tolist(),
    }


async def about(request: Request) -> Response:
    """Cut a photo into tiles, and tell how."""
    layer = request.path_params["layer"]
    if layer not in LAYERS:
        raise HTTPException(404, "There is no such view of a photo.")
    desk, field = await run_in_threadpool(_field, request)
    path = desk.photo_path(field.photo)
    if path is None:
        raise PhotoError(
            "the photo is not in the session's folder any more",
            code="no-photo",
            where=field.photo,
            remedy="Copy it into the folder again",
        )
    return say(await run_in_threadpool(desk.shelf.about, path, field.photo, layer, field.scale))


def tile(request: Request) -> Response:
    """Give a tile."""
    said = request.path_params
    path = desk_of(request).shelf.tile(said["set"], said["level"], said["col"], said["row"])
    if path is None:
        raise HTTPException(404, "There is no such tile.")
    return FileResponse(path, media_type="image/jpeg", headers=_KEEP)


def _preview(request: Request) -> FieldPreview:
    preview = desk_of(request).preview(request.path_params["photo"])
    if preview is None:
        raise HTTPException(404, "There is no picture of this photo.")
    return preview


def whole(request: Request) -> Response:
    """Give the reduced photo."""
    rgb = np.ascontiguousarray(_preview(request).rgb)
    return Response(simplejpeg.encode_jpeg(rgb, quality=85, colorspace="RGB"), media_type="image/jpeg")


def mask(request: Request) -> Response:
    """Give what was left out, or what is blurred, as a mask: opaque there."""
    preview = _preview(request)
    if request.path_params["what"] == "blurred":
        marked = preview.blurred & (preview.left_out == 0)
    else:
        marked = (preview.left_out > 0) & (preview.left_out != _OUTSIDE)
    grey = np.zeros((*marked.shape, 2), np.uint8)
    grey[..., 1] = np.where(marked, 255, 0)
    out = io.BytesIO()
    Image.fromarray(grey, "LA").save(out, "PNG")
    return Response(out.getvalue(), media_type="image/png")


def left_out(request: Request) -> Response:
    """Tell the share of the view that each kind of clutter hides."""
    marks = _preview(request).left_out
    seen = max(int((marks != _OUTSIDE).sum()), 1)
    shares = {name: float((marks == at + 1).sum()) / seen for at, name in enumerate(CLUTTER_KINDS)}
    return say({name: share for name, share in shares.items() if share > 0.0005})


def word(request: Request) -> Response:
    """Tell what a field shows now, with its readings."""
    desk, field = _field(request)
    opened = desk.session()
    settled = desk.tallies.field(opened, photo_id(field.photo)) if opened is not None else None
    return say({"machine": said_of_field(field.tally), "now": said_of_field((settled or field).tally)})


routes = [
    Route("/field/{photo}", show),
    Route("/photo/{photo}/objects.json", objects),
    Route("/photo/{photo}/tally.json", word),
    Route("/photo/{photo}/whole.jpg", whole),
    Route("/photo/{photo}/left-out.json", left_out),
    Route("/photo/{photo}/mask-{what}.png", mask),
    Route("/photo/{photo}/{layer}/about.json", about),
    Route("/tiles/{set}/{level:int}/{col:int}_{row:int}.jpg", tile),
]

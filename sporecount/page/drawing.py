"""Calibrate without a ruling: a thing of known length, drawn on a photo of the walk."""

from __future__ import annotations

import math
from datetime import date
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from sporecount.calibration.profile import stated
from sporecount.calibration.records import AdapterProfile
from sporecount.page.answers import desk_of, number_of, said_in, say
from sporecount.page.calibrate import name_said, say_kept
from sporecount.page.desk import Desk
from sporecount.page.opened import photo_id
from sporecount.records import Scale
from sporecount.report.words import reason_words
from sporecount.session.calibrating import need_objective, store
from sporecount.session.without_ruling import KnownLength, Seen, tell_without_ruling, write_rough_certificate

_MOST_DRAWINGS = 20
_FAR = 1e9
_MISSING = "There is no such photo."


def _seen(desk: Desk, at: str) -> Seen:
    seen = desk.walk.see(at)
    if seen is None:
        raise HTTPException(404, _MISSING)
    return seen


async def sight(request: Request) -> Response:
    """Give what is needed to show a photo: its size, and where its round view is."""
    seen = await run_in_threadpool(_seen, desk_of(request), request.path_params["photo"])
    view = seen.view
    return say(
        {
            "name": seen.name,
            "width": seen.width_px,
            "height": seen.height_px,
            "view": [view.center_x_px, view.center_y_px, view.radius_px],
            "view_found": view.found,
        }
    )


async def about(request: Request) -> Response:
    """Cut a photo into tiles, and tell how."""
    desk = desk_of(request)
    found = desk.walk.file(request.path_params["photo"])
    if found is None:
        raise HTTPException(404, _MISSING)
    name, path = found
    no_scale = Scale(1.0)  # only the density needs one
    return say(await run_in_threadpool(desk.shelf.about, path, name, "photo", no_scale))


async def tell(request: Request) -> Response:
    """Tell the scale that a drawing gives, or why it gives none."""
    said = await said_in(request)
    profile, remarks, *_ = await run_in_threadpool(_told, desk_of(request), said, "not named yet")
    value, spread = stated(profile.um_per_px, profile.um_per_px_u)
    doubts, _, remedies = reason_words(profile.reasons)
    return say(
        {
            "um_per_px": profile.um_per_px,
            "um_per_px_u": profile.um_per_px_u,
            "stated": [value, spread],
            "percent": 100 * profile.um_per_px_u / profile.um_per_px,
            "how": profile.how,
            "remarks": remarks,
            "flag": [*doubts, *remedies],
        }
    )


async def keep(request: Request) -> Response:
    """Store the approximate profile under a name; count with it when that is wanted."""
    said = await said_in(request)
    return say(await run_in_threadpool(_keep, desk_of(request), said, name_said(said)))


def _keep(desk: Desk, said: dict[str, Any], name: str) -> dict[str, Any]:
    need_objective(desk.walk.rig.objective)
    profile, remarks, seen, known = _told(desk, said, name)
    path, checks = store(profile)
    certificate = path.with_suffix(".html")
    write_rough_certificate(certificate, profile, seen, known, remarks)
    kept = say_kept(desk, profile, checks, bool(said.get("count_with")))
    return kept | {"certificate": photo_id(certificate.stem)}


def _told(desk: Desk, said: dict[str, Any], name: str) -> tuple[AdapterProfile, list[str], Seen, KnownLength]:
    within = said.get("within_um")
    known = KnownLength(
        number_of(said.get("length_um", ""), "The length", -_FAR, _FAR),
        _lines(said.get("lines")),
        0.0 if within in (None, "") else number_of(within, "How well the length is known", 0, _FAR),
        str(said.get("thing", "")),
    )
    rig = desk.walk.rig
    seen = _seen(desk, str(said.get("photo", "")))
    profile, remarks = tell_without_ruling(
        seen,
        name=name,
        date=date.today().isoformat(),
        objective=rig.objective,
        field_number_mm=rig.field_number_mm,
        known=known,
    )
    return profile, remarks, seen, known


def _lines(said: Any) -> tuple[tuple[float, float, float, float], ...]:
    wrong = HTTPException(400, f"A drawing is x, y, x, y in pixels, and there may be {_MOST_DRAWINGS}.")
    if not isinstance(said, list) or len(said) > _MOST_DRAWINGS:
        raise wrong
    lines = []
    for line in said:
        if not (isinstance(line, list) and len(line) == 4 and all(_is_place(one) for one in line)):
            raise wrong
        x0, y0, x1, y1 = map(float, line)
        lines.append((x0, y0, x1, y1))
    return tuple(lines)


def _is_place(one: Any) -> bool:
    return (
        isinstance(one, (int, float)) and not isinstance(one, bool) and math.isfinite(one) and abs(one) < _FAR
    )


routes = [
    Route("/calibrate/photo/{photo}/sight.json", sight),
    Route("/calibrate/photo/{photo}/photo/about.json", about),
    Route("/calibrate/length", tell, methods=["POST"]),
    Route("/calibrate/length/keep", keep, methods=["POST"]),
]

"""Calibrate: a guided walk from photos of a ruling to an adapter profile and its certificate."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from sporecount.calibration.records import AdapterProfile, CalibrationCheck
from sporecount.calibration.refusals import REFUSALS
from sporecount.errors import CalibrationError
from sporecount.files.profiles import list_profiles, profile_folder
from sporecount.page.answers import desk_of, number_of, page, said_in, say
from sporecount.page.desk import Desk
from sporecount.page.opened import photo_id
from sporecount.page.walk import Rig, Walk
from sporecount.session.live import Wish
from sporecount.session.ruling_walk import RulingRead, against_stored, join, keep

_CERTIFICATE_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
"""The certificate is a page of its own, without script and with its own style inside."""

_IN_THE_FIELDS = {
    "division-unknown": "Fill in the finest division in step 2 (it is engraved on the ruling, often 10), or the "
    "objective there, with the whole round view in the photo",
}
"""What to do, said for the fields of this place, where the words of the list speak of the command line."""


def _walk(request: Request) -> Walk:
    return desk_of(request).walk


def name_said(said: dict[str, Any]) -> str:
    """Read the adapter's name that a form sent.

    Raises
    ------
    HTTPException
        400 when there is none.
    """
    name = str(said.get("name", "")).strip()
    if not name:
        raise HTTPException(400, "Give the adapter a name.")
    return name


def say_kept(
    desk: Desk, profile: AdapterProfile, checks: list[CalibrationCheck], count_with: bool
) -> dict[str, Any]:
    """Count with a profile that was stored, when that is wanted, and say how it compares."""
    if count_with:
        wish = Wish(adapter=profile.name, objective=profile.objective, settings=desk.live.wish.settings)
        desk.count_as(wish)
    return {
        "name": profile.name,
        "checks": [{"passed": one.passed, "words": one.words, "rule": one.rule} for one in checks],
    }


def show(request: Request) -> Response:
    """Show the walk."""
    walk = _walk(request)
    return page(request, "calibrate.html", rig=walk.rig, profiles=_stored(), photos=len(walk.names()))


def _stored() -> list[dict[str, Any]]:
    """Give the stored profiles, each with the address of its certificate where it has one."""
    certificates = {path.stem: photo_id(path.stem) for path in profile_folder().glob("*.html")}
    stored = []
    for one in list_profiles():
        path = next(
            (
                path
                for path in profile_folder().glob("*.json")
                if path.stem in certificates and _is(path, one)
            ),
            None,
        )
        stored.append(one | {"certificate": certificates[path.stem] if path is not None else ""})
    return stored


def _is(path: Path, profile: dict[str, Any]) -> bool:
    import json

    try:
        said = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return False
    return bool(said == profile)


async def take(request: Request) -> Response:
    """Take a photo of a ruling."""
    length = request.headers.get("content-length")
    size = int(length) if length is not None and length.isdigit() else None
    name = await _walk(request).take(request.query_params.get("name", ""), size, request.stream())
    return say({"name": name})


async def rig(request: Request) -> Response:
    """Say what the microscope is."""
    said = await said_in(request)
    objective, division = said.get("objective"), said.get("division_um")
    _walk(request).say(
        Rig(
            number_of(objective, "The objective", 0.5, 200) if objective not in (None, "") else None,
            number_of(division, "The division", 0.1, 2000) if division not in (None, "") else None,
            number_of(said.get("field_number_mm", 18), "The field number", 5, 30),
        )
    )
    return say({"taken": True})


async def read(request: Request) -> Response:
    """Read the photos and tell what they say together."""
    return say(await run_in_threadpool(_read, _walk(request)))


def _read(walk: Walk) -> dict[str, Any]:
    reads = walk.reads()
    said: dict[str, Any] = {
        "photos": [_said_of(one) for one in reads],
        "together": None,
        "words": "",
        "checks": [],
    }
    if all(one.reading is None for one in reads):
        ways_out = dict.fromkeys(f"{_remedy(one)}." for one in reads)
        said["words"] = " ".join(("No photo gives a number yet.", *ways_out)) if reads else ""
        return said
    try:
        profile = join(reads, name="not named yet", date=date.today().isoformat())
    except CalibrationError as fault:
        said["words"] = str(fault)
        return said
    said["together"] = {
        "um_per_px": profile.um_per_px,
        "um_per_px_u": profile.um_per_px_u,
        "percent": 100 * profile.um_per_px_u / profile.um_per_px,
        "rulings": profile.rulings,
        "left_out": profile.left_out,
        "spread_percent": 100 * profile.spread,
        "across_percent": 100 * profile.spread_across_view,
        "k1": profile.k1,
        "view_mm": profile.view_diameter_px * profile.um_per_px / 1000 if profile.view_diameter_px else None,
    }
    said["checks"] = [
        {
            "name": one.name,
            "objective": one.objective,
            "date": one.date,
            "passed": check.passed,
            "words": check.words,
            "rule": check.rule,
        }
        for one, check in against_stored(reads, walk.rig.objective)
    ]
    return said


def _remedy(one: RulingRead) -> str:
    return _IN_THE_FIELDS.get(one.code, one.remedy)


def _said_of(one: RulingRead) -> dict[str, Any]:
    at = photo_id(one.name)
    reading = one.reading
    if reading is None:
        picture = one.code in REFUSALS  # refused as a ruling, so it could be opened as a photo
        said = {"id": at, "name": one.name, "good": False, "picture": picture}
        return said | {"what": one.what, "remedy": _remedy(one)}
    half = math.hypot(reading.width_px, reading.height_px) / 2
    return {
        "id": at,
        "name": one.name,
        "good": True,
        "picture": True,
        "um_per_px": reading.um_per_px,
        "um_per_px_u": reading.um_per_px_u,
        "divisions": reading.divisions,
        "division_um": reading.division_um,
        "angle_deg": reading.angle_deg,
        "residual_px": reading.residual_px,
        "bend_percent": 100 * reading.k1 * ((reading.view_radius_px or half) / half) ** 2,
        "warnings": reading.warnings,
    }


def picture(request: Request) -> Response:
    """Give the photo with every line marked, or the charts of its residuals."""
    one = _walk(request).read(request.path_params["photo"])
    if one is None or one.reading is None:
        raise HTTPException(404, "There is no picture of this address.")
    if request.path_params["what"] == "charts":
        return Response(one.charts, media_type="image/svg+xml")
    return Response(one.marked, media_type="image/jpeg")


async def remove(request: Request) -> Response:
    """Put a photo away, or all."""
    said = await said_in(request)
    at = str(said.get("photo", ""))
    walk = _walk(request)
    if at == "all":
        walk.clear()
    elif not walk.remove(at):
        raise HTTPException(404, "There is no such photo.")
    return say({"photos": len(walk.names())})


async def accept(request: Request) -> Response:
    """Store the profile under a name, with its certificate; count with it when that is wanted."""
    said = await said_in(request)
    return say(await run_in_threadpool(_accept, request, name_said(said), bool(said.get("count_with"))))


def _accept(request: Request, name: str, count_with: bool) -> dict[str, Any]:
    walk = _walk(request)
    reads = walk.reads()
    profile = join(reads, name=name, date=date.today().isoformat())
    certificate, checks = keep(profile, reads)
    return say_kept(desk_of(request), profile, checks, count_with) | {
        "certificate": photo_id(certificate.stem)
    }


def certificate(request: Request) -> Response:
    """Give the certificate of a profile."""
    for path in profile_folder().glob("*.html"):
        if photo_id(path.stem) == request.path_params["at"]:
            headers = {"content-security-policy": _CERTIFICATE_POLICY}
            return Response(path.read_bytes(), media_type="text/html", headers=headers)
    raise HTTPException(404, "There is no such certificate.")


routes = [
    Route("/calibrate", show),
    Route("/calibrate/photos", take, methods=["PUT"]),
    Route("/calibrate/rig", rig, methods=["POST"]),
    Route("/calibrate/read.json", read),
    Route("/calibrate/remove", remove, methods=["POST"]),
    Route("/calibrate/accept", accept, methods=["POST"]),
    Route("/calibrate/picture/{photo}/{what}", picture),
    Route("/calibrate/certificate/{at}", certificate),
]

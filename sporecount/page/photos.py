"""Photos: taking them in, counting them, and saying what became of each."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import simplejpeg
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from sporecount.errors import SporecountError
from sporecount.files.profiles import list_profiles
from sporecount.page.answers import desk_of, number_of, page, said_in, say
from sporecount.page.desk import Desk, said_of_field
from sporecount.session.folder import look_into, printable
from sporecount.session.live import Wish
from sporecount.settings import CountSettings

_MOST_OFFERED = 20_000
_SMALL_PX = 320


def show(request: Request) -> Response:
    """Show the tray: drop, scale, progress, and the photos."""
    desk = desk_of(request)
    return page(
        request,
        "photos.html",
        folder=_short_path(desk.folder),
        wish=desk.live.wish,
        adapters=_adapters(desk.live.wish),
        shown=_listed(desk),
        uncounted=_uncounted(desk),
        watching=desk.live.watching,
        state=desk.live.state,
    )


def _short_path(folder: Path) -> str:
    """Give the folder as a person would write it."""
    path = folder.resolve()
    home = Path.home()
    return printable(f"~/{path.relative_to(home).as_posix()}" if home in path.parents else str(path))


def _adapters(wish: Wish) -> list[dict[str, Any]]:
    """List what the photos can be counted with, exactly one of it chosen where an adapter is wished for.

    A wish that no profile meets, or several, is listed by its own name, so that nothing else takes its place.
    """
    named: dict[tuple[str, float | None], dict[str, Any]] = {}
    for one in list_profiles():
        named[str(one["name"]), one.get("objective")] = one | {"chosen": False, "remark": ""}
    listed = list(named.values())
    if wish.adapter is None:
        return listed
    of_name = [one for one in listed if str(one["name"]).casefold() == wish.adapter.casefold()]
    fitting = [
        one for one in of_name if wish.objective is None or one.get("objective") in (None, wish.objective)
    ]
    if len(fitting) == 1:
        fitting[0]["chosen"] = True
        return listed
    remark = "the objective of each photo" if fitting else "not stored"
    own = {"name": wish.adapter, "objective": wish.objective, "chosen": True, "remark": remark}
    return [own, *listed]


def _listed(desk: Desk) -> list[dict[str, Any]]:
    """Give the photos of the results; what the present count adds comes as news."""
    opened = desk.session()
    if opened is None:
        return []
    listed: list[dict[str, Any]] = [
        {"id": row.id, "photo": row.photo, "state": "kept", **said_of_field(row.tally)} for row in opened.rows
    ]
    listed += [
        {"id": "", "photo": one.photo, "state": "failed", "flag": "unusable", "words": one.message}
        for one in opened.result.failed
    ]
    return listed


def _uncounted(desk: Desk) -> int:
    try:
        photos = look_into(desk.folder, desk.out).photos
    except SporecountError:
        return 0
    opened = desk.session()
    if opened is None:
        return len(photos)
    known = {row.photo for row in opened.rows} | {one.photo for one in opened.result.failed}
    noted = " ".join(opened.result.notes)
    return sum(photo.name not in known and photo.name not in noted for photo in photos)


async def offer(request: Request) -> Response:
    """Tell which of the files about to be sent are not here yet, so that only those are sent."""
    said = await said_in(request)
    files = said.get("files")
    if not isinstance(files, list) or len(files) > _MOST_OFFERED:
        raise HTTPException(400, "A list of files was expected.")
    offered = [(str(one["name"]), one["size"]) for one in files if _is_file(one)]
    if len(offered) != len(files):
        raise HTTPException(400, "Each file needs a name and a size.")
    return say({"send": await run_in_threadpool(desk_of(request).tray.lacking, offered)})


def _is_file(one: Any) -> bool:
    return isinstance(one, dict) and isinstance(one.get("name"), str) and isinstance(one.get("size"), int)


async def take(request: Request) -> Response:
    """Take a file; its bytes are the body, its name is in the query."""
    desk = desk_of(request)
    length = request.headers.get("content-length")
    size = int(length) if length is not None and length.isdigit() else None
    arrival = await desk.tray.take(request.query_params.get("name", ""), size, request.stream())
    if not arrival.same_as:
        desk.live.ask()
    return say({"name": arrival.name, "same_as": arrival.same_as})


def go(request: Request) -> Response:
    """Count what is new."""
    desk_of(request).live.ask()
    return say({"asked": True})


def stop(request: Request) -> Response:
    """Stop the count; what is counted is kept."""
    desk_of(request).live.stop()
    return say({"asked": True})


async def watch(request: Request) -> Response:
    """Count whatever appears in the folder, or leave it alone."""
    on = bool((await said_in(request)).get("on"))
    desk_of(request).live.watch(on)
    return say({"on": on})


async def scale(request: Request) -> Response:
    """Say how the photos were taken."""
    desk = desk_of(request)
    said = await said_in(request)
    await run_in_threadpool(desk.count_as, _wish(said, desk.live.wish))
    return say({"asked": True})


def _wish(said: dict[str, Any], before: Wish) -> Wish:
    by = said.get("by")
    objective = said.get("objective")
    power = number_of(objective, "The objective", 0.5, 200) if objective not in (None, "") else None
    knobs = {
        one.name: number_of(
            said[one.name], one.metadata["help"].rstrip("."), one.metadata["low"], one.metadata["high"]
        )
        for one in fields(CountSettings)
        if said.get(one.name) not in (None, "")
    }
    settings = replace(before.settings, **knobs)
    if by == "adapter" and said.get("adapter"):
        return Wish(adapter=str(said["adapter"]), objective=power, settings=settings)
    if by == "um_per_px":
        scale_um = number_of(said.get("um_per_px"), "µm per pixel", 0.005, 100)
        return Wish(um_per_px=scale_um, objective=power, settings=settings)
    return Wish(objective=power, settings=settings)


async def events(request: Request) -> Response:
    """Tell a tab what happens, as it happens."""
    last = request.headers.get("last-event-id", "")
    news = desk_of(request).news.follow(int(last) if last.isdigit() else 0)
    return StreamingResponse(news, media_type="text/event-stream")


def small(request: Request) -> Response:
    """Give a small picture of a photo."""
    preview = desk_of(request).preview(request.path_params["photo"])
    if preview is None:
        raise HTTPException(404, "There is no picture of this photo.")
    step = max(1, -(-max(preview.rgb.shape[:2]) // _SMALL_PX))
    rgb = preview.rgb[: preview.rgb.shape[0] // step * step, : preview.rgb.shape[1] // step * step]
    rgb = rgb.reshape(rgb.shape[0] // step, step, -1, step, 3).mean(axis=(1, 3)).astype("uint8")
    data = simplejpeg.encode_jpeg(rgb, quality=80, colorspace="RGB")
    return Response(data, media_type="image/jpeg", headers={"cache-control": "private, max-age=60"})


routes = [
    Route("/", show),
    Route("/photos/offer", offer, methods=["POST"]),
    Route("/photos", take, methods=["PUT"]),
    Route("/count/go", go, methods=["POST"]),
    Route("/count/stop", stop, methods=["POST"]),
    Route("/count/watch", watch, methods=["POST"]),
    Route("/count/scale", scale, methods=["POST"]),
    Route("/events", events),
    Route("/photo/{photo}/small.jpg", small),
]

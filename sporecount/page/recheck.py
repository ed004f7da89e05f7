"""Re-check: doubtful objects one after the other, and what readers decide on them."""

from __future__ import annotations

from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from sporecount.page.answers import LINE_ID, desk_of, now, number_of, page, reader_name, said_in, say
from sporecount.page.desk import Desk, said_of_field, said_of_print
from sporecount.page.field import geometry
from sporecount.page.opened import Opened, photo_id
from sporecount.readings import SAYS, Doubt, Reading, agreement, current, learnt_words, nearest
from sporecount.records import FieldResult
from sporecount.report.sorts import sort_objects
from sporecount.report.why import why_words
from sporecount.stats.agreement import kappa_sentence

_UNDO = 50
_MOST = 2000
_ROUNDS = (1, 2)


def show(request: Request) -> Response:
    """Show the place; the queue comes by itself."""
    opened = desk_of(request).session()
    return page(
        request,
        "recheck.html",
        counted=opened is not None and bool(opened.rows),
        prints=[tally.sample for tally in opened.result.prints] if opened is not None else [],
        only=request.query_params.get("print", ""),
        blind=request.query_params.get("round") == "2",
    )


def _opened(request: Request) -> tuple[Desk, Opened]:
    desk = desk_of(request)
    opened = desk.session()
    if opened is None:
        raise HTTPException(404, "Nothing is counted yet.")
    return desk, opened


def doubts(request: Request) -> Response:
    """Give the queue, most valuable first, and this reader's last decisions, for taking back."""
    desk, opened = _opened(request)
    turn = 2 if request.query_params.get("round") == "2" else 1
    only, reader = request.query_params.get("print", ""), request.query_params.get("reader", "")
    readings = [one for one in desk.book.readings() if one.round == turn]
    listed = desk.tallies.open_doubts(opened, turn, only, reader)
    mine = [one for one in current(readings) if one.reader == reader][-_UNDO:]
    return say(
        {
            "left": len(listed),
            "decided": len(current(readings)),
            "objects": [_said_of(opened, one, blind=turn == 2) for one in listed[:_MOST]],
            "mine": [
                {"photo": photo_id(one.photo), "x": one.x_px, "y": one.y_px, "says": one.says} for one in mine
            ],
        }
    )


def _said_of(opened: Opened, doubt: Doubt, *, blind: bool) -> dict[str, Any]:
    at = photo_id(doubt.photo)
    row = opened.rows[opened.places[at]]
    said: dict[str, Any] = {
        "photo": at,
        "sample": row.sample,
        "field": row.number,
        "row": doubt.row,
        "x": doubt.x_px,
        "y": doubt.y_px,
    }
    return said if blind else said | {"worth": doubt.value, "differ": doubt.differ}


def one_object(request: Request) -> Response:
    """Tell how an object measures; its probability only to a reader who is not to judge blindly."""
    _, opened = _opened(request)
    field = opened.field(request.path_params["photo"])
    row = int(request.path_params["row"])
    if field is None or row >= len(field.objects):
        raise HTTPException(404, "There is no such object.")
    measured = field.objects
    said = {
        "photo": field.photo,
        "x": float(measured.x_px[row]),
        "y": float(measured.y_px[row]),
        "length_um": float(measured.length_um[row]),
        "width_um": float(measured.width_um[row]),
        "angle": float(measured.angle_deg[row]),
        **geometry(field),
    }
    if request.query_params.get("round") != "2":
        sure = sort_objects(field, opened.settings).sure
        said |= {"p": float(field.kinds.spore[row]), "why": why_words(field, row, sure)}
    return say(said)


async def decide(request: Request) -> Response:
    """Write a decision; what it makes of the field is the answer."""
    said = await said_in(request)
    return await run_in_threadpool(_decide, request, said)


def _decide(request: Request, said: dict[str, Any]) -> Response:
    desk, opened = _opened(request)
    at, line_id = str(said.get("photo", "")), str(said.get("id", ""))
    field = opened.field(at)
    if field is None:
        raise HTTPException(404, "There is no counted photo of this address.")
    if not LINE_ID.fullmatch(line_id):
        raise HTTPException(400, "The decision has no id.")
    if said.get("says") not in SAYS:
        raise HTTPException(400, f"A decision is one of {', '.join(SAYS)}.")
    if said.get("round", 1) not in _ROUNDS:
        raise HTTPException(400, "The round is 1 or 2.")
    if not reader_name(said.get("reader")):
        raise HTTPException(400, "A decision needs the initials of its reader.")
    reading = Reading(
        photo=field.photo,
        x_px=number_of(said.get("x"), "x", -1, field.width_px),
        y_px=number_of(said.get("y"), "y", -1, field.height_px),
        says=said["says"],
        reader=reader_name(said.get("reader")),
        made_at=now(),
        round=said.get("round", 1),
    )
    row = nearest(field.objects, reading.x_px, reading.y_px, 1.0)
    machine = None if row is None else float(field.kinds.spore[row])
    desk.book.write(line_id, reading, sha256=field.sha256, machine=machine)
    desk.tallies.changed(field.sample)
    desk.news.tell("reading", at, photo=at, sample=field.sample, id=line_id)
    return say(_standing(desk, opened, field, reading.round))


def _standing(desk: Desk, opened: Opened, field: FieldResult, turn: int) -> dict[str, Any]:
    """Tell where field and print stand; not to a second reader, whom it would tell of the first."""
    if turn == 2:
        return {}
    settled = desk.tallies.field(opened, photo_id(field.photo)) or field
    return {"machine": said_of_field(field.tally), "now": said_of_field(settled.tally)}


def standing(request: Request) -> Response:
    """Tell where a field and its print stand."""
    desk, opened = _opened(request)
    field = opened.field(request.path_params["photo"])
    if field is None:
        raise HTTPException(404, "There is no counted photo of this address.")
    tally = opened.tally(field.sample)
    now_tally = desk.tallies.of_print(opened, tally) if tally is not None else None
    said = _standing(desk, opened, field, 1) | {
        "sample": field.sample,
        "field": field.field,
        "photo": field.photo,
    }
    if tally is not None:
        said |= {"print": said_of_print(now_tally or tally), "print_machine": said_of_print(tally)}
    return say(said)


def compare(request: Request) -> Response:
    """Tell how far the second reading agrees with the first."""
    desk, _ = _opened(request)
    found = agreement(desk.book.readings())
    both = int(found.table.sum())
    if not both:
        words = "No object has been read twice yet."
    elif found.kappa is None:
        words = "All readings are of one kind so far: the share that agrees is all that can be said."
    else:
        words = kappa_sentence(found.kappa)
    return say(
        {
            "both": both,
            "same": int(found.table.trace()),
            "table": found.table.tolist(),
            "words": words,
            "differing": [
                {"photo": photo_id(one.photo), "x": one.x_px, "y": one.y_px} for one in found.differing
            ],
        }
    )


def learning(request: Request) -> Response:
    """Tell what was learnt from the decisions."""
    desk, opened = _opened(request)
    learnt = desk.tallies.learnt(opened)
    on = bool(desk.book.setting("learning", True))
    words = learnt_words(learnt) if learnt is not None else []
    if on and learnt is None:
        words = ["With eight decisions or more the program learns how this session's spores answer to it."]
    return say({"on": on, "words": words, "shift": learnt.shift if learnt is not None else 0.0})


async def set_learning(request: Request) -> Response:
    """Learn from the decisions, do not, or forget what was learnt so far."""
    said = await said_in(request)
    what = said.get("what")
    if what not in ("on", "off", "forget"):
        raise HTTPException(400, "What to do is on, off or forget.")
    return await run_in_threadpool(_set_learning, request, what)


def _set_learning(request: Request, what: str) -> Response:
    desk, opened = _opened(request)
    if what == "forget":
        desk.book.set("learning_since", now())
    else:
        desk.book.set("learning", what == "on")
    desk.tallies.changed(*(tally.sample for tally in opened.result.prints))
    return learning(request)


routes = [
    Route("/recheck", show),
    Route("/recheck/queue.json", doubts),
    Route("/recheck/object/{photo}/{row:int}.json", one_object),
    Route("/recheck/standing/{photo}.json", standing),
    Route("/recheck/agreement.json", compare),
    Route("/recheck/learning.json", learning),
    Route("/recheck/learning", set_learning, methods=["POST"]),
    Route("/recheck/say", decide, methods=["POST"]),
]

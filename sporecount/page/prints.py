"""Prints: one card each, sorted by what needs a person first."""

from __future__ import annotations

from collections import Counter
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from sporecount.page.answers import LINE_ID, desk_of, now, page, reader_name, said_in, say
from sporecount.page.opened import FieldRow, Opened, photo_id
from sporecount.records import PrintTally
from sporecount.report import field_sentence
from sporecount.report.figures import class_bars_svg, load_ruler_svg
from sporecount.report.phrases import plural
from sporecount.report.session_words import attention_order, session_sentences, simulated_words
from sporecount.report.words import print_verdict
from sporecount.season import KeptVerdict
from sporecount.session.planning import PrintPlan, plan_on
from sporecount.stats.load import HEAVY_FROM_CLASS

DECISIONS = ("hold", "release", "re-test", "open")
"""What a keeper can decide on a print; "open" takes a decision back."""

_RISK = 0.05
_LONGEST_NOTE = 300


def show(request: Request) -> Response:
    """Show the cards."""
    desk = desk_of(request)
    opened = desk.session()
    if opened is None:
        return page(request, "prints.html", cards=[], summary=[], failed=(), notes=())
    result = opened.result
    read = {tally.sample: desk.tallies.of_print(opened, tally) for tally in result.prints}
    now = [read[tally.sample] or tally for tally in result.prints]
    doubtful = Counter(doubt.photo for doubt in desk.tallies.open_doubts(opened))
    decided = desk.book.verdicts()
    cards = [
        card(opened, tally, read[tally.sample], doubtful, decided.get(tally.sample))
        for tally in attention_order(now)
    ]
    summary = session_sentences(now, len(opened.rows), len(result.failed))
    return page(
        request,
        "prints.html",
        cards=cards,
        simulated=simulated_words(result.simulated, len(opened.rows)),
        summary=summary,
        failed=result.failed,
        notes=result.notes,
    )


def card(
    opened: Opened,
    tally: PrintTally,
    read: PrintTally | None,
    doubtful: Counter[str],
    decided: KeptVerdict | None,
) -> dict[str, Any]:
    """Give what the card of a print shows."""
    machine = opened.tally(tally.sample)
    return {
        "tally": tally,
        "id": photo_id(tally.sample),
        "decided": decided if decided is not None and decided.says != "open" else None,
        "verdict": print_verdict(tally),
        "ruler": load_ruler_svg(tally),
        "classes": class_bars_svg(tally),
        "machine": print_verdict(machine).headline if read is not None and machine is not None else "",
        "doubtful": sum(doubtful[row.photo] for row in opened.of_print(tally.sample)),
        "fields": [_field(row) for row in opened.of_print(tally.sample)],
    }


def _field(row: FieldRow) -> dict[str, Any]:
    return {"row": row, "sentence": field_sentence(row.tally)}


async def decide(request: Request) -> Response:
    """Keep what the keeper decided on a print."""
    said = await said_in(request)
    if said.get("says") not in DECISIONS:
        raise HTTPException(400, f"A decision is one of {', '.join(DECISIONS)}.")
    desk = desk_of(request)
    opened = desk.session()
    sample = str(said.get("sample", ""))
    if opened is None or opened.tally(sample) is None:
        raise HTTPException(404, "There is no print of this name.")
    if not LINE_ID.fullmatch(str(said.get("id", ""))):
        raise HTTPException(400, "The decision has no id.")
    note = "".join(char for char in str(said.get("note", "")) if char.isprintable())[:_LONGEST_NOTE]
    verdict = KeptVerdict(
        sample, said["says"], note.strip(), reader_name(said.get("reader")) or "reader", now()
    )
    await run_in_threadpool(desk.book.decide, said["id"], verdict)
    return say({"sample": sample, "says": verdict.says, "note": verdict.note, "made_at": verdict.made_at})


def map_of(request: Request) -> Response:
    """Give the map of a print; no content where it would tell nothing."""
    desk = desk_of(request)
    opened = desk.session()
    tally = (
        next((one for one in opened.result.prints if photo_id(one.sample) == request.path_params["at"]), None)
        if opened
        else None
    )
    if opened is None or tally is None:
        raise HTTPException(404, "There is no print of this address.")
    svg = desk.tallies.map_svg(opened, tally.sample)
    return Response(svg, media_type="image/svg+xml") if svg else Response(status_code=204)


def plan(request: Request) -> Response:
    """Tell of each print how many more fields would decide whether its load is heavy."""
    desk = desk_of(request)
    if desk.session() is None:
        return say({"prints": {}})
    plans = plan_on(desk.out, HEAVY_FROM_CLASS, _RISK)
    return say({"prints": {photo_id(one.sample): _plan_words(one) for one in plans}})


def _plan_words(one: PrintPlan) -> str:
    if one.standing is None:
        return ""
    said_by = "With readers' decisions" if one.decided else "As counted"
    if one.standing.verdict == "below":
        return f"{said_by}, these fields rule a heavy load out, at a risk of 5 in 100."
    if one.standing.verdict == "at least":
        return f"{said_by}, these fields decide that the load is heavy, at a risk of 5 in 100."
    still = f"{said_by}, whether the load is heavy is open"
    if one.rests_on_doubt:
        return f"{still}: what its {plural(one.doubtful, 'doubtful object')} are decides, not more fields."
    more = plural(one.standing.fields_to_go, "more field")
    if one.standing.decidable:
        return f"{still}: about {more} like these would decide it, at a risk of 5 in 100."
    return f"{still}, even with all {more} that still fit on the print."


routes = [
    Route("/prints", show),
    Route("/prints/decide", decide, methods=["POST"]),
    Route("/prints/plan.json", plan),
    Route("/prints/{at}/map.svg", map_of),
]

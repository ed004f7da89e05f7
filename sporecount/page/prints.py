"""Prints: one card each, sorted by what needs a person first."""

from __future__ import annotations

from collections import Counter
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from sporecount.page.answers import desk_of, page
from sporecount.page.opened import FieldRow, Opened
from sporecount.records import PrintTally
from sporecount.report import field_sentence
from sporecount.report.figures import class_bars_svg, load_ruler_svg
from sporecount.report.words import attention_order, print_verdict, session_sentences


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
    cards = [card(opened, tally, read[tally.sample], doubtful) for tally in attention_order(now)]
    summary = session_sentences(now, len(opened.rows), len(result.failed))
    return page(
        request, "prints.html", cards=cards, summary=summary, failed=result.failed, notes=result.notes
    )


def card(
    opened: Opened, tally: PrintTally, read: PrintTally | None, doubtful: Counter[str]
) -> dict[str, Any]:
    """Give what the card of a print shows."""
    area = opened.settings.print_area_mm2
    machine = opened.tally(tally.sample)
    return {
        "tally": tally,
        "verdict": print_verdict(tally, area),
        "ruler": load_ruler_svg(tally, area),
        "classes": class_bars_svg(tally),
        "machine": print_verdict(machine, area).headline if read is not None and machine is not None else "",
        "doubtful": sum(doubtful[row.photo] for row in opened.of_print(tally.sample)),
        "fields": [_field(row) for row in opened.of_print(tally.sample)],
    }


def _field(row: FieldRow) -> dict[str, Any]:
    return {"row": row, "sentence": field_sentence(row.tally)}


routes = [Route("/prints", show)]

"""`sporecount plan`: how many photos are enough, before a session and during it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sporecount.cli import show
from sporecount.cli.options import JsonOption, ResultsOption, parse_settings

if TYPE_CHECKING:
    from sporecount.session.planning import Ahead, PrintPlan

_SAY = (
    "nothing",
    "1 spore or more",
    "2 spores or more",
    "more than 20 spores",
    "more than 100 spores",
    "over 1000 spores",
)


def plan(
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="FOLDER", help="A counted folder: plan on from there.", show_default=False),
    ] = None,
    rule_out: Annotated[
        int,
        typer.Option(
            min=1, max=5, metavar="CLASS", help="Load class asked about, with all above; 4 and 5 are heavy."
        ),
    ] = 4,
    risk: Annotated[
        float, typer.Option(min=0.001, max=0.4, metavar="SHARE", help="Accepted risk of a wrong verdict.")
    ] = 0.05,
    objective: Annotated[
        float,
        typer.Option(min=1, max=100, metavar="POWER", help="Magnification of the objective (no FOLDER)."),
    ] = 10.0,
    field_number: Annotated[
        float | None, typer.Option(metavar="MM", help="Field number of the eyepiece (no FOLDER).")
    ] = None,
    recall: Annotated[
        float,
        typer.Option(min=0.05, max=1, metavar="SHARE", help="Share of spores in view found (no FOLDER)."),
    ] = 0.88,
    print_area: Annotated[float | None, typer.Option(metavar="MM2", help="Area of a whole print.")] = None,
    out: ResultsOption = None,
    json: JsonOption = False,
) -> None:
    """Say how many photos of a print are enough, and which print comes next.

    Without FOLDER: how many fields without a spore it takes to hold a print
    to be below a load class. With FOLDER: where each of its prints stands,
    and how many fields more would decide it.

    \b
    Load classes, spores on a whole print: 0 none, 1 one, 2 2-20, 3 21-100,
    4 101-1000, 5 more.

    \b
    Examples (an invented rearing house):
      sporecount plan --rule-out 3 --risk 0.05 --objective 10
      sporecount plan fernhollow-may
    """  # noqa: D301  \b keeps lines as they are
    from sporecount.session.planning import plan_ahead, plan_on

    question: dict[str, Any] = {"rule_out": rule_out, "risk": risk}
    if folder is None:
        settings = parse_settings(field_number=field_number, print_area=print_area)
        ahead = plan_ahead(rule_out, risk, objective, settings, recall)
        if json:
            show.say_json({**question, "objective": objective, **_ahead_json(ahead)})
        else:
            show.say(list(_ahead_lines(ahead, rule_out, risk, objective)))
        return
    prints = plan_on(out or folder / "sporecount", rule_out, risk, print_area)
    if json:
        show.say_json({**question, "prints": [_print_json(one) for one in prints]})
    else:
        show.say([*_prints_lines(prints, rule_out, risk), "", show.CAUTION])


def _in_100(share: float) -> str:
    if share > 0.99:
        return "over 99 in 100"
    return f"{100 * share:.2g} in 100" if share >= 0.001 else "under 0.1 in 100"


def _ahead_lines(ahead: Ahead, rule_out: int, risk: float, objective: float) -> Iterator[str]:
    one, area = ahead.plan, ahead.area
    yield f"Question: does a print hold {_SAY[rule_out]} (class {rule_out} or above)?"
    yield (
        f"A field at {objective:g}x shows about {ahead.field_mm2:.2g} mm2 that can be examined, of a print "
        f"of {area.mm2:g} mm2 ({area.low:.0f} to {area.high:.0f})."
    )
    fields = "1 field" if one.fields == 1 else f"{one.fields} fields"
    if one.possible:
        yield (
            f"{fields} without a spore ({one.examined_mm2:.2g} mm2) are needed: a print of that class "
            f"would then have been missed in {_in_100(one.chance_missed)} cases."
        )
    else:
        yield (
            f"That cannot be ruled out: even all {fields} of the print would miss it in "
            f"{_in_100(one.chance_missed)} cases. Ask about a higher class, or accept more risk."
        )
    yield ""
    yield f"Without a spore in ...   the print may still hold (risk {_in_100(risk)})"
    for number, load in ahead.hidden:
        words = f"up to {load - 1:,.0f} spores" if math.isfinite(load) else "any number"
        yield f"{number:6d} {'field ' if number == 1 else 'fields'}            {words}"
    yield ""
    yield (
        "The fields must be spread over the print and not be chosen for what they show. That spores lie in "
        "clumps is allowed for. Fields with doubtful objects say less: settle those first."
    )


def _ahead_json(ahead: Ahead) -> dict[str, Any]:
    return {
        "field_mm2": ahead.field_mm2,
        "print_area_mm2": ahead.area.mm2,
        **vars(ahead.plan),
        "hidden": [
            {"fields": number, "load": load if math.isfinite(load) else None} for number, load in ahead.hidden
        ],
    }


def _prints_lines(prints: Sequence[PrintPlan], rule_out: int, risk: float) -> Iterator[str]:
    yield f"Question: does a print hold {_SAY[rule_out]} (class {rule_out} or above)? Risk {_in_100(risk)}."
    yield ""
    for one in prints:
        fields = "1 field" if one.fields == 1 else f"{one.fields} fields"
        read = "1 object" if one.decided == 1 else f"{one.decided} objects"
        by_people = f", {read} decided by readers" if one.decided else ""
        yield f"{show.one_line(one.sample, 40)}: {fields}, {one.examined_mm2:.2g} mm2{by_people}"
        yield f"    {_stands(one, rule_out, risk)}"
    waiting = [one for one in prints if one.standing is None or one.standing.verdict == "open"]
    yield ""
    if not waiting:
        yield "Every print is decided: no more photos are needed for this question."
        return
    if doubtful := [show.one_line(one.sample, 40) for one in waiting if one.rests_on_doubt]:
        yield f"Settle the doubtful objects first of: {', '.join(doubtful)} (sporecount recheck)."
    if first := next((one for one in waiting if not one.rests_on_doubt), None):
        yield (
            f"Photograph next: {show.one_line(first.sample, 40)}. One more field there tells most: it "
            f"is expected to take away {100 * first.gain.bits:.0f} % of the doubt that a toss-up leaves, and "
            f"shows a spore in {_in_100(first.gain.chance_of_spore)} cases."
        )


def _stands(one: PrintPlan, rule_out: int, risk: float) -> str:
    from sporecount.report.phrases import shows_as_little
    from sporecount.stats.load import CLASS_FROM

    if one.standing is None:
        return "no usable photo yet: photograph it."
    chance = f"class {rule_out} or above: {_in_100(one.standing.probability)}"
    if one.standing.verdict == "below":
        return f"decided, below ({chance})."
    if one.standing.verdict == "at least":
        return f"decided, at least class {rule_out} ({chance})."
    if one.standing.probability <= risk:
        chance += f", but {shows_as_little(CLASS_FROM[rule_out], _in_100(risk))}"
    if one.rests_on_doubt:
        objects = "1 doubtful object" if one.doubtful == 1 else f"{one.doubtful} doubtful objects"
        return f"open ({chance}); what its {objects} are decides, not more fields."
    more = "1 more field" if one.standing.fields_to_go == 1 else f"{one.standing.fields_to_go} more fields"
    if one.standing.decidable:
        return f"open ({chance}); {more} like these would decide it."
    return f"open ({chance}); even {more}, all that fit on the print, would not decide it."


def _print_json(one: PrintPlan) -> dict[str, Any]:
    return {
        "sample": one.sample,
        "fields": one.fields,
        "examined_mm2": one.examined_mm2,
        "spores": one.spores,
        "probability": None if one.standing is None else one.standing.probability,
        "verdict": "open" if one.standing is None else one.standing.verdict,
        "fields_to_go": None if one.standing is None else one.standing.fields_to_go,
        "decidable": None if one.standing is None else one.standing.decidable,
        "gain_bits": one.gain.bits,
        "chance_of_spore": one.gain.chance_of_spore,
        "decided": one.decided,
        "doubtful": one.doubtful,
    }

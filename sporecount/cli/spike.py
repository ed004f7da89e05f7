"""`sporecount spike`: how many spores the count finds in the user's own photos."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sporecount.cli import show
from sporecount.cli.options import JsonOption, ResultsOption

if TYPE_CHECKING:
    from sporecount.session.spiking import Recovered, SpikeResult

_WHERE = {"card": "empty card", "scales": "on or beside scales", "glue": "in glue, left out", "": "examined"}


def spike(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="A counted folder of photos.", show_default=False)
    ],
    out: ResultsOption = None,
    spores: Annotated[
        int, typer.Option(metavar="N", min=10, max=5000, help="About how many spores are placed.")
    ] = 150,
    seed: Annotated[int, typer.Option(metavar="N", min=0, help="The same seed gives the same places.")] = 1,
    workers: Annotated[
        int | None,
        typer.Option(metavar="N", min=0, max=64, help="Worker processes.  [default: one a processor]"),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Measure how many spores are found in your own photos.

    Spores are placed at known random places into copies of the photos, with
    the blur of the place: copies of the photo's own likely spores, or of those
    of its print or session, where the photo shows too few. The copies are
    counted. The share that is found, counted or at least in doubt, is the
    recall of your microscope, phone and prints, and the next count uses it
    for densities and for what "none found" could still hide.

    A session without a likely spore tells nothing of how its spores look:
    then spores are drawn, and the next count leaves their share alone.

    The photos are only read. Placed spores lie alone, and on top; the share
    tells nothing of spores in heaps, or hidden.

    Writes spike.csv (a row a spore), spike.jpg (found and missed ones close
    up) and spike.json beside the results.

    \b
    Examples (an invented rearing house):
      sporecount count fernhollow-may --adapter bench
      sporecount spike fernhollow-may
      sporecount count fernhollow-may --adapter bench
    """  # noqa: D301  \b keeps lines as they are
    from sporecount.session.spiking import spike_session

    with show.plain_progress("spiking") as progress:
        result = spike_session(
            folder,
            out=out,
            spores=spores,
            seed=seed,
            workers=os.cpu_count() or 1 if workers is None else workers,
            progress=progress,
        )
    if json:
        show.say_json(as_json(result))
        return
    place = out or folder / "sporecount"
    show.say(
        [
            "",
            *table_lines(result),
            "",
            *(f"Not used: {show.one_line(note)}" for note in result.notes),
            f"Picture: {show.one_line(str(place / 'spike.jpg'))}",
            *_closing(result),
        ]
    )


def table_lines(result: SpikeResult) -> Iterator[str]:
    """Give the shares by background and focus as a table of less than 80 columns."""
    from sporecount.report.phrases import plural

    examined = result.rows[-1]
    kind = "copies of the session's likely ones" if result.own_recall else "drawn ones"
    photos = plural(result.photos, "photo")
    yield f"{examined.placed} simulated spores placed where the count looks, in {photos}: {kind}."
    yield ""
    yield f"{'where':<22}{'focus':<9}{'counted':>8}{'in doubt':>10}{'of':>6}   found (95 % interval)"
    for row in result.rows:
        if not row.placed:
            continue
        if not row.background:
            yield "-" * 78
        numbers = f"{row.counted:>8}{row.found - row.counted:>10}{row.placed:>6}"
        yield f"{_WHERE[row.background]:<22}{row.focus or 'all':<9}{numbers}   {_share(row)}"
    own = result.own_recall
    if own and own.strange_placed:
        yield ""
        numbers = f"{own.strange_placed}, of which {own.strange_found}"
        yield f"Copied from other prints, for want of likely spores: {numbers} are found."
        yield "Spores of these prints may look otherwise, so this tells less."


def _closing(result: SpikeResult) -> list[str]:
    if result.own_recall is None:
        return [
            "No photo shows spores to copy, so drawn ones were placed. How the session's own would",
            "look is not known: the next count leaves this share alone.",
        ]
    return ["Count the folder again, and the count uses this. Placed spores lie alone, and on top."]


def _share(row: Recovered) -> str:
    return f"{100 * row.share:.0f} % ({100 * row.low:.0f} to {100 * row.high:.0f} %)"


def as_json(result: SpikeResult) -> dict[str, Any]:
    """Give the shares by background and focus."""

    def known(value: Any) -> Any:
        return None if isinstance(value, float) and not math.isfinite(value) else value

    examined = result.rows[-1]
    rows = [{name: known(value) for name, value in vars(row).items()} for row in result.rows]
    return {
        "simulated": True,
        "copies": result.own_recall is not None,
        "photos": result.photos,
        "found": examined.found,
        "placed": examined.placed,
        "rows": rows,
        "not_used": list(result.notes),
    }

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

    Simulated spores, as long and as dark as those of the session, are drawn
    at known random places into copies of its photos, with the blur, tint and
    grain of the place. The copies are counted. The share that is found is the
    recall of your microscope, phone and prints, and the next count uses it
    for densities and for what "none found" could still hide.

    The photos are only read. A simulated spore is not a real one: real ones
    may be harder to see, so take the share as the best case.

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
            "Count the folder again, and the count uses this. Simulated spores are the best case.",
        ]
    )


def table_lines(result: SpikeResult) -> Iterator[str]:
    """Give the shares by background and focus as a table of less than 80 columns."""
    from sporecount.report.phrases import plural

    own = result.own_recall
    yield f"{own.placed} simulated spores placed where the count looks, in {plural(result.photos, 'photo')}."
    yield ""
    yield f"{'where':<22}{'focus':<9}{'found':>12}   share (95 % interval)"
    for row in result.rows:
        if not row.placed:
            continue
        if not row.background:
            yield "-" * 66
        found = f"{row.found} of {row.placed}"
        yield f"{_WHERE[row.background]:<22}{row.focus or 'all':<9}{found:>12}   {_share(row)}"


def _share(row: Recovered) -> str:
    return f"{100 * row.share:.0f} % ({100 * row.low:.0f} to {100 * row.high:.0f} %)"


def as_json(result: SpikeResult) -> dict[str, Any]:
    """Give the shares by background and focus."""

    def known(value: Any) -> Any:
        return None if isinstance(value, float) and not math.isfinite(value) else value

    rows = [{name: known(value) for name, value in vars(row).items()} for row in result.rows]
    return {
        "simulated": True,
        "photos": result.photos,
        "found": result.own_recall.found,
        "placed": result.own_recall.placed,
        "rows": rows,
        "not_used": list(result.notes),
    }

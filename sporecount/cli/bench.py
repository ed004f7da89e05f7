"""`sporecount bench`: the local page."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from sporecount.cli import show
from sporecount.cli.options import AdapterOption, ObjectiveOption, OutOption, ScaleOption


def bench(
    folder: Annotated[
        Path | None,
        typer.Argument(
            metavar="FOLDER",
            help="Folder of a session.  [default: one of today in ~/sporecount]",
            show_default=False,
        ),
    ] = None,
    out: OutOption = None,
    adapter: AdapterOption = None,
    objective: ObjectiveOption = None,
    um_per_px: ScaleOption = None,
    workers: Annotated[
        int | None, typer.Option(min=1, metavar="N", help="Worker processes.  [default: one a processor]")
    ] = None,
    port: Annotated[
        int | None, typer.Option(min=1024, max=65535, metavar="N", help="Port of the page.")
    ] = None,
    browser: Annotated[bool, typer.Option(help="Open the browser.")] = True,
) -> None:
    """Open the bench page: drop photos and watch the counts come.

    The page runs on this machine alone and is reached from no other. Photos
    that are dropped on it are copied into FOLDER; none is changed.

    \b
    Examples (an invented rearing house):
      sporecount bench
      sporecount bench fernhollow-may --adapter bench
    """  # noqa: D301  \b keeps lines as they are
    open_page(folder, out, adapter, objective, um_per_px, workers, port, browser, "/")


def open_page(
    folder: Path | None,
    out: Path | None,
    adapter: str | None,
    objective: float | None,
    um_per_px: float | None,
    workers: int | None,
    port: int | None,
    browser: bool,
    place: str,
) -> None:
    """Open the bench page at a place; parameters as of the command."""
    from sporecount.page.desk import Desk
    from sporecount.page.serve import serve
    from sporecount.session.live import Wish
    from sporecount.session.readers import renew

    folder = folder or _today()
    folder.mkdir(parents=True, exist_ok=True)
    desk = Desk(folder, out or folder / "sporecount", Wish(adapter, objective, um_per_px), workers)

    def say(address: str) -> None:
        where = show.one_line(str(folder))
        show.say([f"Session: {where}", "The page is at", f"  {address}", "Ctrl-C ends it."])
        sys.stdout.flush()

    serve(desk, place=place, port=port, browser=browser, say=say)
    if renew(desk.out):
        show.say(["Tables and report now hold what was decided."])


def _today() -> Path:
    from datetime import date

    return Path.home() / "sporecount" / date.today().isoformat()

"""`sporecount recheck`: the local page, opened at the doubtful objects."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sporecount.cli.bench import open_page
from sporecount.errors import SessionError


def recheck(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Folder that was counted.", show_default=False)
    ],
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Where its results are.  [default: FOLDER/sporecount]")
    ] = None,
    port: Annotated[
        int | None, typer.Option(min=1024, max=65535, metavar="N", help="Port of the page.")
    ] = None,
    browser: Annotated[bool, typer.Option(help="Open the browser.")] = True,
) -> None:
    """Settle the doubtful objects of a counted folder, on the bench page.

    Decisions are kept beside the results, in readings.sqlite. The program's
    own answer stays as it is.

    \b
    Example (an invented rearing house):
      sporecount recheck fernhollow-may
    """  # noqa: D301  \b keeps lines as they are
    from sporecount.session import open_session

    results = out or folder / "sporecount"
    if not folder.is_dir():
        raise SessionError(
            "there is no such folder", where=str(folder), remedy="Give the folder of the photos"
        )
    open_session(results)
    open_page(folder, results, None, None, None, None, port, browser, "/recheck")

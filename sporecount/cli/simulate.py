"""`sporecount simulate`: a simulated session to practise with."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sporecount.cli import show


def simulate(
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Folder to make.", show_default=False)],
    prints: Annotated[int, typer.Option(metavar="N", min=1, max=100, help="Number of prints.")] = 4,
    fields: Annotated[int, typer.Option(metavar="N", min=1, max=100, help="Photos of each print.")] = 3,
    seed: Annotated[int, typer.Option(metavar="N", min=0, help="The same seed gives the same photos.")] = 1,
    objective: Annotated[
        float, typer.Option(metavar="POWER", min=2.5, max=63, help="Magnification of the objective.")
    ] = 10.0,
    width: Annotated[
        int, typer.Option(metavar="PX", min=400, max=8000, help="Width of a photo in pixels.")
    ] = 4032,
    height: Annotated[
        int, typer.Option(metavar="PX", min=300, max=8000, help="Height of a photo in pixels.")
    ] = 3024,
    preset: Annotated[str, typer.Option(metavar="NAME", help="ordinary, good_focus or hard.")] = "ordinary",
) -> None:
    """Draw simulated photos of prints and a ruling, with their truth.

    To practise, and to see what the count does with what is known. The photos
    are simulated: they say nothing about how well real prints are counted.

    \b
    Examples:
      sporecount simulate practice
      sporecount simulate small --prints 2 --width 2000 --height 1500
    """  # noqa: D301  \b keeps lines as they are
    from sporecount.session.practice import Practice, write_practice

    wish = Practice(prints, fields, seed, width, height, objective, preset)
    with show.plain_progress("drawing") as progress:
        files = write_practice(out, wish, progress)
    show.say([f"{len(files)} files in {show.one_line(str(out))}. Simulated: see README.txt there."])

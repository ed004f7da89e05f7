"""`sporecount count`: a folder of photos to counts, tables and a report."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sporecount.cli import show
from sporecount.cli.options import (
    AdapterOption,
    JsonOption,
    ObjectiveOption,
    OutOption,
    ScaleOption,
    parse_settings,
)

if TYPE_CHECKING:
    from sporecount.records import SessionResult


def count(
    folder: Annotated[
        Path,
        typer.Argument(metavar="FOLDER", help="Folder with the photos of one session.", show_default=False),
    ],
    adapter: AdapterOption = None,
    objective: ObjectiveOption = None,
    um_per_px: ScaleOption = None,
    out: OutOption = None,
    workers: Annotated[
        int | None,
        typer.Option(min=0, metavar="N", help="Worker processes.  [default: one a processor; 0: none]"),
    ] = None,
    json: JsonOption = False,
    spore_length: Annotated[
        str | None,
        typer.Option(metavar="LOW-HIGH", help="Length of the spores looked for, in um, such as 8-16."),
    ] = None,
    field_number: Annotated[
        float | None, typer.Option(metavar="MM", help="Field number of the eyepiece, such as 18.")
    ] = None,
    print_area: Annotated[
        float | None,
        typer.Option(metavar="MM2", help="Area of a whole print, to turn a density into a load."),
    ] = None,
    more: Annotated[
        list[str] | None,
        typer.Option(
            "--set", metavar="NAME=VALUE", help="Any other setting; `sporecount settings` lists them."
        ),
    ] = None,
) -> int:
    """Count the spores in a folder of photos, per field and per print.

    \b
    Prints are told apart by session.csv (photo,sample,objective,adapter,
    um_per_px,print_area_mm2,note), a QR label photographed before the fields
    of a print, a sub-folder for each print, or the file name: FH-12_1.jpg and
    FH-12_2.jpg show two fields of print FH-12.

    The photos are never changed. A second run counts only what is new.

    \b
    Examples (an invented rearing house):
      sporecount count fernhollow-may --adapter bench
      sporecount count fernhollow-may --objective 10 --field-number 20
      sporecount count fernhollow-may --um-per-px 0.52 --json > may.json
    """  # noqa: D301  \b keeps lines as they are
    from sporecount.report.session_words import simulated_words
    from sporecount.session import count_folder

    settings = parse_settings(
        spore_length=spore_length, field_number=field_number, print_area=print_area, more=more or []
    )
    with show.photo_progress() as progress:
        result = count_folder(
            folder,
            out=out,
            adapter=adapter,
            objective=objective,
            um_per_px=um_per_px,
            settings=settings,
            workers=workers,
            progress=progress,
        )
    place = out or folder / "sporecount"
    usable = len(result.fields) > 0
    if json and usable:
        show.say_json(as_json(result))
    elif usable:
        drawn = simulated_words(result.simulated, len(result.fields))
        show.say(
            ["", *([drawn, ""] if drawn else []), *show.summary_lines(result.prints, result.readers), ""]
        )
    show.say([*show.failure_lines(result.failed)], errors=json or not usable)
    # the notes name what was left alone, such as rulings; tables and report name the rest
    closing = [*result.notes, f"Report: {show.one_line(str(place / 'report.html'))}"]
    if not usable:
        show.say([*closing, "sporecount: no photo of the folder could be counted."], errors=True)
        return 2
    if not json:
        show.say([*closing, "", show.CAUTION])
    return 1 if result.failed else 0


def as_json(result: SessionResult) -> dict[str, Any]:
    """Give the rows of `samples.csv` and `fields.csv`, and of `samples_read.csv` where people read or decided."""
    from sporecount.files.reader_tables import SAMPLE_READ_COLUMNS, sample_read_row
    from sporecount.files.tables import FIELD_COLUMNS, SAMPLE_COLUMNS, json_rows, sample_row
    from sporecount.session.outputs import field_rows

    readers = result.readers
    read = [] if readers is None else [sample_read_row(one, readers) for one in result.prints]
    return {
        "samples": json_rows(SAMPLE_COLUMNS, map(sample_row, result.prints)),
        **({"samples_read": json_rows(SAMPLE_READ_COLUMNS, read)} if read else {}),
        "fields": json_rows(FIELD_COLUMNS, field_rows(result)),
        "failed": [vars(one) for one in result.failed],
        "notes": list(result.notes),
    }

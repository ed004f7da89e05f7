"""What a person reads in the terminal: progress, summary, failures. 80 columns, any encoding."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console

    from sporecount.records import FailedPhoto, PrintTally, Readers
    from sporecount.session import PhotoDone, Progress

WIDTH = 80
_HEAD = ("print", "fields", "mm2", "spores", "per mm2 (95 %)", "flag")
_WIDTHS = (20, 6, 7, 7, 24, 8)
CAUTION = (
    'A screening aid, not a diagnosis: "none found" never means free of the parasite. '
    "Follow local rules and licensed advice on keeping, moving and releasing butterflies."
)


def console(*, errors: bool = False) -> Console:
    """Make a console of at most 80 columns that takes text as it is."""
    from rich.console import Console

    made = Console(stderr=errors, markup=False, highlight=False, emoji=False, soft_wrap=False)
    if made.width > WIDTH:
        made.width = WIDTH
    return made


def one_line(text: str, width: int = 0) -> str:
    """Give text without control characters, cut to a width in terminal cells when one is given."""
    from rich.cells import cell_len, set_cell_size

    text = "".join(char if char.isprintable() else repr(char)[1:-1] for char in text)
    if width and cell_len(text) > width:
        text = set_cell_size(text, width - 3).rstrip() + "..."
    return text


@contextmanager
def plain_progress(doing: str) -> Iterator[Callable[[int, int], None]]:
    """Show photos done, rate and time left on the error stream, so that the output stays clean."""
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        ProgressColumn,
        Task,
        TextColumn,
        TimeRemainingColumn,
    )
    from rich.progress import Progress as Bar
    from rich.text import Text

    class Rate(ProgressColumn):
        def render(self, task: Task) -> Text:
            speed = task.finished_speed or task.speed
            return Text(f"{speed:.1f} photos/s" if speed else "- photos/s")

    bar = Bar(
        TextColumn(doing),
        BarColumn(bar_width=22),
        MofNCompleteColumn(),
        Rate(),
        TextColumn("left"),
        TimeRemainingColumn(compact=True),
        console=console(errors=True),
        transient=True,
    )
    with bar:
        task = bar.add_task("", total=None)

        def advance(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        yield advance


@contextmanager
def photo_progress() -> Iterator[Progress]:
    """Show the progress of a count."""
    with plain_progress("counting") as advance:

        def counted(done: int, total: int, _photo: PhotoDone) -> None:
            advance(done, total)

        yield counted


def summary_lines(prints: Sequence[PrintTally], readers: Readers | None = None) -> Iterator[str]:
    """Give the table of prints: one row each, and below it what to know of it.

    Where people decided on objects, their count and flag are a row of their own, and what is said is said of it.
    """
    from sporecount.report.words import (
        could_hide_words,
        density_of_doubts_words,
        heavy_words,
        keeper_words,
        print_case,
    )

    yield _row(_HEAD)
    yield "-" * (sum(_WIDTHS) + len(_WIDTHS) - 1)
    for machine in prints:
        yield _row((machine.sample, str(machine.fields), f"{machine.examined_mm2:.2f}", *_answer(machine)))
        tally, remarks = machine, []
        if readers is not None and machine.sample in readers.prints:
            tally = readers.prints[machine.sample]
            yield _row(("  with readers", "", "", *_answer(tally)))
        if readers is not None and (decided := keeper_words(machine.sample, readers)):
            remarks.append(decided)
        case = print_case(tally)
        if case == "none":
            remarks.append(could_hide_words(tally))
        elif case != "unusable":
            remarks.append(heavy_words(tally))
        remarks += [density_of_doubts_words(tally), _reasons(tally.reasons)]
        for remark in filter(None, remarks):
            yield f"  {one_line(remark)}"


def _answer(tally: PrintTally) -> tuple[str, str, str]:
    return str(tally.spores) if tally.fields else "-", _density(tally), tally.flag


def _reasons(codes: Sequence[str]) -> str:
    """Say one of the reasons for the flag in words, and name the others of its weight.

    What is missing comes first, since only that can still be found and added; a scale that is not known well comes
    last, since that mostly holds for the whole session.
    """
    from sporecount.reasons import REASONS, flag_of

    flag = flag_of(codes)
    order = {"photos-left-out": -1, "approximate-scale": 1, "uncalibrated": 1}
    first, *others = sorted(
        (code for code in codes if REASONS[code].flag == flag), key=lambda code: order.get(code, 0)
    ) or [""]
    if not first:
        return ""
    more = f" (+ {len(others)} more: {', '.join(others)})" if others else ""
    return f"{REASONS[first].words}{more}"


def _density(tally: PrintTally) -> str:
    if not math.isfinite(tally.density_per_mm2):
        return "-"
    from sporecount.report.phrases import about

    if not math.isfinite(tally.density_high):
        return f"{about(tally.density_per_mm2)} (not bounded)"
    low, high = about(tally.density_low), about(tally.density_high, up=True)
    return f"{about(tally.density_per_mm2)} ({low} to {high})"


def _row(cells: Sequence[str]) -> str:
    from rich.cells import cell_len

    parts = []
    for at, (cell, width) in enumerate(zip(cells, _WIDTHS, strict=True)):
        text = one_line(cell, width)
        gap = " " * (width - cell_len(text))
        parts.append(text + gap if at in (0, len(cells) - 1) else gap + text)
    return " ".join(parts).rstrip()


def failure_lines(failed: Sequence[FailedPhoto]) -> Iterator[str]:
    """Name each photo that could not be used, with the reason."""
    if failed:
        yield f"Could not be used ({len(failed)}):"
    for one in failed:
        of_print = f" (print {one_line(one.sample)})" if one.sample else ""
        yield f"  {one_line(one.photo)}{of_print}: {one_line(one.message)}"


def say(lines: Iterator[str] | Sequence[str], *, errors: bool = False) -> None:
    """Write lines, long ones broken at 80 columns."""
    import textwrap

    stream = sys.stderr if errors else sys.stdout
    for line in lines:
        indent = " " * (len(line) - len(line.lstrip()))
        parts = textwrap.wrap(line, WIDTH, subsequent_indent=indent + "  ", break_on_hyphens=False) or [""]
        stream.write("\n".join(parts) + "\n")


def say_json(value: Any) -> None:
    """Write one JSON object, in characters that every terminal has."""
    import json

    sys.stdout.write(json.dumps(value, indent=1, allow_nan=False) + "\n")

"""`sporecount agreement`: how far readers agree with the machine, with one another and with themselves."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sporecount.cli import show
from sporecount.cli.options import JsonOption, ResultsOption
from sporecount.errors import SessionError

if TYPE_CHECKING:
    from sporecount.session.agreeing import Compared


def agreement(
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="FOLDER", help="A counted folder, for its readings.", show_default=False),
    ] = None,
    table: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Readings in a CSV table: photo,reader,spores (see above)."),
    ] = None,
    out: ResultsOption = None,
    json: JsonOption = False,
) -> None:
    """Say how far readings of the same things agree.

    With FOLDER alone: what readers said of single objects on the bench page,
    against the machine, against other readers, and against their own second,
    blind reading. Told as kappa: 1 is perfect, 0 what chance alone would give.

    With --table: counts or load classes that people wrote down, one row a
    reading. Columns: photo (or sample), reader, and spores or load_class or
    both; round is 2 for a second reading. With FOLDER as well, the machine is
    one of the readers. Counts are told as limits of agreement: between them
    lie 95 of 100 differences. Load classes are told as weighted kappa, in
    which a class next to the other's counts as nearly right.

    \b
    Examples (an invented rearing house):
      sporecount agreement fernhollow-may
      sporecount agreement fernhollow-may --table counted-by-eye.csv
    """  # noqa: D301  \b keeps lines as they are
    from sporecount.session.agreeing import agreements_of_session, agreements_of_table

    if folder is None and table is None:
        raise SessionError("nothing to compare", remedy="Name a counted folder, or a table with --table")
    results = None if folder is None else out or folder / "sporecount"
    if table is not None:
        found = agreements_of_table(table.read_bytes(), str(table), results)
    else:
        assert results is not None
        found = agreements_of_session(results)
    if json:
        show.say_json({"agreements": [_as_json(one) for one in found]})
    else:
        show.say(list(_lines(found, objects=table is None)))


def _lines(found: Sequence[Compared], *, objects: bool) -> Iterator[str]:
    from sporecount.stats.agreement import kappa_sentence, limits_sentence

    for one in found:
        first, second = show.one_line(one.first, 40), show.one_line(one.second, 40)
        yield f"{first} and {second}, {one.n} {one.what}"
        if one.limits is not None:
            yield f"  {limits_sentence(one.limits, first, second)}"
        elif one.table is None:
            yield "  Too few to say how far the counts agree: it takes 3 and more."
        if one.table is not None:
            yield from _table(one.table, one.names, first, second)
            if one.kappa is not None:
                weighted = " (neighbouring classes weighed as nearly right)" if one.what == "prints" else ""
                yield f"  {kappa_sentence(one.kappa)}{weighted}"
            else:
                yield "  Kappa cannot be told: too few, or all of one kind."
        yield ""
    if objects:
        yield (
            "Readers are asked about the objects that the machine is in doubt of, so it agrees better on the "
            "others. Few readings give wide intervals: look at these first."
        )


def _table(table: Any, names: Sequence[str], first: str, second: str) -> Iterator[str]:
    used = [at for at in range(len(names)) if table[at].sum() + table[:, at].sum() > 0]
    wide = max(12, *(len(names[at]) for at in used)) if used else 12
    yield f"  Rows {first}, columns {second}:"
    yield f"  {'':12}" + "".join(f"{names[at]:>{wide}}" for at in used)
    for row in used:
        yield f"  {names[row]:12}" + "".join(f"{table[row, at]:{wide}.0f}" for at in used)


def _as_json(one: Compared) -> dict[str, Any]:
    said: dict[str, Any] = {"what": one.what, "first": one.first, "second": one.second, "n": one.n}
    if one.table is not None:
        said |= {"names": list(one.names), "table": one.table.astype(int).tolist()}
    if one.kappa is not None:
        said |= {"kappa": one.kappa.value, "kappa_interval": [one.kappa.low, one.kappa.high]}
    if one.limits is not None:
        limits = one.limits
        said |= {
            "as_ratio": limits.as_ratio,
            "bias": list(limits.bias),
            "lower_limit": list(limits.lower),
            "upper_limit": list(limits.upper),
        }
    return said

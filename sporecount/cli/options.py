"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated

import typer

from sporecount.errors import SettingsError
from sporecount.settings import CountSettings

AdapterOption = Annotated[
    str | None, typer.Option(metavar="NAME", help="Adapter profile made by `sporecount calibrate`.")
]
ScaleOption = Annotated[
    float | None, typer.Option(metavar="UM", help="Scale of the photos, when it is known: um per pixel.")
]
ObjectiveOption = Annotated[
    float | None, typer.Option(metavar="POWER", help="Magnification of the objective, such as 10.")
]
OutOption = Annotated[
    Path | None, typer.Option(metavar="DIR", help="Where the results go.  [default: FOLDER/sporecount]")
]
ResultsOption = Annotated[
    Path | None, typer.Option(metavar="DIR", help="Where the results are.  [default: FOLDER/sporecount]")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object, and nothing else.")]


def parse_settings(
    *,
    spore_length: str | None = None,
    field_number: float | None = None,
    print_area: float | None = None,
    more: Sequence[str] = (),
) -> CountSettings:
    """Make the settings of a count from options.

    Parameters
    ----------
    spore_length : str, optional
        "LOW-HIGH" in um.
    field_number : float, optional
        In mm.
    print_area : float, optional
        In mm2.
    more : sequence of str
        "NAME=VALUE" each.

    Raises
    ------
    SettingsError
        A form, name or value that cannot be.
    """
    chosen: dict[str, float] = {}
    known = [one.name for one in fields(CountSettings)]
    for pair in more:
        name, between, value = pair.partition("=")
        name = name.strip().replace("-", "_")
        if name not in known:
            near = get_close_matches(name, known, 1)
            raise SettingsError(
                f"{pair!r} is no setting" + (f"; {near[0]} is" if near else ""),
                where="--set",
                remedy="`sporecount settings` lists them, as NAME=VALUE",
            )
        if not between:
            raise SettingsError(f"{name} needs a value", where="--set", remedy=f"Write it as {name}=VALUE")
        chosen[name] = _number(value, "--set")
    if spore_length is not None:
        low, between, high = spore_length.replace("–", "-").partition("-")
        if not between:
            raise SettingsError(
                f"{spore_length!r} is no band", where="--spore-length", remedy="Write it as 8-16"
            )
        chosen["spore_length_min_um"] = _number(low, "--spore-length")
        chosen["spore_length_max_um"] = _number(high, "--spore-length")
    if field_number is not None:
        chosen["field_number_mm"] = field_number
    if print_area is not None:
        chosen["print_area_mm2"] = print_area
    return CountSettings(**chosen)


def _number(text: str, option: str) -> float:
    try:
        return float(text.strip().replace(",", "."))
    except ValueError:
        raise SettingsError(
            f"{text.strip()!r} is no number", where=option, remedy="Write it as 8 or 8.5"
        ) from None

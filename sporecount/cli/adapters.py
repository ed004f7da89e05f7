"""`sporecount adapters`: the stored profiles of phone adapters."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sporecount.cli import show
from sporecount.cli.options import JsonOption
from sporecount.cli.plain_help import PlainHelp

adapters = typer.Typer(invoke_without_command=True)

_Name = Annotated[str, typer.Argument(metavar="NAME", help="Name of the adapter.", show_default=False)]
_Objective = Annotated[
    float | None, typer.Option(metavar="POWER", help="Which one, where the adapter has several.")
]


@adapters.callback()
def _(context: typer.Context) -> None:
    """List, compare, copy and remove the profiles of phone adapters.

    Without a command, the stored profiles are listed.
    """
    if context.invoked_subcommand is None:
        list_them()


@adapters.command("list", cls=PlainHelp)
def list_them(
    json: JsonOption = False,
) -> None:
    """List the stored profiles."""
    from sporecount.calibration.profile import stated
    from sporecount.files.profiles import list_profiles, profile_folder

    stored = list_profiles()
    if json:
        show.say_json({"adapters": stored})
        return
    for one in stored:
        power = f"{one['objective']:g}x" if one.get("objective") else "any"
        scale, spread = stated(float(one["um_per_px"]), float(one.get("um_per_px_u") or 0))
        rough = ", approximate" if one.get("reasons") else ""
        show.say(
            [
                f"{show.one_line(str(one['name']), 40)}  {power}  {scale} +- {spread} um per px{rough}"
                f"  {one.get('date', '')}".rstrip()
            ]
        )
    if not stored:
        show.say(["No profile is stored yet. `sporecount calibrate PHOTO --adapter NAME` makes one."])
    show.say([f"Folder: {show.one_line(str(profile_folder()))}"])


@adapters.command("show", cls=PlainHelp)
def show_one(
    name: _Name,
    objective: _Objective = None,
) -> None:
    """Show a profile as JSON."""
    from sporecount.files.profiles import load_profile

    show.say_json(load_profile(name, objective))


@adapters.command(cls=PlainHelp)
def copy(
    name: _Name,
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE", help="File to write, to carry to another machine.", show_default=False
        ),
    ],
    objective: _Objective = None,
) -> None:
    """Copy a profile into a file, to carry to another machine.

    \b
    Example:
      sporecount adapters copy bench bench.json --objective 10
    """  # noqa: D301  \b keeps lines as they are
    import json

    from sporecount.files.profiles import load_profile
    from sporecount.files.whole import write_whole

    write_whole(file, json.dumps(load_profile(name, objective), indent=1, sort_keys=True).encode() + b"\n")
    show.say([f"Written: {show.one_line(str(file))}"])


@adapters.command(cls=PlainHelp)
def add(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="File from `sporecount adapters copy`.", show_default=False)
    ],
) -> None:
    """Store a profile that was copied from another machine."""
    from sporecount.files.profiles import read_profile, save_profile

    show.say([f"Stored: {show.one_line(str(save_profile(read_profile(file))))}"])


@adapters.command(cls=PlainHelp)
def remove(
    name: _Name,
    objective: _Objective = None,
) -> None:
    """Take a stored profile out of use; it is kept in the folder earlier."""
    from sporecount.files.profiles import remove_profile

    show.say([f"Removed; kept as {show.one_line(str(remove_profile(name, objective)))}"])


@adapters.command(cls=PlainHelp)
def compare(
    name: _Name,
    other: Annotated[
        str,
        typer.Argument(
            metavar="OTHER", help="Name of another adapter, or a profile's file.", show_default=False
        ),
    ],
    objective: _Objective = None,
) -> int:
    """Check whether two profiles agree on the scale.

    \b
    Example:
      sporecount adapters compare bench bench-of-may.json --objective 10
    """  # noqa: D301  \b keeps lines as they are
    from sporecount.calibration.profile import compare_profiles, profile_from_json
    from sporecount.files.profiles import load_profile, read_profile

    first = profile_from_json(load_profile(name, objective))
    file = Path(other)
    second = profile_from_json(read_profile(file) if file.is_file() else load_profile(other, first.objective))
    check = compare_profiles(first, second)
    show.say([check.words, f"  {check.rule}"])
    return 0 if check.passed else 1

"""The list of commands."""

from __future__ import annotations

from collections.abc import Callable

import typer

from sporecount import __version__
from sporecount.cli.adapters import adapters
from sporecount.cli.agreement import agreement
from sporecount.cli.bench import bench
from sporecount.cli.calibrate import calibrate
from sporecount.cli.count import count
from sporecount.cli.plain_help import PlainHelp
from sporecount.cli.plan import plan
from sporecount.cli.prevalence import prevalence
from sporecount.cli.recheck import recheck
from sporecount.cli.settings import settings
from sporecount.cli.simulate import simulate
from sporecount.cli.spike import spike

_HELP = """Count parasite spores on tape prints of butterflies, from a folder of eyepiece photos.

\b
The usual way (all names in the examples are invented):
  sporecount calibrate ruling.jpg --objective 10 --adapter bench
  sporecount count fernhollow-may --adapter bench
Then open fernhollow-may/sporecount/report.html.

A result is a screening aid, not a diagnosis; "none found" is never "free of the parasite".
"""


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"sporecount {__version__}")
        raise typer.Exit


def make_app() -> typer.Typer:
    """Put the commands together."""
    app = typer.Typer(
        help=_HELP,
        no_args_is_help=True,
        rich_markup_mode=None,  # plain text: quick, and readable on every terminal
        pretty_exceptions_enable=False,
        add_completion=False,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
    )

    @app.callback()
    def _(
        version: bool = typer.Option(
            False, "--version", callback=_version, is_eager=True, help="Show the version and stop."
        ),
    ) -> None: ...

    commands: tuple[Callable[..., int | None], ...] = (
        count,
        bench,
        recheck,
        calibrate,
        spike,
        plan,
        agreement,
        prevalence,
        simulate,
        settings,
    )
    for command in commands:
        app.command(cls=PlainHelp)(command)
    app.add_typer(adapters, name="adapters")
    return app

"""The command line: parse, call, show. One module a command; nothing heavy is imported before it is needed.

A new command is a function in a module of its own, whose top imports only `typer` and the light modules
(`settings`, `errors`, `cli.*`), and a line in `commands`.
"""

from __future__ import annotations

from sporecount.cli.main import main, run

__all__ = ["main", "run"]

"""Help that names what an argument is by a plain word."""

from __future__ import annotations

from typing import Any

from typer.core import TyperCommand


class PlainHelp(TyperCommand):
    """A command whose help shows an argument by its word alone, such as PHOTO, and whose summary is not cut.

    The parser's newer versions add the type that the program holds it in, as in `PHOTO <list[Path]>`, which tells
    a keeper nothing, and write `{PHOTO}` into the usage, braces that a reader might type along.
    """

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """Give the parts of the usage line.

        Parameters
        ----------
        ctx
            The parser's own.
        """
        return [piece.replace("{", "").replace("}", "") for piece in super().collect_usage_pieces(ctx)]

    def get_short_help_str(self, limit: int = 0) -> str:
        """Give up to 200 characters of the first sentence; the parser would cut it at the line's end.

        Parameters
        ----------
        limit : int
            The parser's own, heeded only where it is larger.
        """
        return str(super().get_short_help_str(limit=max(limit, 200)))

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write what the command takes.

        Parameters
        ----------
        ctx, formatter
            The parser's own.
        """
        for title, kind in (("Arguments", "argument"), ("Options", "option")):
            rows = [
                record
                for one in self.get_params(ctx)
                if one.param_type_name == kind and (record := one.get_help_record(ctx)) is not None
            ]
            if rows:
                with formatter.section(title):
                    formatter.write_dl([(name.split(" <")[0], words) for name, words in rows])

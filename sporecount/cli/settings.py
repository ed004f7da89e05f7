"""`sporecount settings`: what can be set, and what it does."""

from __future__ import annotations

from sporecount.cli import show


def settings() -> None:
    """List the settings of a count with their ranges.

    \b
    Example:
      sporecount count fernhollow-may --set count_from=0.6
    """  # noqa: D301  \b keeps lines as they are
    from sporecount.settings import describe_settings

    for knob in describe_settings():
        unit = f" {knob['unit']}" if knob["unit"] else ""
        show.say(
            [
                f"{knob['name']} = {knob['default']:g}{unit}   ({knob['low']:g} to {knob['high']:g}{unit})",
                f"    {knob['help']}",
            ]
        )

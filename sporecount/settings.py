"""Every knob of a count, with default, unit, range and help, in one table."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

from sporecount.errors import SettingsError


def _knob(default: Any, low: float, high: float, unit: str, text: str) -> Any:
    return field(default=default, metadata={"low": low, "high": high, "unit": unit, "help": text})


@dataclass(frozen=True)
class CountSettings:
    """Settings of a count. `describe_settings` gives their units, ranges and help texts.

    Raises
    ------
    SettingsError
        A value outside its range.
    """

    spore_length_min_um: float = _knob(8.0, 3.0, 60.0, "um", "Shortest spore that the search is sized for.")
    spore_length_max_um: float = _knob(16.0, 4.0, 80.0, "um", "Longest spore that the search is sized for.")
    count_from: float = _knob(0.5, 0.05, 0.95, "", "An object counts as a spore from this probability on.")
    doubt_low: float = _knob(0.15, 0.0, 0.5, "", "Objects above this probability are doubtful, not refused.")
    doubt_high: float = _knob(0.85, 0.5, 1.0, "", "Objects below this probability are doubtful, not sure.")
    min_examined_share: float = _knob(0.1, 0.0, 1.0, "", "A view with a smaller share examined is unusable.")
    field_number_mm: float = _knob(
        18.0, 5.0, 30.0, "mm", "Field number of the eyepiece, to check the size of the round view."
    )
    print_area_mm2: float = _knob(
        60.0, 1.0, 1000.0, "mm2", "Area of a whole print, to turn a density into a load."
    )

    def __post_init__(self) -> None:
        for knob in fields(self):
            value = getattr(self, knob.name)
            low, high, unit = knob.metadata["low"], knob.metadata["high"], knob.metadata["unit"]
            if not isinstance(value, (int, float)) or not low <= value <= high:
                raise SettingsError(
                    f"{knob.name} must be between {low:g} and {high:g} {unit}".rstrip() + f", got {value!r}",
                    remedy="Give a value inside that range",
                )
        if self.spore_length_min_um >= self.spore_length_max_um:
            raise SettingsError(
                f"spore_length_min_um ({self.spore_length_min_um:g}) must be below "
                f"spore_length_max_um ({self.spore_length_max_um:g})",
                remedy="Swap or widen them",
            )
        if not self.doubt_low <= self.count_from <= self.doubt_high:
            raise SettingsError(
                f"count_from ({self.count_from:g}) must lie between doubt_low ({self.doubt_low:g}) and doubt_high "
                f"({self.doubt_high:g}): an object that counts cannot be refused, nor a sure one be left out",
                remedy="Move doubt_low or doubt_high with it",
            )


def describe_settings() -> list[dict[str, Any]]:
    """List the settings as rows with name, default, low, high, unit and help."""
    return [{"name": knob.name, "default": knob.default, **knob.metadata} for knob in fields(CountSettings)]

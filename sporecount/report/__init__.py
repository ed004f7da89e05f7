"""Results as bytes for people: overlays, contact sheets, charts, the map of a print, the report of a session.

Nothing here touches the disk, and nothing heavy is loaded before it is used.

- `overlay_jpeg`: the picture of a field with what was found
- `object_crops`, `pack_crops`, `unpack_crops`, `doubtful_sheet`: doubtful objects close up
- `cut_out`, `spike_sheet`: simulated spores placed into photos, found and missed
- `session_html`: the report
- `print_map_svg`, `FieldPlace`: the map of a print
- `print_verdict`, `field_sentence`: the words
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOMES = {
    "overlay_jpeg": "overlay",
    "object_crops": "sheet",
    "cut_out": "sheet",
    "spike_sheet": "spiked",
    "pack_crops": "sheet",
    "unpack_crops": "sheet",
    "doubtful_sheet": "sheet",
    "session_html": "document",
    "print_map_svg": "print_map",
    "FieldPlace": "print_map",
    "print_verdict": "words",
    "field_sentence": "words",
}

__all__ = [
    "FieldPlace",
    "cut_out",
    "doubtful_sheet",
    "field_sentence",
    "object_crops",
    "overlay_jpeg",
    "pack_crops",
    "print_map_svg",
    "print_verdict",
    "session_html",
    "spike_sheet",
    "unpack_crops",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"sporecount.report.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'sporecount.report' has no attribute {name!r}")

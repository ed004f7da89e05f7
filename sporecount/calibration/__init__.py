"""Rulings to um per px with uncertainty; adapter profiles; checks against the round view.

- `read_ruling`: one photo of a ruling to a `RulingReading`
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOMES = {
    "read_ruling": "sporecount.calibration.ruling",
    "RulingReading": "sporecount.calibration.records",
}

__all__ = list(_HOMES)


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'sporecount.calibration' has no attribute {name!r}")

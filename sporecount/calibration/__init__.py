"""Rulings to um per px with uncertainty; adapter profiles; checks against the round view.

- `read_ruling`: one photo of a ruling to a `RulingReading`, or a `CalibrationError` that says why not
- `build_profile`, `compare_profiles`, `check_objectives`, `check_drift`, `match_profile`, `fingerprint`,
  `profile_from_json`: adapter profiles
- `scale_from_view`, `scale_from_length`: without a ruling
- `REFUSALS`: every cause of a refusal with words and remedy
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOMES = {
    "read_ruling": "ruling",
    "RulingReading": "records",
    "AdapterProfile": "records",
    "ApproximateScale": "records",
    "CalibrationCheck": "records",
    "approximate_profile": "profile",
    "build_profile": "profile",
    "compare_profiles": "profile",
    "check_objectives": "profile",
    "check_drift": "profile",
    "match_profile": "match",
    "fingerprint": "profile",
    "profile_from_json": "profile",
    "stated": "profile",
    "scale_from_view": "approximate",
    "scale_from_length": "approximate",
    "field_diameter_um": "plausible",
    "REFUSALS": "refusals",
}

__all__ = list(_HOMES)


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"sporecount.calibration.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'sporecount.calibration' has no attribute {name!r}")

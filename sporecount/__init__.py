"""Count parasite spores on tape prints of butterflies, from a folder of eyepiece photos.

The public names, loaded when first used:

- `count_field`, `count_print`, `calibrate_adapter`: the way from photo to tally (`sporecount.chain`)
- `count_folder`: a whole session (`sporecount.session`)
- `CountSettings`: every knob (`sporecount.settings`)
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOMES = {
    "count_field": "sporecount.chain",
    "count_print": "sporecount.chain",
    "calibrate_adapter": "sporecount.chain",
    "count_folder": "sporecount.session",
    "CountSettings": "sporecount.settings",
}

__all__ = [*_HOMES, "__version__"]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'sporecount' has no attribute {name!r}")

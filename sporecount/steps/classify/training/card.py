"""The card beside the model's files: what each part is and how it was made."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

_NAME = "model.json"


def read_card(folder: Path) -> dict[str, Any]:
    """Read the card of the model in a folder; an empty one where there is none yet."""
    path = folder / _NAME
    card: dict[str, Any] = {"name": "looks", "parts": {}}
    if path.exists():
        card = json.loads(path.read_text("utf-8"))
    return card


def write_card(folder: Path, card: dict[str, Any]) -> None:
    """Write the card of the model in a folder."""
    (folder / _NAME).write_text(json.dumps(card, indent=2) + "\n", encoding="utf-8")

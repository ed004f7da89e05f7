"""The card beside the model's files: what each part is and how it was made, from what was drawn for it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sporecount.files.whole import write_whole
from sporecount.steps.classify.network import SORTINGS

_NAME, _DRAWN = "model.json", "drawn.json"


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


def note_draw(folder: Path, draw: dict[str, Any]) -> None:
    """Note what is drawn into a folder, beside what was before; the same draw, gone on with, is noted once."""
    folder.mkdir(parents=True, exist_ok=True)
    draws = drawn_into(folder)
    if draw not in draws:
        write_whole(folder / _DRAWN, json.dumps([*draws, draw]).encode(), settled=False)


def drawn_into(folder: Path) -> list[dict[str, Any]]:
    """List what was drawn into a folder: styles and seed of each draw, and what else it was asked for."""
    path = folder / _DRAWN
    draws: list[dict[str, Any]] = json.loads(path.read_text("utf-8")) if path.exists() else []
    return draws


def refuse_known(
    card: dict[str, Any], drawn: list[dict[str, Any]], folder: Path, parts: Sequence[str] = SORTINGS
) -> None:
    """End the program where photos of a folder were drawn for some of the model's parts, too.

    What such photos show would flatter.
    """
    seeds_of_each = [
        {draw["seed"] for draw in card["parts"].get(part, {}).get("drawn", ())} for part in parts
    ]
    if not drawn:
        raise SystemExit(f"no note tells what was drawn into {folder}: draw it anew")
    if unknown := [part for part, seeds in zip(parts, seeds_of_each, strict=True) if not seeds]:
        raise SystemExit(
            f"no note tells which photos {' and '.join(unknown)} saw: fit them first, as DEVELOPERS.md says"
        )
    if set().union(*seeds_of_each) & {draw["seed"] for draw in drawn}:
        raise SystemExit(f"the model saw photos of {folder}: draw new ones with another seed")

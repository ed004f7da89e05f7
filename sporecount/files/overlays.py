"""The pictures in `overlays/`, each with a note of what it was drawn from."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from pathlib import Path

from sporecount.files.whole import sweep, write_whole


class Overlays:
    """Overlays of a session's results.

    Only pictures that this program drew are ever removed: each has a note of its own among the kept
    files, written before the picture.

    Parameters
    ----------
    out : Path
        Folder of the results.
    """

    def __init__(self, out: Path) -> None:
        self.folder = out / "overlays"
        self._notes = out / ".kept" / "overlays"
        self.folder.mkdir(parents=True, exist_ok=True)
        self._notes.mkdir(parents=True, exist_ok=True)

    def _note(self, name: str) -> Path:
        return self._notes / f"{name}.json"

    def save(self, name: str, drawn_from: str, picture: bytes) -> None:
        """Write a picture.

        Parameters
        ----------
        name : str
            File name.
        drawn_from : str
            Key of what it shows.
        picture : bytes
        """
        note = {"drawn_from": drawn_from, "sha256": hashlib.sha256(picture).hexdigest()}
        write_whole(self._note(name), json.dumps(note).encode())
        write_whole(self.folder / name, picture)

    def has(self, name: str, drawn_from: str) -> bool:
        """Tell whether the picture is there, whole, and drawn from this."""
        try:
            note = json.loads(self._note(name).read_bytes())
            if note["drawn_from"] != drawn_from:
                return False
            return hashlib.sha256((self.folder / name).read_bytes()).hexdigest() == note["sha256"]
        except (OSError, ValueError, KeyError, TypeError):
            return False

    def prune(self, wanted: Iterable[str]) -> None:
        """Remove the pictures that are not wanted any more, and what an interrupted run left."""
        names = set(wanted)
        for note in self._notes.glob("*.json"):
            name = note.name.removesuffix(".json")
            if name not in names:
                (self.folder / name).unlink(missing_ok=True)
                note.unlink(missing_ok=True)
        sweep(self.folder)
        sweep(self._notes)

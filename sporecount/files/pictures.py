"""The pictures of the fields: overlays for everybody, contact sheets of doubtful objects for the report."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from pathlib import Path

from sporecount.files.whole import sweep, write_whole


class FieldPictures:
    """Overlay and contact sheet of each photo, with a note of what they were drawn from.

    Overlays lie in `overlays/`, sheets among the kept files. Only pictures that this program drew are ever
    removed: each has its note, written before the picture.

    Parameters
    ----------
    out : Path
        Folder of the results.
    kept : Path
        Folder of the kept files.
    """

    def __init__(self, out: Path, kept: Path) -> None:
        self.overlays = out / "overlays"
        self._sheets = kept / "sheets"
        self._notes = kept / "pictures"
        for folder in (self.overlays, self._sheets, self._notes):
            folder.mkdir(parents=True, exist_ok=True)

    def _note(self, name: str) -> Path:
        return self._notes / f"{name}.json"

    def save(self, name: str, drawn_from: str, overlay: bytes, sheet: bytes) -> None:
        """Write the pictures of a photo.

        Parameters
        ----------
        name : str
            File name of both.
        drawn_from : str
            Key of what they show.
        overlay, sheet : bytes
            JPEG; the sheet empty where no object is doubtful.
        """
        note = {"drawn_from": drawn_from, "overlay": _digest(overlay), "sheet": _digest(sheet)}
        # each is checked against its note when it is looked for, so a torn one counts as absent
        write_whole(self._note(name), json.dumps(note).encode(), settled=False)
        write_whole(self.overlays / name, overlay, settled=False)
        write_whole(self._sheets / name, sheet, settled=False)

    def has(self, name: str, drawn_from: str) -> bool:
        """Tell whether both pictures are there, whole, and drawn from this."""
        try:
            note = json.loads(self._note(name).read_bytes())
            return bool(
                note["drawn_from"] == drawn_from
                and note["overlay"] == _digest(self.overlay(name))
                and note["sheet"] == _digest(self.sheet(name))
            )
        except (OSError, ValueError, KeyError, TypeError):
            return False

    def overlay(self, name: str) -> bytes:
        """Read an overlay, a JPEG."""
        return (self.overlays / name).read_bytes()

    def sheet(self, name: str) -> bytes:
        """Read a contact sheet."""
        return (self._sheets / name).read_bytes()

    def prune(self, wanted: Iterable[str]) -> None:
        """Remove the pictures that are not wanted any more, and what an interrupted run left."""
        names = set(wanted)
        for note in self._notes.glob("*.json"):
            name = note.name.removesuffix(".json")
            if name not in names:
                (self.overlays / name).unlink(missing_ok=True)
                (self._sheets / name).unlink(missing_ok=True)
                note.unlink(missing_ok=True)
        for folder in (self.overlays, self._sheets, self._notes):
            sweep(folder)


def _digest(picture: bytes) -> str:
    return hashlib.sha256(picture).hexdigest()

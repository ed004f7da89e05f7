"""The pictures of the fields: overlays for everybody, contact sheets of doubtful objects for the report."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from pathlib import Path

from sporecount.files.whole import sweep, write_whole


class FieldPictures:
    """Overlay, small overlay and contact sheet of each photo, with a note of what they were drawn from.

    Overlays lie in `overlays/`, the others among the kept files. Only pictures that this program drew are ever
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
        self._folders = {"overlay": self.overlays, "small": kept / "small", "sheet": kept / "sheets"}
        self._notes = kept / "pictures"
        for folder in (*self._folders.values(), self._notes):
            folder.mkdir(parents=True, exist_ok=True)

    def _note(self, name: str) -> Path:
        return self._notes / f"{name}.json"

    def save(self, name: str, drawn_from: str, *, overlay: bytes, small: bytes, sheet: bytes) -> None:
        """Write the pictures of a photo.

        Parameters
        ----------
        name : str
            File name of all.
        drawn_from : str
            Key of what they show.
        overlay, small, sheet : bytes
            JPEG; the sheet empty where no object is doubtful.
        """
        pictures = {"overlay": overlay, "small": small, "sheet": sheet}
        note = {"drawn_from": drawn_from, **{kind: _digest(data) for kind, data in pictures.items()}}
        # each is checked against its note when it is looked for, so a torn one counts as absent
        write_whole(self._note(name), json.dumps(note).encode(), settled=False)
        for kind, data in pictures.items():
            write_whole(self._folders[kind] / name, data, settled=False)

    def has(self, name: str, drawn_from: str) -> bool:
        """Tell whether all pictures are there, whole, and drawn from this."""
        try:
            note = json.loads(self._note(name).read_bytes())
            return bool(note["drawn_from"] == drawn_from) and all(
                note[kind] == _digest((folder / name).read_bytes()) for kind, folder in self._folders.items()
            )
        except (OSError, ValueError, KeyError, TypeError):
            return False

    def small(self, name: str) -> bytes:
        """Read the small overlay, as wide as a report shows one at most; a JPEG."""
        return (self._folders["small"] / name).read_bytes()

    def sheet(self, name: str) -> bytes:
        """Read a contact sheet, a JPEG or nothing."""
        return (self._folders["sheet"] / name).read_bytes()

    def prune(self, wanted: Iterable[str]) -> None:
        """Remove the pictures that are not wanted any more, and what an interrupted run left."""
        names = set(wanted)
        for note in self._notes.glob("*.json"):
            name = note.name.removesuffix(".json")
            if name not in names:
                for folder in self._folders.values():
                    (folder / name).unlink(missing_ok=True)
                note.unlink(missing_ok=True)
        for folder in (*self._folders.values(), self._notes):
            sweep(folder)


def _digest(picture: bytes) -> str:
    return hashlib.sha256(picture).hexdigest()

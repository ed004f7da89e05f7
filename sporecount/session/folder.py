"""What lies in a session's folder: photos, other files, names for overlays."""

from __future__ import annotations

import hashlib
import os
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from sporecount.errors import SessionError
from sporecount.files.sniff import HEAD_BYTES, kind_of

KEPT = ".kept"
"""Folder, inside the results, of what is kept between runs; it marks a folder of results."""

_SUFFIXES = {
    ".jpg", ".jpeg", ".jpe", ".jfif", ".heic", ".heif", ".hif", ".png", ".tif", ".tiff",
    ".webp", ".bmp", ".gif", ".avif",
}  # fmt: skip
_NAME_BYTES = 100


@dataclass(frozen=True)
class PhotoFile:
    """A file that claims to be a photo.

    Parameters
    ----------
    path : str
    name : str
        Below the session's folder, `/` between folders; always printable as UTF-8.
    """

    path: str
    name: str

    @property
    def folder(self) -> str:
        """The sub-folder, empty at the top."""
        return self.name.rpartition("/")[0]

    @property
    def stem(self) -> str:
        """The file name without folder and ending."""
        return self.name.rpartition("/")[2].rpartition(".")[0] or self.name.rpartition("/")[2]


@dataclass(frozen=True)
class Contents:
    """What a folder holds.

    Parameters
    ----------
    photos : tuple of PhotoFile
        In natural order: 2 before 10.
    ignored : tuple of str
        Files that are no photos by their names.
    """

    photos: tuple[PhotoFile, ...]
    ignored: tuple[str, ...]


def look_into(folder: Path, out: Path) -> Contents:
    """List the photos below a folder; hidden files and folders of results are passed over.

    Raises
    ------
    SessionError
        The folder is not there or cannot be read.
    """
    if not folder.is_dir():
        raise SessionError(
            "there is no such folder" if not folder.exists() else "this is a file, not a folder",
            where=printable(str(folder)),
            remedy="Give the folder that holds the photos",
        )
    photos, ignored = [], []
    for path in _files(folder, out.resolve()):
        name = printable(path.relative_to(folder).as_posix())
        if path.suffix.casefold() in _SUFFIXES or (not path.suffix and _begins_like_a_photo(path)):
            photos.append(PhotoFile(str(path), name))
        else:
            ignored.append(name)
    photos.sort(key=lambda photo: natural(photo.name))
    return Contents(tuple(photos), tuple(sorted(ignored, key=natural)))


def _files(folder: Path, out: Path) -> Iterator[Path]:
    def stop(fault: OSError) -> None:
        raise SessionError(
            f"the folder cannot be read ({fault.strerror})",
            where=printable(str(fault.filename)),
            remedy="Check its rights",
        ) from None

    for place, folders, names in os.walk(folder, onerror=stop):
        here = Path(place)
        folders[:] = sorted(name for name in folders if not _passed_over(here / name, out))
        for name in sorted(names):
            path = here / name
            if not name.startswith(".") and (path.is_file() or path.is_symlink()):
                yield path


def _passed_over(folder: Path, out: Path) -> bool:
    return folder.name.startswith(".") or folder.resolve() == out or (folder / KEPT).is_dir()


def _begins_like_a_photo(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return kind_of(file.read(HEAD_BYTES)) is not None
    except OSError:
        return False


def printable(text: str) -> str:
    """Give a file name that can be written as UTF-8, whatever bytes it is made of."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def natural(name: str) -> tuple:
    """Sort key in which numbers count as numbers; names that differ have keys that differ."""
    parts = re.split(r"([0-9]+)", name.casefold())
    return (*((-1, part) if at % 2 == 0 else (int(part), "") for at, part in enumerate(parts)), (-1, name))


def overlay_names(photos: Iterable[str]) -> dict[str, str]:
    """Give each photo a file name for its overlay that every system takes and no other photo has.

    Parameters
    ----------
    photos : iterable of str
        Names with their folders.

    Returns
    -------
    dict
        Photo to file name. A name that had to be changed, or that two photos would share, carries a
        short hash of the photo's name.
    """
    plain = {photo: _plain(photo) for photo in photos}
    shared = Counter(stem.casefold() for stem in plain.values())
    return {
        photo: f"{stem}.jpg"
        if shared[stem.casefold()] == 1 and stem == photo.rpartition(".")[0]
        else f"{stem}-{hashlib.sha256(photo.encode()).hexdigest()[:8]}.jpg"
        for photo, stem in plain.items()
    }


def _plain(photo: str) -> str:
    stem = photo.rpartition(".")[0] or photo
    stem = "".join(char if char.isalnum() or char in " _.+()[]" or char == "-" else "_" for char in stem)
    stem = stem.lstrip("-. ").rstrip(". ")
    return stem.encode()[:_NAME_BYTES].decode("utf-8", "ignore") or "photo"

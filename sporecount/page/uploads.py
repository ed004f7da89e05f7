"""Photos that arrive through the page: their names, their limits, and whether they are there already."""

from __future__ import annotations

import hashlib
import re
import shutil
import unicodedata
from collections.abc import AsyncIterator, Iterable
from dataclasses import dataclass
from pathlib import Path

from sporecount.errors import PhotoError
from sporecount.files.decode import MAX_BYTES
from sporecount.files.session_table import TABLE_NAME
from sporecount.files.sniff import HEAD_BYTES, kind_of
from sporecount.files.whole import written_whole
from sporecount.session.folder import KEPT, printable

_DEPTH, _NAME_BYTES = 3, 120
_TABLE_BYTES = 2_000_000
_KEEP_FREE = 200_000_000
_BLOCK = 1 << 20
_NOT_IN_NAMES = re.compile(r'[<>:"|?*]')
_TAKEN_NAMES = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))}


@dataclass(frozen=True)
class Arrival:
    """What became of a file that was sent.

    Parameters
    ----------
    name : str
        Under which it lies in the session.
    same_as : str
        Photo that holds the very same bytes; empty for a new one.
    """

    name: str
    same_as: str = ""


class _SameBytes(Exception):  # noqa: N818  it says what was found
    """Ends the writing of a file that is there already."""


def safe_path(sent: str) -> str:
    """Give a path below the session's folder for a name that a browser sent.

    Parameters
    ----------
    sent : str
        Anything at all.

    Returns
    -------
    str
        One to three parts with `/` between them; no part is hidden, climbs, or is reserved anywhere.

    Raises
    ------
    PhotoError
        Nothing is left of the name, or it leads into results of an earlier count.
    """
    text = unicodedata.normalize("NFC", sent.encode("utf-8", "replace").decode("utf-8"))
    parts = [safe for part in re.split(r"[/\\]", text) if (safe := _safe_part(part))]
    if not parts:
        _refuse("bad-name", sent, "the file has no usable name", "Rename it")
    if "sporecount" in (part.casefold() for part in parts[:-1]) or KEPT in sent.split("/"):
        _refuse("not-taken", sent, "this is a result of an earlier count, not a photo", "Leave it out")
    return "/".join([*parts[:-1][-(_DEPTH - 1) :], parts[-1]])


def _safe_part(part: str) -> str:
    part = "".join(char for char in part if char.isprintable())
    part = _NOT_IN_NAMES.sub("_", part).strip(" ").lstrip(".").strip(" ").rstrip(".")
    if part.startswith("-"):
        part = "_" + part[1:]
    stem, dot, ending = part.rpartition(".")
    if not dot:
        stem, ending = part, ""
    if stem.casefold() in _TAKEN_NAMES:
        stem += "_"
    room = _NAME_BYTES - len((dot + ending).encode())
    if room < 8:
        return part.encode()[:_NAME_BYTES].decode("utf-8", "ignore")
    return stem.encode()[:room].decode("utf-8", "ignore").rstrip(" .") + dot + ending


def _refuse(code: str, name: str, what: str, remedy: str) -> None:
    raise PhotoError(what, code=code, where=printable(name)[:200], remedy=remedy)


class Tray:
    """Takes files into the folder of a session, one name for one file.

    Parameters
    ----------
    folder : Path
        Of the photos.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._busy: set[str] = set()
        self._known: dict[tuple[str, int, int], str] = {}

    def lacking(self, offered: Iterable[tuple[str, int]]) -> list[int]:
        """Tell which of the files offered, as (name, bytes), are not here yet under name and size."""
        wanted = []
        for at, (name, size) in enumerate(offered):
            try:
                path = self._folder / safe_path(name)
                if not path.is_file() or path.stat().st_size != size:
                    wanted.append(at)
            except (PhotoError, OSError):
                wanted.append(at)  # sent all the same, it is refused with its reason
        return wanted

    async def take(self, sent: str, size: int | None, chunks: AsyncIterator[bytes]) -> Arrival:
        """Write a file as it comes.

        Parameters
        ----------
        sent : str
            Name, as the browser gave it.
        size : int or None
            Bytes announced.
        chunks : async iterator of bytes

        Raises
        ------
        PhotoError
            Too large, no photo, no room, or a bad name.
        """
        wanted = safe_path(sent)
        is_table = wanted.rpartition("/")[2] == TABLE_NAME
        limit = _TABLE_BYTES if is_table else MAX_BYTES
        if size is not None and size > limit:
            self._too_large(sent, limit)
        if shutil.disk_usage(self._folder).free < (size or 0) + _KEEP_FREE:
            _refuse(
                "no-room", sent, "there is too little room left on the disk", "Make room and drop it again"
            )
        name = TABLE_NAME if is_table else self._free(wanted)
        self._busy.add(name.casefold())
        path = self._folder / name
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            digest, written, head = hashlib.sha256(), 0, b""
            with written_whole(path) as out:
                async for chunk in chunks:
                    written += len(chunk)
                    if written > limit:
                        self._too_large(sent, limit)
                    if not is_table and len(head) < HEAD_BYTES:
                        head += chunk[:HEAD_BYTES]
                        if len(head) >= HEAD_BYTES and kind_of(head) is None:
                            _not_a_photo(sent)
                    digest.update(chunk)
                    out.write(chunk)
                if not is_table and kind_of(head) is None:
                    _not_a_photo(sent) if written else _refuse(
                        "empty", sent, "the file is empty", "Copy it from the phone again"
                    )
                if not is_table and (twin := self._twin(digest.hexdigest(), written)):
                    raise _SameBytes(twin)
        except _SameBytes as found:
            return Arrival(str(found), same_as=str(found))
        finally:
            self._busy.discard(name.casefold())
        return Arrival(name)

    def _too_large(self, sent: str, limit: int) -> None:
        _refuse("too-large", sent, f"the file has more than {limit / 1e6:.0f} MB", "Save a photo as JPEG")

    def _free(self, wanted: str) -> str:
        stem, dot, ending = wanted.rpartition(".")
        name, number = wanted, 1
        while name.casefold() in self._busy or (self._folder / name).exists():
            number += 1
            name = f"{stem}~{number}.{ending}" if dot else f"{wanted}~{number}"
        return name

    def _twin(self, sha256: str, size: int) -> str:
        """Find a photo with the very same bytes; only files of the same size are read."""
        for path in self._folder.rglob("*"):
            try:
                about = path.stat()
                if about.st_size != size or not path.is_file() or path.name.startswith("."):
                    continue
                key = (str(path), size, about.st_mtime_ns)
                if key not in self._known:
                    self._known[key] = _digest(path)
            except OSError:
                continue
            if self._known[key] == sha256:
                return printable(path.relative_to(self._folder).as_posix())
        return ""


def _not_a_photo(sent: str) -> None:
    _refuse("not-a-photo", sent, "the file is not a photo, whatever its name says", "Leave it out")


def _digest(path: Path) -> str:
    whole = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            whole.update(block)
    return whole.hexdigest()

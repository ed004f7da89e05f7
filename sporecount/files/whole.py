"""Files that appear whole or not at all, and a folder that one run at a time may write."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from sporecount.errors import SessionError

_PART = ".part"
"""End of the name of a file that is still being written; such a file left behind is rubbish."""


@contextlib.contextmanager
def written_whole(path: Path, *, settled: bool = True) -> Iterator[IO[bytes]]:
    """Give a file to write to, which takes the place of `path` at the end and is gone after a fault.

    Parameters
    ----------
    path : Path
        Its folder exists.
    settled : bool
        Wait until the bytes are on the disk before the old file is let go, so that not even a power cut
        leaves half. Not needed where a reader can tell a whole file from a half one.
    """
    part = path.with_name(f".{secrets.token_hex(8)}{_PART}")
    try:
        with part.open("xb") as out:
            yield out
            if settled:
                out.flush()
                os.fsync(out.fileno())
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    if settled:
        _settle(path.parent)


def write_whole(path: Path, data: bytes, *, settled: bool = True) -> None:
    """Write a file whole or not at all; parameters as of `written_whole`."""
    with written_whole(path, settled=settled) as out:
        out.write(data)


def _settle(folder: Path) -> None:
    """Bring the folder's new entry to the disk, where the system can."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sweep(folder: Path) -> None:
    """Remove what an interrupted run left half written in a folder."""
    for part in folder.glob(f".*{_PART}"):
        part.unlink(missing_ok=True)


@contextlib.contextmanager
def only_run(folder: Path) -> Iterator[None]:
    """Hold a folder of results for this run; the system lets go of it even when the run is killed.

    Raises
    ------
    SessionError
        Another run holds it.
    """
    with (folder / "lock").open("ab") as handle:
        if not _lock(handle):
            raise SessionError(
                "another run is writing its results here",
                where=str(folder.parent),
                remedy="Wait until it is done, or give another place with --out",
            )
        yield


def _lock(handle: IO[bytes]) -> bool:
    try:
        if os.name == "nt":
            import msvcrt

            msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError as fault:
        # some network disks cannot lock at all: better an unguarded run than none
        return os.name != "nt" and not isinstance(fault, PermissionError)
    return True

"""The guided walk of a calibration: photos of a ruling on the page, until they are accepted or put away."""

from __future__ import annotations

import shutil
import tempfile
import threading
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

from sporecount.errors import PhotoError
from sporecount.page.opened import photo_id
from sporecount.page.uploads import Tray
from sporecount.session.crew import Crew, WorkerDied
from sporecount.session.ruling_walk import RulingJob, RulingRead, SeeJob
from sporecount.session.tiles import Refused
from sporecount.session.without_ruling import Seen

_MOST_PHOTOS = 24
_DOWN = Refused("the photo brings the decoder down", "damaged", "Copy it again")


@dataclass(frozen=True)
class Rig:
    """What is said of the microscope.

    Parameters
    ----------
    objective : float or None
    division_um : float or None
        Finest division of the ruling; told from the photo when None.
    field_number_mm : float
    """

    objective: float | None = None
    division_um: float | None = None
    field_number_mm: float = 18.0


class Walk:
    """Photos of a ruling, each read once; they lie in a folder that goes with the program."""

    def __init__(self) -> None:
        self.rig = Rig()
        self._folder = Path(tempfile.mkdtemp(prefix="sporecount-rulings-"))
        self._tray = Tray(self._folder)
        self._lock = threading.Lock()
        self._crew: Crew | None = None
        self._reads: dict[str, tuple[RulingRead, Rig]] = {}
        self._seen: dict[str, Seen] = {}

    def close(self) -> None:
        """End the worker and put the photos away."""
        if self._crew is not None:
            self._crew.__exit__()
        shutil.rmtree(self._folder, ignore_errors=True)

    async def take(self, name: str, size: int | None, chunks: AsyncIterator[bytes]) -> str:
        """Take a photo; give its name."""
        return (await self._tray.take(name, size, chunks)).name

    def names(self) -> list[str]:
        """List the photos."""
        found = (
            path.relative_to(self._folder).as_posix() for path in self._folder.rglob("*") if path.is_file()
        )
        return sorted(name for name in found if not name.rpartition("/")[2].startswith("."))[:_MOST_PHOTOS]

    def say(self, rig: Rig) -> None:
        """Say what the microscope is; all photos are read again with it."""
        self.rig = rig

    def remove(self, at: str) -> bool:
        """Put a photo away, by its id."""
        name = self._name(at)
        if name is None:
            return False
        (self._folder / name).unlink(missing_ok=True)
        self._reads.pop(name, None)
        self._seen.pop(name, None)
        return True

    def _name(self, at: str) -> str | None:
        return next((name for name in self.names() if photo_id(name) == at), None)

    def clear(self) -> None:
        """Put all photos away."""
        for name in self.names():
            self.remove(photo_id(name))

    def reads(self) -> list[RulingRead]:
        """Give what came out of each photo; those not read yet with this rig are read now."""
        with self._lock:
            names = self.names()
            jobs = [
                RulingJob(
                    str(self._folder / name),
                    name,
                    self.rig.objective,
                    self.rig.division_um,
                    self.rig.field_number_mm,
                )
                for name in names
                if name not in self._reads or self._reads[name][1] != self.rig
            ]
            if jobs:
                for job, answer in self._readers().do(jobs):
                    if isinstance(answer, WorkerDied):
                        answer = RulingRead(job.name, what=_DOWN.what, code=_DOWN.code, remedy=_DOWN.remedy)
                    self._reads[job.name] = (answer, self.rig)
            return [self._reads[name][0] for name in names]

    def _readers(self) -> Crew:
        self._crew = self._crew or Crew(1, "sporecount.session.ruling_walk:make_reader", None)
        return self._crew

    def read(self, at: str) -> RulingRead | None:
        """Give what came out of a photo, by its id, if it was read."""
        return next((one for name, (one, _) in list(self._reads.items()) if photo_id(name) == at), None)

    def file(self, at: str) -> tuple[str, Path] | None:
        """Give name and file of a photo, by its id."""
        name = self._name(at)
        return None if name is None else (name, self._folder / name)

    def see(self, at: str) -> Seen | None:
        """Look at a photo, by its id, once; None when there is no such photo.

        Raises
        ------
        PhotoError
            The photo cannot be read.
        """
        with self._lock:
            found = self.file(at)
            if found is None:
                return None
            name, path = found
            if name not in self._seen:
                (_, answer), *_ = self._readers().do([SeeJob(str(path), name)])
                if isinstance(answer, WorkerDied):
                    answer = _DOWN
                if isinstance(answer, Refused):
                    raise PhotoError(answer.what, code=answer.code, where=name, remedy=answer.remedy)
                self._seen[name] = answer
            return self._seen[name]

"""The guided walk of a calibration: photos of a ruling on the page, until they are accepted or put away."""

from __future__ import annotations

import shutil
import tempfile
import threading
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

from sporecount.page.opened import photo_id
from sporecount.page.uploads import Tray
from sporecount.session.crew import Crew, WorkerDied
from sporecount.session.ruling_walk import RulingJob, RulingRead

_MOST_PHOTOS = 24


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
        for name in self.names():
            if photo_id(name) == at:
                (self._folder / name).unlink(missing_ok=True)
                self._reads.pop(name, None)
                return True
        return False

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
                self._crew = self._crew or Crew(1, "sporecount.session.ruling_walk:make_reader", None)
                for job, answer in self._crew.do(jobs):
                    if isinstance(answer, WorkerDied):
                        answer = RulingRead(
                            job.name,
                            what="the photo brings the decoder down",
                            code="damaged",
                            remedy="Copy it again",
                        )
                    self._reads[job.name] = (answer, self.rig)
            return [self._reads[name][0] for name in names]

    def read(self, at: str) -> RulingRead | None:
        """Give what came out of a photo, by its id, if it was read."""
        return next((one for name, (one, _) in list(self._reads.items()) if photo_id(name) == at), None)

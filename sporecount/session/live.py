"""A folder counted again and again while photos arrive, by workers that stay ready."""

from __future__ import annotations

import os
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from sporecount.errors import SporecountError
from sporecount.files.kept import KeptFields
from sporecount.records import FieldResult
from sporecount.session.crew import Crew
from sporecount.session.folder import KEPT
from sporecount.session.run import count_folder, make_crew
from sporecount.session.worker import GetReady, PhotoDone
from sporecount.settings import CountSettings

Doing = Literal["waiting", "counting", "writing", "stopped", "fault"]
_RATE_OVER = 12
"""Photos over which the rate is taken."""
_LOOK_EVERY_S = 2.0
"""Time between two looks at a watched folder."""


@dataclass(frozen=True)
class Wish:
    """How the photos of a session are to be counted; as in `count_folder`."""

    adapter: str | None = None
    objective: float | None = None
    um_per_px: float | None = None
    settings: CountSettings = field(default_factory=CountSettings)


@dataclass(frozen=True)
class State:
    """Where the count stands.

    Parameters
    ----------
    doing : {"waiting", "counting", "writing", "stopped", "fault"}
    done, total : int
        Photos of the present run.
    per_s : float
        Photos counted in a second, of late; 0 when unknown.
    left_s : float or None
        Expected time to the end; None when unknown.
    words : str
        Of the fault.
    results : int
        Goes up whenever new results have been written.
    """

    doing: Doing = "waiting"
    done: int = 0
    total: int = 0
    per_s: float = 0.0
    left_s: float | None = None
    words: str = ""
    results: int = 0


class _Stopped(Exception):  # noqa: N818  it says what happened
    """The keeper asked to stop."""


class LiveCount:
    """Counts a folder in the background.

    Parameters
    ----------
    folder, out : Path
        Of the photos, and of the results.
    wish : Wish
    workers : int, optional
        Processes; as many as there are processors if left out.
    on_photo : callable
        Called from the counting thread with what became of a photo and its field, None for a failed one.
    on_state : callable
        Called from the counting thread with each `State`.
    """

    def __init__(
        self,
        folder: Path,
        out: Path,
        wish: Wish,
        *,
        workers: int | None = None,
        on_photo: Callable[[PhotoDone, FieldResult | None], None],
        on_state: Callable[[State], None],
    ) -> None:
        self.folder, self.out, self.wish = folder, out, wish
        self.state = State()
        self._workers = workers or len(os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else "1")
        self._on_photo, self._on_state = on_photo, on_state
        self._crew: Crew | None = None
        self._wake = threading.Condition()
        self._asked = self._stop = self._closing = self._watch = False
        self._seen: dict[str, int] | None = None
        self._counted: dict[str, int] = {}
        self._ends: deque[float] = deque(maxlen=_RATE_OVER)
        self._thread = threading.Thread(target=self._work, daemon=True, name="count")

    def start(self) -> None:
        """Begin; the workers get ready before there is anything to do."""
        self._thread.start()

    def ask(self) -> None:
        """Count what is new."""
        with self._wake:
            self._asked, self._stop = True, False
            self._wake.notify()

    def stop(self) -> None:
        """End the present run; what is counted is kept."""
        with self._wake:
            self._stop, self._asked = True, False

    def close(self) -> None:
        """End the present run and the workers."""
        with self._wake:
            self._closing = self._stop = True
            self._wake.notify()
        if self._thread.is_alive():
            self._thread.join(timeout=10)

    def change(self, wish: Wish) -> None:
        """Count in another way from now on; a run in progress begins again."""
        with self._wake:
            if wish == self.wish:
                return
            self.wish, self._stop = wish, True
            self._wake.notify()

    @property
    def watching(self) -> bool:
        """Whether photos that appear in the folder are counted without being asked."""
        return self._watch

    def watch(self, on: bool) -> None:
        """Count whatever appears in the folder, or leave it alone."""
        with self._wake:
            self._watch, self._seen = on, None
            self._wake.notify()

    def _tell(self, **changes: object) -> None:
        self.state = replace(self.state, **changes)  # type: ignore[arg-type]
        self._on_state(self.state)

    def _work(self) -> None:
        ready_for = None
        while True:
            with self._wake:
                wish = self.wish
            if self._crew is None or ready_for != wish.settings:
                ready_for = wish.settings
                self._get_ready(wish.settings)
                if self._crew is None and not self._closing:
                    continue
            with self._wake:
                if not self._asked and not self._closing and self.wish == wish:
                    self._wake.wait(_LOOK_EVERY_S if self._watch else None)
                if self._closing:
                    break
                if self.wish != wish or not (self._asked or (self._watch and self._changed())):
                    continue
                self._asked = self._stop = False
            self._run(wish)
        self._drop_crew()

    def _get_ready(self, settings: CountSettings) -> None:
        """Have workers with these settings, libraries loaded."""
        self._drop_crew()
        try:
            self.out.mkdir(parents=True, exist_ok=True)
            self._crew = make_crew(self.out, settings, self._workers)
            list(self._crew.do([GetReady()] * self._workers))
        except (SporecountError, OSError, ImportError) as fault:
            self._drop_crew()
            self._tell(doing="fault", words=str(fault))
            with self._wake:
                self._asked = False
                self._wake.wait_for(lambda: self._asked or self._closing)

    def _changed(self) -> bool:
        """Tell whether the watched folder holds something new that has stopped growing."""
        now = {
            str(path): path.stat().st_size
            for path in self.folder.rglob("*")
            if path.is_file() and self.out not in path.parents and not path.name.startswith(".")
        }
        before, self._seen = self._seen, now
        if now != before or now == self._counted:
            return False
        self._counted = now
        return True

    def _run(self, wish: Wish) -> None:
        self._ends.clear()
        self._ends.append(time.monotonic())
        self._tell(doing="counting", done=0, total=0, per_s=0.0, left_s=None, words="")
        try:
            count_folder(
                self.folder,
                out=self.out,
                adapter=wish.adapter,
                objective=wish.objective,
                um_per_px=wish.um_per_px,
                settings=wish.settings,
                progress=self._progress,
                crew=self._crew,
            )
        except _Stopped:
            self._drop_crew()
            self._tell(doing="stopped", left_s=None)
        except SporecountError as fault:
            self._tell(doing="fault", words=str(fault), left_s=None)
        except Exception as fault:
            self._drop_crew()
            words = f"A fault of this program ({type(fault).__name__}: {fault}). What is counted is kept."
            self._tell(doing="fault", words=words, left_s=None)
        else:
            self._tell(doing="waiting", left_s=None, results=self.state.results + 1)

    def _drop_crew(self) -> None:
        """Let go of workers that may be in the middle of a job."""
        if self._crew is not None:
            self._crew.__exit__()
            self._crew = None

    def _progress(self, done: int, total: int, photo: PhotoDone) -> None:
        if self._stop:
            raise _Stopped
        now = time.monotonic()
        if photo.state == "counted":
            self._ends.append(now)
        span = self._ends[-1] - self._ends[0]
        per_s = (len(self._ends) - 1) / span if span > 0 else 0.0
        kept = KeptFields(self.out / KEPT / "fields")
        self._on_photo(photo, kept.result(photo.key) if photo.key else None)
        left = (total - done) / per_s if per_s else None
        self._tell(
            doing="counting" if done < total else "writing", done=done, total=total, per_s=per_s, left_s=left
        )

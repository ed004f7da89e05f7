"""Worker processes that share the jobs of a session.

Each is fed by a thread of this process through a pipe of its own. A worker that dies takes only its
own job with it, which gets one more chance in a fresh worker; when this process dies, the workers read
the end of their pipes and go.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import queue
import subprocess
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from typing import Any, TypeVar

from sporecount.errors import SessionError

_START = (
    "import json, sys; sys.path[:] = json.loads(sys.argv[1]); "
    "from sporecount.session.crew import serve; serve(sys.argv[2])"
)
_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
_KEEP_MEMORY = {"MALLOC_MMAP_THRESHOLD_": str(1 << 30), "MALLOC_TRIM_THRESHOLD_": str(1 << 30)}
"""Where the C library is glibc: what a picture leaves is used for the next, not handed back and asked for anew,
which costs a twentieth of a photo's time. See `man mallopt`."""
_CHANCES = 2

Job = TypeVar("Job")


class WorkerDied(Exception):  # noqa: N818  it says what happened
    """A worker process ended in the middle of a job."""


class _Process:
    """One worker process.

    Parameters
    ----------
    maker : str
        "module:function" that takes `setup` and gives the function which does a job.
    setup : Any
    """

    def __init__(self, maker: str, setup: Any) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", _START, json.dumps(sys.path), maker],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=os.environ | _ONE_THREAD | _KEEP_MEMORY,
        )
        try:
            self.ask(setup)
        except ImportError:
            self.stop()
            raise
        except WorkerDied:
            raise SessionError(
                "a worker process could not start", remedy="Run again with --workers 0 to see why"
            ) from None

    def ask(self, job: Any) -> Any:
        """Hand over a job and wait for the answer.

        Raises
        ------
        WorkerDied
        ImportError
            A library that the worker could not load.
        """
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        try:
            pickle.dump(job, self._process.stdin)
            self._process.stdin.flush()
            good, answer = pickle.load(self._process.stdout)
        except (OSError, EOFError, pickle.UnpicklingError, ValueError):
            self.stop()
            raise WorkerDied from None
        if not good:
            raise answer
        return answer

    def stop(self) -> None:
        """End the worker at once; what it was writing is whole or absent."""
        self._process.kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()


class Crew:
    """A number of workers.

    Parameters
    ----------
    workers : int
        Processes; 0 does every job in this process.
    maker : str
        "module:function" that takes `setup` and gives the function which does a job.
    setup : Any
        Can be pickled.
    """

    def __init__(self, workers: int, maker: str, setup: Any) -> None:
        self._workers, self._maker, self._setup = workers, maker, setup
        self._idle: list[_Process] = []
        self._all: list[_Process] = []
        self._closed = False
        self._here: Callable[[Any], Any] | None = None

    def __enter__(self) -> Crew:
        return self

    def __exit__(self, *_fault: object) -> None:
        self._closed = True
        for process in list(self._all):  # a worker that is stopped is taken off the list by its own thread
            process.stop()

    def do(self, jobs: Iterable[Job]) -> Iterator[tuple[Job, Any]]:
        """Do jobs and give each with its answer, in the order in which they are done.

        The answer is `WorkerDied` for a job that ended its worker twice.
        """
        if self._workers == 0:
            self._here = self._here or _made(self._maker, self._setup)
            for job in jobs:
                yield job, self._here(job)
            return
        yield from self._shared(list(jobs))

    def _shared(self, jobs: list[Job]) -> Iterator[tuple[Job, Any]]:
        waiting: queue.SimpleQueue[Job] = queue.SimpleQueue()
        done: queue.SimpleQueue[tuple[Job | None, Any]] = queue.SimpleQueue()
        for job in jobs:
            waiting.put(job)

        def feed() -> None:
            try:
                while not self._closed:
                    job = waiting.get_nowait()
                    done.put((job, self._answer(job)))
            except queue.Empty:
                pass
            except BaseException as fault:
                done.put((None, fault))

        for _ in range(min(self._workers, len(jobs))):
            threading.Thread(target=feed, daemon=True).start()
        for _ in jobs:
            finished, answer = done.get()
            if finished is None:
                raise answer
            yield finished, answer

    def _answer(self, job: Any) -> Any:
        for _ in range(_CHANCES):
            process = self._rested() or self._started()
            try:
                answer = process.ask(job)
            except WorkerDied:
                self._all.remove(process)
                if self._closed:
                    break
                continue
            self._idle.append(process)
            return answer
        return WorkerDied()

    def _rested(self) -> _Process | None:
        with contextlib.suppress(IndexError):
            return self._idle.pop()
        return None

    def _started(self) -> _Process:
        process = _Process(self._maker, self._setup)
        self._all.append(process)
        if self._closed:
            process.stop()
        return process


def _made(maker: str, setup: Any) -> Callable[[Any], Any]:
    from importlib import import_module

    module, _, name = maker.partition(":")
    return getattr(import_module(module), name)(setup)


def serve(maker: str) -> None:
    """Work off jobs from the standard input until it ends: the body of a worker process."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the other side decides what an interruption means
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a library prints must not get between the answers

    def answer(work: Callable[[], Any]) -> bool:
        try:
            said: tuple[bool, Any] = (True, work())
        except ImportError as fault:
            said = (False, fault)
        pickle.dump(said, out)
        out.flush()
        return said[0]

    jobs = sys.stdin.buffer
    done: list[Callable[[Any], Any]] = []

    def begin(setup: Any) -> None:
        done.append(_made(maker, setup))

    setup = pickle.load(jobs)
    if not answer(lambda: begin(setup)):
        return
    with contextlib.suppress(EOFError):
        while True:
            job = pickle.load(jobs)
            answer(lambda job=job: done[0](job))  # type: ignore[misc]

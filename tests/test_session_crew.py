"""Workers: what dies with one, and what does not."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from sporecount.errors import SessionError
from sporecount.session.crew import Crew, WorkerDied

HERE = "tests.test_session_crew:"


def make_doubler(setup):
    """A worker that can be told to die."""

    def double(job):
        if job == "die":
            os._exit(7)
        if isinstance(job, Path):  # dies at the first try only
            if not job.exists():
                job.write_bytes(b"")
                os._exit(7)
            return "second try"
        if job == "noise":
            os.write(1, b"a library writes to the standard output\n")
            return "noise"
        return job * setup

    return double


def make_nothing(setup):
    raise ImportError("libGL.so.1: cannot open shared object file: No such file or directory")


def make_death(setup):
    os._exit(3)


@pytest.mark.parametrize("workers", [0, 1, 2])
def test_every_job_is_answered_once(workers):
    with Crew(workers, HERE + "make_doubler", 2) as crew:
        assert sorted(crew.do(range(20))) == [(job, 2 * job) for job in range(20)]
        assert list(crew.do([])) == []
        assert list(crew.do([4])) == [(4, 8)]


def test_a_dying_worker_loses_its_own_job_only(tmp_path):
    once = tmp_path / "once"
    with Crew(2, HERE + "make_doubler", 2) as crew:
        answers = list(crew.do([1, "die", 2, once, "noise", 3]))
    lost = [job for job, answer in answers if isinstance(answer, WorkerDied)]
    assert lost == ["die"]
    assert {str(job): answer for job, answer in answers if job != "die"} == {
        "1": 2, "2": 4, "3": 6, "noise": "noise", str(once): "second try",
    }  # fmt: skip


def test_what_cannot_start_says_why():
    with Crew(1, HERE + "make_nothing", None) as crew, pytest.raises(ImportError, match="libGL"):
        list(crew.do([1]))
    with Crew(1, HERE + "make_death", None) as crew, pytest.raises(SessionError, match="could not start"):
        list(crew.do([1]))


@pytest.mark.skipif(os.name == "nt", reason="needs kill -9")
def test_workers_go_when_their_master_is_killed():
    script = (
        "from sporecount.session.crew import Crew\n"
        f"with Crew(1, {HERE + 'make_doubler'!r}, 2) as crew:\n"
        "    list(crew.do([1])); print(crew._all[0]._process.pid, flush=True)\n"
        "    import time; time.sleep(60)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script], stdout=subprocess.PIPE, cwd=Path(__file__).parents[1]
    ) as master:
        worker = int(master.stdout.readline())
        master.send_signal(signal.SIGKILL)
    for _ in range(100):
        if not alive(worker):
            return
        time.sleep(0.05)
    raise AssertionError("the worker stayed behind")


def alive(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"

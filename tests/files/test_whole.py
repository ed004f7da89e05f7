"""Files appear whole or not at all, and one run at a time writes a folder."""

import os
import signal
import subprocess
import sys
import time

import pytest

from sporecount.errors import SessionError
from sporecount.files.whole import only_run, sweep, write_whole, written_whole


def test_a_fault_leaves_the_old_file(tmp_path):
    path = tmp_path / "fields.csv"
    write_whole(path, b"old")
    with pytest.raises(TypeError), written_whole(path) as out:
        out.writelines([b"new and half", "no bytes"])
    assert path.read_bytes() == b"old"
    assert [one.name for one in tmp_path.iterdir()] == ["fields.csv"]


def test_the_old_file_stands_until_the_new_one_is_complete(tmp_path):
    path = tmp_path / "a"
    write_whole(path, b"old")
    with written_whole(path) as out:
        out.write(b"new")
        assert path.read_bytes() == b"old"
    assert path.read_bytes() == b"new"


@pytest.mark.skipif(os.name == "nt", reason="needs kill -9")
def test_killed_while_writing(tmp_path):
    """Kill -9 in the middle leaves the old file, and rubbish that the next run sweeps away."""
    path = tmp_path / "objects.csv"
    write_whole(path, b"old")
    script = (
        "import sys, time; from pathlib import Path; from sporecount.files.whole import written_whole\n"
        f"with written_whole(Path({str(path)!r})) as out:\n"
        "    out.write(b'half'); out.flush(); print('now', flush=True); time.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE) as process:
        assert process.stdout.readline() == b"now\n"
        process.send_signal(signal.SIGKILL)
    assert path.read_bytes() == b"old"
    assert len(list(tmp_path.iterdir())) == 2
    sweep(tmp_path)
    assert [one.name for one in tmp_path.iterdir()] == ["objects.csv"]


def test_one_run_at_a_time(tmp_path):
    with only_run(tmp_path), pytest.raises(SessionError, match="another run"), only_run(tmp_path):
        pass
    with only_run(tmp_path):
        pass


@pytest.mark.skipif(os.name == "nt", reason="needs kill -9")
def test_a_killed_run_holds_nothing(tmp_path):
    script = (
        "import time; from pathlib import Path; from sporecount.files.whole import only_run\n"
        f"with only_run(Path({str(tmp_path)!r})):\n"
        "    print('held', flush=True); time.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE) as process:
        assert process.stdout.readline() == b"held\n"
        with pytest.raises(SessionError), only_run(tmp_path):
            pass
        process.kill()
        process.wait()
        for _ in range(50):  # the system lets go a moment after the end
            try:
                with only_run(tmp_path):
                    return
            except SessionError:
                time.sleep(0.05)
    raise AssertionError("the lock outlived its holder")

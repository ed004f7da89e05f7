"""A real browser and a real server for it; used by the tests and by the script that makes the pictures."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def chromium_path() -> str | None:
    """Where a Chromium is, if one is installed."""
    names = ("chromium", "chromium-browser", "google-chrome", "chrome")
    return next((path for name in names if (path := shutil.which(name))), None)


class Server:
    """`sporecount bench` in a process of its own."""

    def __init__(self, folder: Path, home: Path, *options: str, command: str = "bench") -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "sporecount.cli", command, str(folder), "--no-browser", *options],
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env={**os.environ, "SPORECOUNT_HOME": str(home), "HOME": str(home.parent)},
        )
        assert self._process.stdout is not None
        for line in self._process.stdout:
            if line.strip().startswith("http"):
                self.opening = line.strip()
                break
        else:
            raise RuntimeError("the page did not start")
        self.home = self.opening.split("/open")[0]

    def kill(self) -> None:
        """End it as a power cut would."""
        self._process.send_signal(signal.SIGKILL)
        self._end()

    def close(self) -> None:
        self._process.terminate()
        self._end()

    def _end(self) -> None:
        self._process.wait(timeout=20)
        assert self._process.stdout is not None
        self._process.stdout.close()

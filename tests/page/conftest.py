"""A session that a count left, and a client that talks to its page."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from sporecount.page.desk import Desk
from tests.page.client import Client
from tests.page.example import write_example


@pytest.fixture(scope="session")
def example(tmp_path_factory) -> Path:
    """The folder of a session, to be copied and not to be changed."""
    folder = tmp_path_factory.mktemp("example") / "fernhollow"
    write_example(folder)
    return folder


@pytest.fixture
def client(example, tmp_path, monkeypatch) -> Iterator[Client]:
    monkeypatch.setenv("SPORECOUNT_HOME", str(tmp_path / "home"))
    folder = shutil.copytree(example, tmp_path / "fernhollow")
    made = Client(Desk(folder, folder / "sporecount"))
    yield made
    made.desk.close()


@pytest.fixture
def empty(tmp_path, monkeypatch) -> Iterator[Client]:
    monkeypatch.setenv("SPORECOUNT_HOME", str(tmp_path / "home"))
    folder = tmp_path / "new"
    folder.mkdir()
    made = Client(Desk(folder, folder / "sporecount"))
    yield made
    made.desk.close()

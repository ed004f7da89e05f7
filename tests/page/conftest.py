"""A session that a count left, and a client that talks to its page."""

from __future__ import annotations

import pytest

from sporecount.page.desk import Desk
from tests.page.client import Client
from tests.page.example import write_example


@pytest.fixture
def client(tmp_path, monkeypatch) -> Client:
    monkeypatch.setenv("SPORECOUNT_HOME", str(tmp_path / "home"))
    folder = tmp_path / "fernhollow"
    return Client(Desk(folder, write_example(folder)))


@pytest.fixture
def empty(tmp_path, monkeypatch) -> Client:
    monkeypatch.setenv("SPORECOUNT_HOME", str(tmp_path / "home"))
    folder = tmp_path / "new"
    folder.mkdir()
    return Client(Desk(folder, folder / "sporecount"))

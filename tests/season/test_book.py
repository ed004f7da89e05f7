"""The book of a session: nothing is lost, nothing twice, old files come along."""

import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from sporecount.errors import SessionError
from sporecount.readings import Reading
from sporecount.season import Book, KeptVerdict
from sporecount.season.schema import STEPS, migrate

ROOT = Path(__file__).parents[2]
ONE = Reading("FH-01_1.jpg", 10.5, 20.25, "spore", "AB", "2026-05-17T09:00:00.000+00:00", 1)


def version(path: Path) -> int:
    with sqlite3.connect(path) as file:
        return int(file.execute("PRAGMA user_version").fetchone()[0])


def test_what_is_written_is_read_in_order_also_after_opening_again(tmp_path):
    path = tmp_path / "results" / "readings.sqlite"
    book = Book(path)
    two = Reading("FH-01_2.jpg", 1, 2, "not", "CD", "2026-05-17T09:00:01.000+00:00", 2)
    assert book.write("line-0001", ONE, sha256="ab", machine=0.4)
    assert book.write("line-0002", two)
    book.close()
    book = Book(path)
    assert book.readings() == [ONE, two]
    assert book.readings("FH-01_2.jpg") == [two]
    book.close()


def test_a_line_sent_twice_stands_once(tmp_path):
    book = Book(tmp_path / "b.sqlite")
    assert book.write("line-0001", ONE)
    assert not book.write("line-0001", ONE)
    assert book.readings() == [ONE]
    book.close()


def test_the_latest_verdict_holds(tmp_path):
    book = Book(tmp_path / "b.sqlite")
    first, second = (
        KeptVerdict("FH-01", "hold", "", "AB", "t1"),
        KeptVerdict("FH-01", "re-test", "in June", "AB", "t2"),
    )
    book.decide("verdict-01", first)
    book.decide("verdict-02", second)
    assert book.verdicts() == {"FH-01": second}
    book.close()


def test_settings_are_kept(tmp_path):
    book = Book(tmp_path / "b.sqlite")
    assert book.setting("wish", 5) == 5
    book.set("wish", {"objective": 10.0})
    book.set("wish", {"objective": 40.0, "adapter": None})
    assert book.setting("wish") == {"objective": 40.0, "adapter": None}
    book.close()


@pytest.mark.parametrize("old", range(len(STEPS)))
def test_every_old_version_comes_along_with_what_it_holds(tmp_path, old):
    path = tmp_path / "b.sqlite"
    file = sqlite3.connect(path, isolation_level=None)
    for step in STEPS[:old]:
        file.executescript(step)
    file.execute(f"PRAGMA user_version = {old}")
    if old >= 1:
        file.execute(
            "INSERT INTO reading (id, made_at, reader, round, photo, sha256, x_px, y_px, says)"
            " VALUES ('line-0001', ?, ?, ?, ?, '', ?, ?, ?)",
            (ONE.made_at, ONE.reader, ONE.round, ONE.photo, ONE.x_px, ONE.y_px, ONE.says),
        )
    file.close()
    book = Book(path)
    assert book.readings() == ([ONE] if old >= 1 else [])
    assert book.verdicts() == {}
    book.close()
    assert version(path) == len(STEPS)


def test_a_step_that_fails_leaves_the_file_as_it_was(tmp_path, monkeypatch):
    path = tmp_path / "b.sqlite"
    Book(path).close()
    monkeypatch.setattr(
        "sporecount.season.schema.STEPS", (*STEPS, "CREATE TABLE more (x); CREATE TABLE more (x);")
    )
    with pytest.raises(SessionError, match="cannot be opened"):
        Book(path)
    assert version(path) == len(STEPS)
    with sqlite3.connect(path) as file:
        assert file.execute("SELECT count(*) FROM sqlite_master WHERE name = 'more'").fetchone() == (0,)
    file.close()


def test_a_file_of_a_later_program_is_left_alone(tmp_path):
    path = tmp_path / "b.sqlite"
    with sqlite3.connect(path) as file:
        file.execute("PRAGMA user_version = 99")
    file.close()
    with pytest.raises(SessionError, match="later"):
        Book(path)
    assert version(path) == 99


def test_what_is_no_book_is_refused_and_not_changed(tmp_path):
    path = tmp_path / "b.sqlite"
    path.write_bytes(b"no database, but somebody's notes" * 40)
    before = path.read_bytes()
    with pytest.raises(SessionError):
        Book(path)
    assert path.read_bytes() == before


def test_threads_and_two_connections_write_side_by_side(tmp_path):
    path = tmp_path / "b.sqlite"
    books = [Book(path), Book(path)]

    def write(book: Book, name: str) -> None:
        for at in range(10):
            book.write(f"{name}-{at:06d}", ONE)

    threads = [threading.Thread(target=write, args=(books[at % 2], f"t{at}")) for at in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(books[0].readings()) == 40
    for book in books:
        book.close()


def test_a_killed_program_loses_no_written_line(tmp_path):
    path = tmp_path / "b.sqlite"
    program = (
        "import os, signal, sys; from pathlib import Path; from sporecount.season import Book; "
        "from sporecount.readings import Reading; book = Book(Path(sys.argv[1]));\n"
        "for at in range(20): book.write(f'line-{at:04d}', Reading('a.jpg', at, 1, 'spore'))\n"
        "book._connection.execute('BEGIN IMMEDIATE'); "
        "book._connection.execute(\"INSERT INTO setting VALUES ('half', '1')\"); "
        "os.kill(os.getpid(), signal.SIGKILL)"
    )
    done = subprocess.run([sys.executable, "-c", program, str(path)], cwd=ROOT, check=False)
    assert done.returncode == -9
    book = Book(path)
    assert [one.x_px for one in book.readings()] == list(range(20))
    assert book.setting("half") is None
    book.close()


def test_migrating_twice_changes_nothing(tmp_path):
    file = sqlite3.connect(tmp_path / "b.sqlite", isolation_level=None)
    migrate(file)
    tables = file.execute("SELECT name, sql FROM sqlite_master ORDER BY name").fetchall()
    migrate(file)
    assert file.execute("SELECT name, sql FROM sqlite_master ORDER BY name").fetchall() == tables
    file.close()

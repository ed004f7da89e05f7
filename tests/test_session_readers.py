"""Readers' decisions in tables and report, beside the machine's answer. All photos are drawn."""

import csv
import html
import io
import re
import shutil
from pathlib import Path

import pytest

from sporecount.readings import Reading
from sporecount.records import SessionResult
from sporecount.season.book import BOOK_NAME, Book, KeptVerdict
from sporecount.session import count_folder, open_session
from sporecount.session.readers import ReadSession, renew
from tests.session_folder import UM_PER_PX, all_files, write_photo

MACHINES_TABLES = ("fields.csv", "objects.csv", "samples.csv", "loads.csv")


def rows(out: Path, name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO((out / name).read_text("utf-8"), newline="")))


def count(folder: Path, **options) -> SessionResult:
    return count_folder(folder, **{"um_per_px": UM_PER_PX, "objective": 10.0, "workers": 0, **options})


@pytest.fixture(scope="module")
def counted(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("fernhollow")
    for name, seed in (("FH-01_1", 1), ("FH-01_2", 2), ("FH-02_1", 3)):
        write_photo(folder / f"{name}.jpg", seed, ovals=9)
    count(folder)
    return folder


@pytest.fixture
def folder(counted, tmp_path) -> Path:
    return Path(shutil.copytree(counted, tmp_path / counted.name))


def decide(out: Path) -> dict[str, int]:
    """AB says "not" of every object of FH-01_1 and adds a spore in its corner; the keeper holds FH-02."""
    book = Book(out / BOOK_NAME)
    field = open_session(out)[0].fields[0]
    for row in range(len(field.objects)):
        place = float(field.objects.x_px[row]), float(field.objects.y_px[row])
        book.write(f"n{row}", Reading(field.photo, *place, "not", "AB", "2026-05-17T09:00:00"))
    book.write("added", Reading(field.photo, 3.0, 3.0, "added", "AB", "2026-05-17T09:01:00"))
    book.decide("v", KeptVerdict("FH-02", "hold", "until the second print", "AB", "2026-05-17T09:02:00"))
    book.set("learning", False)
    book.close()
    return {"objects": len(field.objects), "spores": field.tally.spores}


def test_without_decisions_there_are_the_machines_tables_alone(counted):
    out = counted / "sporecount"
    names = {path.name for path in out.glob("*.csv")}
    assert set(MACHINES_TABLES) <= names
    assert not names & {"readings.csv", "fields_read.csv", "samples_read.csv"}
    assert "What people decided" not in (out / "report.html").read_text("utf-8")
    assert not renew(out)


def test_decisions_stand_beside_the_machines_answer(folder):
    out = folder / "sporecount"
    before = {name: (out / name).read_bytes() for name in MACHINES_TABLES}
    machine = decide(out)
    result = count(folder)
    assert {name: (out / name).read_bytes() for name in MACHINES_TABLES} == before
    first, second = rows(out, "fields_read.csv")
    assert (first["photo"], first["decided"]) == ("FH-01_1.jpg", str(machine["objects"] + 1))
    assert (first["machine_spores"], first["read_spores"]) == (str(machine["spores"]), "1")
    assert (second["decided"], second["read_spores"]) == ("0", second["machine_spores"])
    read, kept = rows(out, "samples_read.csv")
    assert (read["readers"], read["machine_spores"]) == ("AB", rows(out, "samples.csv")[0]["spores"])
    assert int(read["read_spores"]) == 1 + int(second["machine_spores"])
    assert float(read["read_density_per_mm2"]) < float(read["machine_density_per_mm2"])
    assert (kept["read_spores"], kept["keeper"]) == ("", "hold")
    assert result.prints == open_session(out)[0].prints
    report = html.unescape((out / "report.html").read_text("utf-8"))
    assert re.search(rf"decided by AB\): [^<]*\b{read['read_spores']} spores found", report)
    assert "The keeper's decision: hold (until the second print)." in report
    assert "the machine's own" in report


def test_every_decision_is_a_row_that_finds_its_object(folder):
    out = folder / "sporecount"
    machine = decide(out)
    count(folder)
    said = rows(out, "readings.csv")
    assert len(said) == machine["objects"] + 1
    objects = {(row["photo"], row["object"]): row for row in rows(out, "objects.csv")}
    for row in said:
        if row["says"] == "added":
            assert (row["object"], row["machine_kind"]) == ("", "")
            continue
        there = objects[row["photo"], row["object"]]
        assert float(there["x_px"]) == pytest.approx(float(row["x_px"]), abs=0.01)
        assert (there["kind"] == "spore") is (row["machine_kind"] == "spore")
        assert there["probability"] == row["machine_probability"]


def test_renewing_gives_the_bytes_of_a_count(folder):
    """What the page writes when it ends is what the next count would write, but for the note of it."""
    out = folder / "sporecount"
    decide(out)
    assert renew(out)
    renewed = {name: data for name, data in all_files(out).items() if not name.startswith(".kept")}
    count(folder)
    counted_again = {name: data for name, data in all_files(out).items() if not name.startswith(".kept")}
    assert renewed == counted_again


def test_words_taken_back_leave_the_machines_answer(folder):
    out = folder / "sporecount"
    field = open_session(out)[0].fields[0]
    place = float(field.objects.x_px[0]), float(field.objects.y_px[0])
    book = Book(out / BOOK_NAME)
    book.write("a", Reading(field.photo, *place, "not", "AB", "2026-05-17T09:00:00"))
    book.write("b", Reading(field.photo, *place, "taken-back", "AB", "2026-05-17T09:01:00"))
    book.decide("c", KeptVerdict("FH-01", "release", "", "AB", "2026-05-17T09:02:00"))
    book.decide("d", KeptVerdict("FH-01", "open", "", "AB", "2026-05-17T09:03:00"))
    book.close()
    read = ReadSession(out)
    assert (read.readings, read.keeper) == ([], {})
    result, preview = open_session(out)
    assert read.tallied(result, preview) is result


def test_readers_who_disagree_are_named_everywhere(folder):
    out = folder / "sporecount"
    field = open_session(out)[0].fields[0]
    row = int(field.counted.argmax())
    place = float(field.objects.x_px[row]), float(field.objects.y_px[row])
    book = Book(out / BOOK_NAME)
    book.write("a", Reading(field.photo, *place, "spore", "AB", "2026-05-17T09:00:00"))
    book.write("b", Reading(field.photo, *place, "not", "CD", "2026-05-17T09:01:00"))
    book.close()
    assert renew(out)
    assert rows(out, "fields_read.csv")[0]["read_flag"] == "recheck"
    (read, _) = rows(out, "samples_read.csv")
    assert (read["differing"], read["read_flag"]) == ("1", "recheck")
    assert int(read["read_spores"]) == int(read["machine_spores"]) - 1
    report = html.unescape((out / "report.html").read_text("utf-8"))
    assert "Readers disagree on 1 object, which stays open" in report

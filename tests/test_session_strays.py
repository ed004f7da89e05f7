"""Files that lie among the photos and are no prints: named with their reason, and in no sum. All are drawn."""

from pathlib import Path

import numpy as np
import pytest

from sporecount.cli.main import run
from sporecount.records import SessionResult
from sporecount.session import count_folder, open_session
from tests.session_folder import UM_PER_PX, all_files, drawn_photo, jpeg, write_photo


def count(folder: Path) -> SessionResult:
    return count_folder(folder, um_per_px=UM_PER_PX, objective=10.0, workers=0)


def meadow() -> np.ndarray:
    """Sky, grass and something red, in colours that no print has."""
    rgb = np.full((450, 600, 3), (90, 150, 230), np.uint8)
    rgb[300:] = (40, 140, 40)
    rgb[325:400, 100:250] = (200, 30, 60)
    return rgb


@pytest.fixture
def folder(tmp_path) -> Path:
    """A print with an empty field, a photo cut short, and what a phone's folder holds besides."""
    write_photo(tmp_path / "FH-01_1.jpg", 1, ovals=0)
    (tmp_path / "FH-03_1.jpg").write_bytes(jpeg(drawn_photo(2))[:3000])
    (tmp_path / "text.jpg").write_text("no photo")
    (tmp_path / "meadow.jpg").write_bytes(jpeg(meadow()))
    return tmp_path


def test_files_are_no_prints_by_their_names_alone(folder, capsys):
    result = count(folder)
    assert [one.sample for one in result.prints] == [
        "FH-01",
        "FH-03",
    ]  # the latter's photo must be taken again
    assert [one.photo for one in result.fields] == ["FH-01_1.jpg"]
    assert {one.photo: one.code for one in result.failed} == {
        "FH-03_1.jpg": "cut-off", "meadow.jpg": "unlike-known", "text.jpg": "not-a-photo",
    }  # fmt: skip
    assert not any(name in result.next_print for name in ("meadow", "text"))
    report = (folder / "sporecount" / "report.html").read_text("utf-8")
    assert "2 prints from 1 photo. " in report
    assert "3 photos could not be used." in report
    capsys.readouterr()
    assert run(["count", str(folder), "--um-per-px", "1", "--objective", "10", "--workers", "0"]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "meadow.jpg: The picture does not look like a tape print" in said
    assert open_session(folder / "sporecount")[0].failed == result.failed


def test_what_the_table_or_another_photo_says_is_a_print_stays_one(folder):
    (folder / "session.csv").write_text("photo,sample\nFH-03_1.jpg,FH-02\nmeadow.jpg,\n")
    (folder / "FH-01_2.jpg").write_bytes(jpeg(meadow()))
    (folder / "FH-01_3.jpg").write_bytes(b"no photo")
    result = count(folder)
    assert {one.sample: one.flag for one in result.prints} == {
        "FH-01": result.prints[0].flag, "FH-02": "unusable", "meadow": "unusable",
    }  # fmt: skip
    assert "photos-left-out" in result.prints[0].reasons
    assert "FH-02" in result.next_print


def test_a_numbered_photo_and_one_in_a_folder_of_its_own_are_of_a_print(folder):
    """What looks like something else may be an animal's only photo, badly lit."""
    (folder / "FH-12_1.jpg").write_bytes(jpeg(meadow()))
    (folder / "FH-13").mkdir()
    (folder / "FH-13" / "one.jpg").write_bytes(jpeg(meadow()))
    flags = {one.sample: one.flag for one in count(folder).prints}
    assert flags["FH-12"] == flags["FH-13"] == "unusable"
    assert "meadow" not in flags


def test_a_second_run_gives_the_same_and_counts_nothing_again(folder):
    count(folder)
    before = all_files(folder)
    states = []
    count_folder(
        folder,
        um_per_px=UM_PER_PX,
        objective=10.0,
        workers=0,
        progress=lambda *of: states.append(of[2].state),
    )
    assert all_files(folder) == before
    assert "counted" not in states

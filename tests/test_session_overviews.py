"""Overview photos in a session: whose they are, and what they change. All photos are drawn."""

import csv
import io
from math import pi
from pathlib import Path

import pytest

from sporecount.errors import SessionError
from sporecount.session import count_folder, open_session
from sporecount.session.folder import PhotoFile
from sporecount.session.groups import overview_power, purpose, sample_of_overview
from tests.session_folder import UM_PER_PX, all_files, jpeg, write_photo
from tests.steps.drawn import OVERVIEW_UM_PER_PX, drawn_print

SAMPLES = ("FH-01", "FH-02", "cage 3/FH")


def photo(name: str) -> PhotoFile:
    return PhotoFile(f"/invented/{name}", name)


@pytest.mark.parametrize(
    ("name", "sample", "power"),
    [
        ("overview_FH-01.jpg", "FH-01", None),
        ("overview_4x_FH-01.jpg", "FH-01", 4.0),
        ("FH-01_overview.jpg", "FH-01", None),
        ("FH-01_overview_4x.jpg", "FH-01", 4.0),
        ("FH-01_overview_2.jpg", "FH-01", None),
        ("FH-01_overview3.jpg", "FH-01", None),
        ("FH-01 overview 2,5x.jpg", "FH-01", 2.5),
        ("FH-02/overview.jpg", "FH-02", None),
        ("FH-02/Overview-5x-1.jpg", "FH-02", 5.0),
        ("FH-02/overview 4x/IMG_0012.jpg", "FH-02", 4.0),
        ("overview/FH-02_1.jpg", "FH-02", None),
        ("cage 3/FH/overview.jpg", "cage 3/FH", None),
        ("overview.jpg", "", None),
        ("overview_FH-09.jpg", "", None),
    ],
)
def test_names_of_overviews(name, sample, power):
    assert purpose(photo(name), None) == "overview"
    assert sample_of_overview(photo(name), SAMPLES) == sample
    assert overview_power(photo(name)) == power


@pytest.mark.parametrize("name", ["FH-01_1.jpg", "overviews-farm_1.jpg", "FH-4x_1.jpg", "FH_overviewed.jpg"])
def test_names_of_fields(name):
    assert purpose(photo(name), None) == ""


def test_the_only_print_needs_no_name():
    assert sample_of_overview(photo("overview.jpg"), ["FH-01"]) == "FH-01"
    assert sample_of_overview(photo("overview_FH-02.jpg"), ["FH-01"]) == ""


def write_session(folder: Path, area: str = "") -> None:
    """Two prints; of the first there is an overview of an ellipse of 2 mm2."""
    for name, seed in (("FH-01_1.jpg", 1), ("FH-01_2.jpg", 2), ("FH-02_1.jpg", 3)):
        write_photo(folder / name, seed)
    (folder / "overview_FH-01.jpg").write_bytes(jpeg(drawn_print((900, 700))))
    (folder / "session.csv").write_text(
        "photo,um_per_px,objective,print_area_mm2\n"
        f"overview_FH-01.jpg,{OVERVIEW_UM_PER_PX},4,\nFH-01_1.jpg,,,{area}\nFH-01_2.jpg,,,\n"
    )


def counted(folder: Path, **options):
    options = {"um_per_px": UM_PER_PX, "objective": 10.0, "workers": 0, **options}
    return count_folder(folder, **options)


def test_an_overview_gives_its_print_an_area(tmp_path):
    write_session(tmp_path)
    result = counted(tmp_path)
    first, second = result.prints
    assert (first.sample, first.photos, first.print_area_source) == ("FH-01", 2, "measured")
    assert first.print_area_low_mm2 < pi * 0.9 * 0.7 < first.print_area_high_mm2
    assert (second.print_area_source, second.print_area_mm2) == ("default", 60.0)
    assert [one.photo for one in result.fields] == ["FH-01_1.jpg", "FH-01_2.jpg", "FH-02_1.jpg"]
    assert any("of the print and not counted: 1 of FH-01" in note for note in result.notes)
    assert "overview_FH-01.jpg" in result.provenance.photos
    report = (tmp_path / "sporecount" / "report.html").read_text("utf-8")
    assert "on its overview photos (95 % range" in report
    assert "was not measured: 60" in report
    assert report.count('class="whole"') == 1
    assert open_session(tmp_path / "sporecount")[0].prints == result.prints


def test_a_second_run_and_more_workers_give_the_same_bytes(tmp_path):
    write_session(tmp_path)
    out = tmp_path / "sporecount"
    counted(tmp_path)
    before = all_files(out)
    counted(tmp_path)
    assert all_files(out) == before
    counted(tmp_path, out=tmp_path / "again", workers=2)
    assert all_files(tmp_path / "again") == before


def test_an_area_in_the_table_goes_first(tmp_path):
    write_session(tmp_path, area="31")
    first = counted(tmp_path).prints[0]
    assert (first.print_area_source, first.print_area_mm2) == ("entered", 31.0)
    with (tmp_path / "session.csv").open("a") as table:
        table.write("FH-02_1.jpg,,,\n")
    text = (tmp_path / "session.csv").read_text().replace("FH-01_2.jpg,,,", "FH-01_2.jpg,,,32")
    (tmp_path / "session.csv").write_text(text)
    with pytest.raises(SessionError, match="FH-01 has two areas, 31 mm2 in line 3 and 32 mm2 in line 4"):
        counted(tmp_path)


def test_an_overview_of_nobody_and_one_of_unknown_scale_are_named(tmp_path):
    write_photo(tmp_path / "FH-01_1.jpg", 1)
    write_photo(tmp_path / "FH-02_1.jpg", 2)
    (tmp_path / "overview_FH-07.jpg").write_bytes(jpeg(drawn_print((900, 700))))
    (tmp_path / "overview_FH-02.jpg").write_bytes(jpeg(drawn_print((900, 700))))
    result = counted(tmp_path)
    assert any(note.startswith("Overview of which print? overview_FH-07.jpg.") for note in result.notes)
    assert [one.sample for one in result.prints] == ["FH-01", "FH-02"]
    assert "overview-scale" in result.prints[1].reasons
    assert result.prints[1].print_area_source == "default"


def test_a_broken_overview_is_named_and_makes_no_print(tmp_path):
    write_photo(tmp_path / "FH-01_1.jpg", 1)
    (tmp_path / "overview_FH-09.jpg").write_bytes(b"\xff\xd8 half a photo")
    result = counted(tmp_path)
    assert [one.photo for one in result.failed] == ["overview_FH-09.jpg"]
    assert [one.sample for one in result.prints] == ["FH-01"]
    rows = list(csv.DictReader(io.StringIO((tmp_path / "sporecount" / "fields.csv").read_text())))
    assert [row["photo"] for row in rows] == ["FH-01_1.jpg", "overview_FH-09.jpg"]

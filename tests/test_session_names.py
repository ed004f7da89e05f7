"""Prints whose photos bear a camera's own names: which of them show one animal is not known. Photos are drawn."""

from pathlib import Path

import pytest

from sporecount.readings import Reading
from sporecount.records import SessionResult
from sporecount.season.book import BOOK_NAME, Book
from sporecount.session import count_folder
from tests.session_folder import UM_PER_PX, drawn_photo, jpeg, label_photo, write_photo


def count(folder: Path) -> SessionResult:
    return count_folder(folder, um_per_px=UM_PER_PX, objective=10.0, workers=0)


def marked(result: SessionResult) -> dict[str, bool]:
    return {one.sample: "camera-names" in one.reasons for one in result.prints}


@pytest.mark.parametrize("stems", [("IMG_4101", "IMG_4102"), ("20260503_101112", "20260503_101230")])
def test_photos_named_by_the_phone_are_never_clear_as_one_print(tmp_path, stems):
    """A heavy animal and a clean one would be one print that is clear."""
    for number, stem in enumerate(stems):
        write_photo(tmp_path / f"{stem}.jpg", number + 1)
    for number in (3, 4):
        write_photo(tmp_path / f"FH-01_{number}.jpg", number)
    result = count(tmp_path)
    by_phone = stems[0].rpartition("_")[0]
    assert marked(result) == {by_phone: True, "FH-01": False}
    flags = {one.sample: one.flag for one in result.prints}
    assert flags == {by_phone: "recheck", "FH-01": "clear"}


def test_reading_its_objects_does_not_tell_whose_photos_they_are(tmp_path):
    for number in (1, 2):
        write_photo(tmp_path / f"IMG_{number}.jpg", number)
    field = count(tmp_path).fields[0]
    book = Book(tmp_path / "sporecount" / BOOK_NAME)
    place = float(field.objects.x_px[0]), float(field.objects.y_px[0])
    book.write("n", Reading(field.photo, *place, "spore", "AB", "2026-05-17T09:00:00"))
    book.close()
    readers = count(tmp_path).readers
    assert readers is not None
    assert "camera-names" in readers.prints["IMG"].reasons


@pytest.mark.parametrize("said_by", ["table", "label", "folder", "copy"])
def test_what_a_person_says_of_the_print_goes_before_the_names(tmp_path, said_by):
    folder = tmp_path / "FH-07" if said_by == "folder" else tmp_path
    write_photo(folder / "IMG_2.jpg", 1)
    write_photo(folder / "IMG_3.jpg", 1 if said_by == "copy" else 2)
    if said_by == "table":
        (tmp_path / "session.csv").write_text("photo,sample\nIMG_2.jpg,FH-07\nIMG_3.jpg,FH-07\n")
    if said_by == "label":
        (tmp_path / "IMG_1.jpg").write_bytes(label_photo("FH-07"))
    assert marked(count(tmp_path)) == {"IMG" if said_by == "copy" else "FH-07": False}


def test_a_table_that_names_no_print_does_not(tmp_path):
    for number in (1, 2):
        write_photo(tmp_path / f"IMG_{number}.jpg", number)
    (tmp_path / "session.csv").write_text("photo,objective\nIMG_1.jpg,10\nIMG_2.jpg,10\n")
    assert marked(count(tmp_path)) == {"IMG": True}


def test_photos_that_make_a_print_each_are_named(tmp_path):
    for number in (1, 2):
        (tmp_path / f"P101000{number}.jpg").write_bytes(jpeg(drawn_photo(number)))
    result = count(tmp_path)
    assert marked(result) == {"P1010001": False, "P1010002": False}
    (note,) = (one for one in result.notes if one.startswith("Named by the camera"))
    assert "P1010001.jpg, P1010002.jpg" in note

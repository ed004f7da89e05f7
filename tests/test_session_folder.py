"""What lies in a folder, and which photo shows which print."""

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sporecount.errors import SessionError
from sporecount.files.session_table import TableRow
from sporecount.session.folder import KEPT, PhotoFile, look_into, natural, overlay_names, printable
from sporecount.session.groups import (
    Seen,
    assign_samples,
    named_by_camera,
    number_fields,
    purpose,
    sample_by_name,
)

ODD_NAMES = [
    "a b.jpg",
    'it\'s "so".jpg',
    "🦋_1.jpg",
    "two\nlines.jpg",
    "-dash.jpg",
    "=1+1.jpg",
    "[bold]x.jpg",
]


def names_of(folder: Path, out: Path) -> list[str]:
    return [photo.name for photo in look_into(folder, out).photos]


def photo(name: str) -> PhotoFile:
    return PhotoFile("/nowhere/" + name, name)


def test_photos_by_name_and_others_by_their_bytes(tmp_path):
    for name in ("b.JPG", "a10.heic", "a2.heic", "notes.txt", "._b.JPG", ".hidden.jpg"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "session.csv").write_text("photo\n")
    (tmp_path / "no_ending").write_bytes(b"\xff\xd8\xff\xe0")
    (tmp_path / "README").write_bytes(b"text")
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "c.tif").write_bytes(b"x")
    (tmp_path / "folder.jpg").mkdir()
    contents = look_into(tmp_path, tmp_path / "sporecount")
    assert [one.name for one in contents.photos] == ["a2.heic", "a10.heic", "b.JPG", "no_ending", "sub/c.tif"]
    assert contents.ignored == ("notes.txt", "README", "session.csv")


def test_results_are_no_photos(tmp_path):
    (tmp_path / "a.jpg").write_bytes(b"x")
    for place in ("sporecount", "earlier results"):
        (tmp_path / place / "overlays").mkdir(parents=True)
        (tmp_path / place / KEPT).mkdir()
        (tmp_path / place / "overlays" / "a.jpg").write_bytes(b"x")
    assert names_of(tmp_path, tmp_path / "sporecount") == ["a.jpg"]
    # the place of this run, even before anything marks it
    (tmp_path / "new" / "overlays").mkdir(parents=True)
    (tmp_path / "new" / "overlays" / "a.jpg").write_bytes(b"x")
    assert names_of(tmp_path, tmp_path / "new") == ["a.jpg"]


def test_odd_names_are_found(tmp_path):
    for name in ODD_NAMES:
        (tmp_path / name).write_bytes(b"x")
    assert sorted(names_of(tmp_path, tmp_path / "out")) == sorted(ODD_NAMES)


@pytest.mark.skipif(os.name == "nt", reason="file names are bytes on POSIX only")
def test_a_name_that_is_no_utf8_can_still_be_written(tmp_path):
    path = os.fsencode(tmp_path) + b"/caf\xe9.jpg"
    try:
        Path(os.fsdecode(path)).write_bytes(b"x")
    except OSError:
        pytest.skip("this disk takes UTF-8 names only")
    (found,) = look_into(tmp_path, tmp_path / "out").photos
    assert found.name == "caf\\xe9.jpg"
    found.name.encode("utf-8")
    assert Path(found.path).read_bytes() == b"x"


def test_faults_of_the_folder(tmp_path):
    with pytest.raises(SessionError, match="no such folder"):
        look_into(tmp_path / "nowhere", tmp_path)
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(SessionError, match="not a folder"):
        look_into(tmp_path / "file", tmp_path)


@given(st.lists(st.text(min_size=1, max_size=12), unique=True, max_size=20))
def test_natural_order_is_an_order(names):
    once = sorted(names, key=natural)
    backwards = names[::-1]
    assert once == sorted(backwards, key=natural)
    assert len({natural(name) for name in names}) == len(names)


def test_numbers_count_as_numbers():
    assert sorted(["p10", "p9", "P1", "p02"], key=natural) == ["P1", "p02", "p9", "p10"]


@given(
    st.lists(
        st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), min_size=1), unique=True
    )
)
def test_overlay_names_are_safe_and_never_shared(photos):
    names = overlay_names(photos)
    assert len({name.casefold() for name in names.values()}) == len(photos)
    for name in names.values():
        assert len(name.encode()) < 130
        assert name.isprintable()
        assert not set(name) & set('<>:"/\\|?*')
        assert not name.startswith((".", "-"))


def test_plain_names_keep_their_look():
    names = overlay_names(["FH-12_1.jpg", "FH-12_2.HEIC", "sub/FH-12_1.jpg", "a.jpg", "A.png"])
    assert names["FH-12_1.jpg"] == "FH-12_1.jpg"
    assert names["FH-12_2.HEIC"] == "FH-12_2.jpg"
    assert names["sub/FH-12_1.jpg"].startswith("sub_FH-12_1-")
    assert names["a.jpg"] != "a.jpg"  # two photos would share it


@pytest.mark.parametrize(
    ("name", "sample"),
    [
        ("FH-12_1.jpg", "FH-12"),
        ("FH-12-1.jpg", "FH-12"),
        ("FH_12-3_b.jpg", "FH_12-3"),
        ("alone.jpg", "alone"),
        ("_1.jpg", "_1"),
        ("-dash.jpg", "-dash"),
        ("FH-12/IMG_0001.jpg", "FH-12"),
        ("may/FH-12/IMG_0001.jpg", "may/FH-12"),
    ],
)
def test_prints_by_folder_and_name(name, sample):
    assert sample_by_name(photo(name)) == sample


@pytest.mark.parametrize(
    "name",
    [
        "IMG_4101.jpg",
        "IMG_E4101.HEIC",
        "IMG_20260503_101112.jpg",
        "IMG_20260503_101112_HDR.jpg",
        "IMG-20260503-WA0001.jpg",
        "PXL_20260503_101112345.jpg",
        "DSC_0001.jpg",
        "DSCN0001.jpg",
        "_DSC0001.jpg",
        "P1010001.jpg",
        "100_0001.jpg",
        "20260503_101112.jpg",
        "2026-05-03 10.11.12.jpg",
        "photo_2026-05-03_10-11-12.jpg",
        "photo-1.jpg",
        "Sent Image 2026-05-03 at 10.11.12.jpg",
        "DCIM/FH-12_1.jpg",
        "DCIM/100ABCDE/FH-12_1.jpg",
        "2026-05-03/FH-12_1.jpg",
    ],
)
def test_names_that_a_camera_gives(name):
    assert named_by_camera(photo(name))


@pytest.mark.parametrize(
    "name",
    [
        "FH-12_1.jpg",
        "FH-12_IMG_4101.jpg",
        "FH-12/IMG_4101.jpg",
        "12_1.jpg",
        "4101.jpg",
        "101_2.jpg",
        "101_left.jpg",
        "E_1.jpg",
        "P12_1.jpg",
        "night_2.jpg",
        "imago_1.jpg",
        "2026_7_1.jpg",
        "12_2026-05-03.jpg",
        "FH-12_20260503_101112.jpg",
        "-1.jpg",
    ],
)
def test_names_that_a_person_gives(name):
    assert not named_by_camera(photo(name))


@pytest.mark.parametrize(
    ("name", "note", "what"),
    [
        ("ruling_10x.jpg", "", "ruling"),
        ("Ruling.jpg", "", "ruling"),
        ("calibration/IMG_1.jpg", "", "ruling"),
        ("IMG_1.jpg", "ruling, 10x", "ruling"),
        ("IMG_1.jpg", "label", "label"),
        ("label-3.jpg", "", "label"),
        ("rulings-farm_1.jpg", "", ""),
        ("FH-12_1.jpg", "edge of the ruling", ""),
        ("FH-12_1.jpg", "", ""),
    ],
)
def test_photos_that_show_no_field(name, note, what):
    assert purpose(photo(name), TableRow(name, note=note)) == what


def test_the_table_goes_before_all():
    seen = [Seen(photo("FH-1/a_1.jpg")), Seen(photo("FH-1/a_2.jpg"))]
    rows = {"FH-1/a_2.jpg": TableRow("FH-1/a_2.jpg", sample="by hand")}
    assert assign_samples(seen, rows) == {"FH-1/a_1.jpg": "FH-1", "FH-1/a_2.jpg": "by hand"}


def test_labels_hold_for_the_photos_after_them():
    seen = [
        Seen(photo(f"IMG_{at}.jpg"), label=label) for at, label in enumerate(["", "FH-1", "", "", "FH-2", ""])
    ]
    expected = {"IMG_0.jpg": "IMG", "IMG_2.jpg": "FH-1", "IMG_3.jpg": "FH-1", "IMG_5.jpg": "FH-2"}
    assert assign_samples(seen, {}) == expected
    assert assign_samples(reversed(seen), {}) == expected


def test_labels_go_by_time_where_it_is_known():
    times = {"z.jpg": "2026-05-17T09:00:00", "a.jpg": "2026-05-17T09:00:05", "m.jpg": "2026-05-17T08:59:00"}
    seen = [Seen(photo(name), time, "FH-1" if name == "z.jpg" else "") for name, time in times.items()]
    assert assign_samples(seen, {}) == {"a.jpg": "FH-1", "m.jpg": "m"}


def test_a_label_stays_in_its_folder():
    seen = [Seen(photo("one/1.jpg"), label="FH-1"), Seen(photo("one/2.jpg")), Seen(photo("two/3.jpg"))]
    assert assign_samples(seen, {}) == {"one/2.jpg": "FH-1", "two/3.jpg": "two"}


def test_fields_are_numbered_within_their_print():
    samples = {"b_10.jpg": "b", "b_2.jpg": "b", "a_1.jpg": "a"}
    assert number_fields(samples) == [("a_1.jpg", "a", 1), ("b_2.jpg", "b", 1), ("b_10.jpg", "b", 2)]


def test_printable_leaves_good_names_alone():
    for name in ODD_NAMES:
        assert printable(name) == name

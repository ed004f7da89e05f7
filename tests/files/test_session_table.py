"""What a keeper writes into session.csv."""

import pytest

from sporecount.errors import SessionError
from sporecount.files.session_table import as_json, match_rows, read_session_table

HEAD = "photo,sample,objective,adapter,um_per_px,note\n"


def test_all_columns():
    (row,) = read_session_table((HEAD + "a.jpg,FH-12,10x,bench,0.52,first print\n").encode())
    assert (row.photo, row.sample, row.objective, row.adapter, row.um_per_px, row.note, row.line) == (
        "a.jpg", "FH-12", 10.0, "bench", 0.52, "first print", 2,
    )  # fmt: skip


def test_unknown_columns_are_kept():
    (row,) = read_session_table(b"photo,cage,objective\na.jpg,east 4,\n")
    assert row.other == {"cage": "east 4"}
    assert row.objective is None
    assert as_json(row) == {"cage": "east 4"}


def test_decimal_commas():
    (row,) = read_session_table(b"photo;um_per_px\na.jpg;0,52\n")
    assert row.um_per_px == 0.52


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("file,sample\na.jpg,FH-12\n", 'no column "photo"'),
        ("", 'no column "photo"'),
        (HEAD + "a.jpg,,ten,,,\n", "line 2: objective is 'ten'"),
        (HEAD + "a.jpg,,,,0,\n", "line 2: um_per_px is '0'"),
        (HEAD + "a.jpg,,,,-0.5,\n", "line 2: um_per_px"),
        (HEAD + "a.jpg,,,,nan,\n", "line 2: um_per_px"),
        (HEAD + "a.jpg,,,,,\nb.jpg,,,,,\nA.JPG,,,,,\n", "lines 2 and 4"),
    ],
)
def test_faults_name_their_line(text, match):
    with pytest.raises(SessionError, match=match) as caught:
        read_session_table(text.encode(), "shed/session.csv")
    assert caught.value.where == "shed/session.csv"
    assert caught.value.remedy


def test_photos_are_found_as_people_write_them():
    text = "photo\nIMG_1.JPG\nsub\\b.jpg\nca\u0301fe.jpg\nonly.jpg\ntwice.jpg\ngone.jpg\n"
    table = read_session_table(text.encode())
    names = ["img_1.jpg", "sub/b.jpg", "c\u00e1fe.jpg", "deep/only.jpg", "x/twice.jpg", "y/twice.jpg"]
    found, missing = match_rows(table, names)
    assert sorted(found) == sorted(names[:4])
    assert [row.photo for row in missing] == ["twice.jpg", "gone.jpg"]

"""Agreement of readings of a session, and of tables of counts and load classes. All photos are drawn."""

import json
from pathlib import Path

import numpy as np
import pytest

from sporecount.cli import run
from sporecount.errors import SessionError
from sporecount.readings import Reading
from sporecount.season.book import BOOK_NAME, Book
from sporecount.session import count_folder
from sporecount.session.agreeing import MACHINE, agreements_of_session, agreements_of_table
from sporecount.stats.agreement import kappa, limits_of_agreement
from tests.session_folder import UM_PER_PX, write_photo


@pytest.fixture(scope="module")
def session(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("fernhollow")
    for number in (1, 2, 3):
        write_photo(folder / f"FH-01_{number}.jpg", number, ovals=5 * number)
    count_folder(folder, um_per_px=UM_PER_PX, objective=10.0, workers=0)
    return folder


@pytest.fixture(scope="module")
def read(session) -> tuple[Path, list[bool]]:
    """AB says of every object what the machine does, CD the opposite, AB again the same but for the first."""
    from sporecount.session import open_session

    out = session / "sporecount"
    machine = []
    book = Book(out / BOOK_NAME)
    for field in open_session(out)[0].fields:
        for row, counted in enumerate(field.counted[:8].tolist()):
            place = field.photo, float(field.objects.x_px[row]), float(field.objects.y_px[row])
            last = "unsure" if not machine else "spore" if counted else "not"
            for reader, turn, says in (
                ("AB", 1, "spore" if counted else "not"),
                ("CD", 1, "not" if counted else "spore"),
                ("AB", 2, last),
            ):
                line = f"{reader}{turn}-{field.photo}-{row}"
                book.write(line, Reading(*place, says, reader, "2026-05-17T09:00:00", turn))
            machine.append(counted)
    book.close()
    return out, machine


def test_readers_are_compared_with_the_machine_and_with_one_another(read):
    out, machine = read
    found = {(one.first, one.second): one for one in agreements_of_session(out)}
    assert set(found) == {
        (MACHINE, "AB"), (MACHINE, "CD"), (MACHINE, "AB, reading again"),
        ("AB", "AB, reading again"), ("AB", "CD"), ("AB, reading again", "CD"),
    }  # fmt: skip
    same, other = found[MACHINE, "AB"], found[MACHINE, "CD"]
    spores = sum(machine)
    assert same.table.tolist() == [[spores, 0, 0], [0, len(machine) - spores, 0], [0, 0, 0]]
    assert other.table.tolist() == [[0, spores, 0], [len(machine) - spores, 0, 0], [0, 0, 0]]
    again = found["AB", "AB, reading again"]
    assert again.n == len(machine)
    assert again.table[:, 2].sum() == 1
    if 0 < spores < len(machine):
        assert same.kappa.value == 1
        assert other.kappa.value < 0


def test_command_for_a_session(read, capsys):
    out, machine = read
    assert run(["agreement", str(out.parent)]) == 0
    text = capsys.readouterr().out
    assert f"the machine and AB, {len(machine)} objects" in text
    assert "agrees better on the others" in " ".join(text.split())
    assert all(len(line) <= 80 for line in text.splitlines())
    assert run(["agreement", str(out.parent), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)["agreements"]
    assert {one["what"] for one in said} == {"objects"}


def test_a_session_that_nobody_read(tmp_path, capsys):
    write_photo(tmp_path / "FH-01_1.jpg", 1)
    count_folder(tmp_path, um_per_px=UM_PER_PX, objective=10.0, workers=0)
    assert run(["agreement", str(tmp_path)]) == 2
    assert "nobody has read anything" in capsys.readouterr().err
    assert run(["agreement"]) == 2


COUNTS = {"AB": [3, 8, 0, 40, 5], "CD": [4, 9, 1, 35, 5]}
CLASSES = {"AB": [2, 2, 0, 4, 3, 5], "CD": [2, 3, 0, 4, 2, 5]}


def long_table(columns: str, values: dict[str, list[int]]) -> bytes:
    rows = [
        f"{name}-{at},{reader},{value}"
        for name, (reader, said) in zip("xx", values.items(), strict=True)
        for at, value in enumerate(said)
    ]
    return ("\r\n".join([columns, *rows])).encode()


def test_a_table_of_counts_gives_limits_of_agreement():
    (found,) = agreements_of_table(long_table("photo,reader,spores", COUNTS), "eye.csv")
    assert (found.first, found.second, found.n, found.what) == ("AB", "CD", 5, "fields")
    assert found.limits == limits_of_agreement(COUNTS["AB"], COUNTS["CD"], as_ratio=True)
    narrow = {"AB": [10, 12, 14], "CD": [11, 12, 15]}
    (found,) = agreements_of_table(long_table("photo,reader,spores", narrow), "eye.csv")
    assert found.limits == limits_of_agreement(narrow["AB"], narrow["CD"])


def test_a_table_of_load_classes_gives_weighted_kappa():
    (found,) = agreements_of_table(long_table("sample,reader,load_class", CLASSES), "eye.csv")
    table = np.zeros((6, 6))
    np.add.at(table, (CLASSES["AB"], CLASSES["CD"]), 1)
    assert found.table.tolist() == table.tolist()
    assert found.kappa == kappa(table, "linear")
    assert found.what == "prints"


def test_the_machine_is_one_of_the_readers(read, capsys, tmp_path):
    out, _ = read
    table = tmp_path / "eye.csv"
    table.write_text(
        "photo;reader;spores;round\nFH-01_1.jpg;AB;5;1\nFH-01_2.jpg;AB;9;\nfh-01_3.JPG;AB;15;1\n"
    )
    (found,) = agreements_of_table(table.read_bytes(), "eye.csv", out)
    assert (found.first, found.second, found.n) == (MACHINE, "AB", 3)
    assert run(["agreement", str(out.parent), "--table", str(table)]) == 0
    assert "the machine and AB, 3 fields" in capsys.readouterr().out


def test_two_readings_are_too_few_for_limits():
    (found,) = agreements_of_table(b"photo,reader,spores\na,AB,1\nb,AB,2\na,CD,1\nb,CD,2\n", "eye.csv")
    assert (found.n, found.limits) == (2, None)


@pytest.mark.parametrize(
    ("table", "match"),
    [
        (b"photo,spores\na,1\n", "must have the columns"),
        (b"photo,reader,spores\na,AB,few\n", "line 2: spores is 'few'"),
        (b"sample,reader,load_class\na,AB,6\n", "not a class from 0 to 5"),
        (b"photo,reader,spores\na,AB,1\nb,CD,2\n", "no two readings of the same thing"),
    ],
)
def test_tables_that_cannot_be_used_are_refused(table, match):
    with pytest.raises(SessionError, match=match):
        agreements_of_table(table, "eye.csv")

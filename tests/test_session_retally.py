"""What the terminal, the report and the flag say of a print once people have read some of its objects."""

import html
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rich.cells import cell_len

from sporecount.cli.count import as_json
from sporecount.cli.show import summary_lines
from sporecount.readings import Reading
from sporecount.records import SessionResult
from sporecount.report import session_html
from sporecount.season.book import BOOK_NAME, Book
from sporecount.session import open_session
from sporecount.session.notes import next_print
from sporecount.session.readers import ReadSession
from tests.steps.made_fields import make_field
from tests.test_session_plan import written

ASKS, DOES_NOT = [0.99] * 4 + [0.4] * 6, [0.99] * 4 + [0.4] * 5


@pytest.fixture
def counted(tmp_path: Path) -> Path:
    """A print of three fields with 16 doubtful objects, of which six in one field ask for a look."""
    made = [make_field(ASKS, number=1, sample="FH-odd", examined_mm2=1.5, reasons=("ambiguous-objects",))]
    made += [make_field(DOES_NOT, number=number, sample="FH-odd", examined_mm2=1.5) for number in (2, 3)]
    written(tmp_path, made)
    return tmp_path


def read(folder: Path, number: int) -> None:
    """AB says of so many doubtful objects, one field after the other, that they are none."""
    out = folder / "sporecount"
    fields = open_session(out)[0].fields
    places = [
        (field.photo, float(field.objects.x_px[row]), float(field.objects.y_px[row]))
        for field in fields
        for row in np.flatnonzero(np.asarray(field.kinds.spore) < 0.85)
    ]
    book = Book(out / BOOK_NAME)
    for at, place in enumerate(places[:number]):
        book.write(f"n{at}", Reading(*place, "not", "AB", "2026-05-17T09:00:00"))
    book.set("learning", False)
    book.close()


@pytest.mark.parametrize(("number", "flag"), [(1, "recheck"), (4, "recheck"), (7, "recheck"), (8, "clear")])
def test_a_print_is_not_clear_while_most_of_its_doubts_are_unread(counted, number, flag):
    """Four of six end the doubt of their field, but leave twelve of sixteen unread on the print."""
    read(counted, number)
    readers = ReadSession(counted / "sporecount").tallied(*open_session(counted / "sporecount")).readers
    assert readers is not None
    assert readers.prints["FH-odd"].flag == flag


def as_read(folder: Path) -> SessionResult:
    """The results with the readers' decisions; the machine's note on what comes next is among the notes."""
    machine, preview = open_session(folder / "sporecount")
    words = next_print({}, machine.prints)
    machine = replace(machine, notes=("something else", words), next_print=words)
    return ReadSession(folder / "sporecount").tallied(machine, preview)


def test_the_terminal_shows_the_read_count_and_flag_beside_the_machines(counted):
    read(counted, 16)
    result = as_read(counted)
    lines = list(summary_lines(result.prints, result.readers))
    machine, by_people = lines[2:4]
    assert machine.split()[0] == "FH-odd"
    assert machine.endswith("recheck")
    assert by_people.startswith("  with readers ")
    assert by_people.endswith("clear")
    assert not any("could be spores or not" in line or "doubtful" in line for line in lines[4:])
    assert all(cell_len(line) <= 80 for line in (machine, by_people))


def test_what_comes_next_goes_by_the_readers(tmp_path):
    """Once its objects are read, nobody is told to settle them first."""
    written(
        tmp_path, [make_field([0.4] * 30, number=at, sample="FH-odd", examined_mm2=1.5) for at in (1, 2, 3)]
    )
    assert "Settle the doubtful objects of FH-odd" in next_print(
        {}, open_session(tmp_path / "sporecount")[0].prints
    )
    read(tmp_path, 90)
    other, words = as_read(tmp_path).notes
    assert other == "something else"
    assert words.startswith("With readers' decisions, ")
    assert "Settle" not in words


def test_the_first_table_of_the_report_shows_the_read_count_and_flag(counted):
    read(counted, 16)
    result = as_read(counted)
    text = html.unescape(b"".join(session_html(result, pictures=lambda _: None)).decode())
    first = " ".join(re.sub("<[^>]+>", " ", text[text.index('id="first"') : text.index("</table>")]).split())
    low, _, high = re.findall(r"with readers (\S+) \((\S+) to (\S+)\)", first)[0]
    assert float(low) < float(high)
    assert re.search(r"recheck with readers clear\b", first)
    assert "need a second look" not in text[: text.index("<main>")]
    assert "What people decided is in these sums." in text


def test_json_has_the_read_rows_where_there_are_any(counted):
    assert "samples_read" not in as_json(open_session(counted / "sporecount")[0])
    read(counted, 16)
    (row,) = as_json(as_read(counted))["samples_read"]
    assert (row["machine_flag"], row["read_flag"], row["decided"]) == ("recheck", "clear", 16)

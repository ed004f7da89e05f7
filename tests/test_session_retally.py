"""What the terminal, the report and the flag say of a print once people have read some of its objects."""

from pathlib import Path

import pytest

from sporecount.readings import Reading
from sporecount.season.book import BOOK_NAME, Book
from sporecount.session import open_session
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
        for row in range(4, len(field.objects))
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

"""The session's spore size: shared by all prints, in the results, the same for any number of workers."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sporecount.session import count_folder, open_session
from sporecount.session.sizes import Sizes
from sporecount.settings import CountSettings
from sporecount.steps.print_tally import tally_print
from tests.session_folder import UM_PER_PX, write_photo
from tests.steps.made_fields import make_field, make_objects

KNOBS = CountSettings()


def field(sample: str, number: int, length_um: float, spores: int = 30):
    rng = np.random.default_rng(number)
    places = rng.uniform(0, 400, (2, spores))
    objects = replace(make_objects(*places), length_um=length_um * np.exp(rng.normal(0, 0.06, spores)))
    return make_field(np.full(spores, 0.97), number=number, sample=sample, objects=objects)


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def fields():
    """FH-03 was photographed through a stronger objective than the scale says."""
    made = [field(f"FH-0{k}", n, 11.0) for k in (1, 2) for n in (1, 2)]
    return [*made, field("FH-03", 1, 15.0, spores=12)]


def test_the_print_that_does_not_fit_is_named(fields):
    sizes = Sizes(fields, KNOBS)
    assert sizes.session.spores == 132
    assert sizes.session.length_um == pytest.approx(11.0, rel=0.05)
    prints = [
        tally_print([one for one in fields if one.sample == name], KNOBS)
        for name in ("FH-01", "FH-02", "FH-03")
    ]
    marked = sizes.mark(prints)
    assert [("uneven-sizes" in one.reasons) for one in marked] == [False, False, True]
    assert marked[2].flag == "recheck"
    assert marked[:2] == tuple(prints[:2])


def test_what_is_said_and_written(fields, tmp_path):
    sizes = Sizes(fields, KNOBS)
    sizes.write(tmp_path)
    table = rows(tmp_path / "sizes.csv")
    assert [row["of"] for row in table] == ["session", *3 * ["print"], *5 * ["photo"]]
    assert float(table[0]["length_um"]) == pytest.approx(sizes.session.length_um, abs=0.005)
    assert table[3]["name"] == "FH-03"
    assert table[3]["reasons"] == "uneven-sizes"
    (note,) = sizes.notes()
    assert f"{sizes.session.length_um:.1f} µm" in note
    assert "132 sure single spores" in note


def test_copies_count_once_and_unusable_photos_not_at_all(fields):
    copies = [replace(one, sha256="ab" * 32) for one in (fields[0], fields[0])]
    assert Sizes(copies, KNOBS).session.spores == 30
    lost = replace(fields[0], tally=replace(fields[0].tally, flag="unusable"))
    assert Sizes([lost], KNOBS).session.spores == 0
    assert Sizes([lost], KNOBS).notes() == []


def test_any_number_of_workers_writes_the_same(tmp_path):
    folder = tmp_path / "fernhollow"
    for number in (1, 2, 3):
        write_photo(folder / f"FH-0{number}_1.jpg", number, ovals=9)
    written = []
    for workers in (0, 2):
        out = tmp_path / f"out{workers}"
        result = count_folder(folder, out=out, um_per_px=UM_PER_PX, objective=10.0, workers=workers)
        written.append([(out / name).read_bytes() for name in ("sizes.csv", "samples.csv", "session.json")])
    assert written[0] == written[1]
    opened, _ = open_session(out)
    assert repr(opened.spore_size) == repr(result.spore_size)  # nan is not nan
    assert opened.own_recall is None

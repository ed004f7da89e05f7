"""A session counted at a wrong scale, where spores cannot be seen, does not pass for one without spores."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sporecount.records import Scale
from sporecount.session import count_folder
from sporecount.session.folder import KEPT, PhotoFile
from sporecount.session.scale_check import (
    doubtful_scales,
    mark_scales,
    scale_jobs,
    spores_of_one_size,
)
from sporecount.settings import CountSettings
from sporecount.steps.print_tally import tally_print
from tests.session_folder import UM_PER_PX, write_photo
from tests.steps.made_fields import make_field, make_objects

KNOBS = CountSettings()


def made(number: int, spores: int, um_per_px: float = 1.0, source: str = "given"):
    field = make_field(np.full(spores, 0.97), number=number, um_per_px=um_per_px)
    return replace(field, scale=Scale(um_per_px, 0.0, source, 10.0))  # type: ignore[arg-type]


def chosen(fields) -> dict[float, list[str]]:
    files = {one.photo: PhotoFile(one.photo, one.photo) for one in fields}
    keys = {one.photo: f"key of {one.photo}" for one in fields}
    jobs = scale_jobs(fields, keys, files, KNOBS)
    assert all(job.key == f"key of {job.file.name}" for of_scale in jobs.values() for job in of_scale)
    return {scale: [job.file.name for job in of_scale] for scale, of_scale in jobs.items()}


def test_only_where_hardly_a_spore_shows_and_nobody_checked_the_scale():
    empty = [made(number, 0, 0.5) for number in range(1, 9)]
    assert chosen(empty) == {0.5: ["FH-01_1.jpg", "FH-01_4.jpg", "FH-01_7.jpg"]}
    assert chosen([*empty, made(9, 8, 0.5)]) == {}
    assert chosen([made(1, 0, source="assumed"), made(2, 0, source="view")]) == {}
    assert set(chosen([made(1, 0, 0.5, source="profile")])) == {0.5}
    assert set(chosen([made(1, 0, 0.5), made(2, 30, 0.25)])) == {0.5}
    unusable = replace(empty[0], tally=replace(empty[0].tally, flag="unusable"))
    assert chosen([unusable]) == {}


def test_things_of_all_sizes_are_no_spores():
    objects = make_objects(*np.random.default_rng(1).uniform(0, 400, (2, 40)))
    mixed = replace(objects, length_um=np.linspace(8, 16, 40))
    assert spores_of_one_size(make_field(np.full(40, 0.97), objects=objects), KNOBS) == 40
    assert spores_of_one_size(make_field(np.full(40, 0.97), objects=mixed), KNOBS) == 0
    assert spores_of_one_size(make_field(), KNOBS) == 0


def test_many_spores_at_another_scale_speak():
    assert doubtful_scales({1.0: [{0.5: 7, 2.0: 0}, {0.5: 6, 2.0: 1}]}) == {1.0: 0.5}
    assert doubtful_scales({1.0: [{0.5: 5, 2.0: 6}], 0.5: [], 0.3: [{}]}) == {}


def test_the_doubt_reaches_the_prints_of_that_scale():
    fields = [made(1, 0, 0.5), replace(made(1, 30, 0.25), sample="FH-02", photo="FH-02_1.jpg")]
    prints = [tally_print([field], KNOBS) for field in fields]
    marked, notes = mark_scales(prints, fields, {0.5: 2.0})
    assert "scale-doubtful" in marked[0].reasons
    assert marked[0].flag == "recheck"
    assert marked[1] == prints[1]
    assert len(notes) == 1
    assert "0.5" in notes[0]
    assert mark_scales(prints, fields, {}) == (tuple(prints), [])


def test_an_empty_session_at_its_true_scale_is_left_alone_and_tried_once(tmp_path):
    folder, out = tmp_path / "fernhollow", tmp_path / "out"
    for number in (1, 2):
        write_photo(folder / f"FH-0{number}_1.jpg", number, ovals=1)
    for _ in range(2):
        result = count_folder(folder, out=out, um_per_px=UM_PER_PX, objective=10.0, workers=0)
        assert not any("scale-doubtful" in tally.reasons for tally in result.prints)
    usable = [field for field in result.fields if field.tally.flag != "unusable"]
    assert len(list((out / KEPT / "scales").glob("*.json"))) == len(usable)


def test_a_loaded_print_counted_with_the_profile_of_another_objective_asks_for_a_look(tmp_path):
    """Photos at 10x counted as 40x: the scale is four times too fine, and spores seem small."""
    folder = tmp_path / "fernhollow"
    write_photo(folder / "FH-01_1.jpg", 3, ovals=40, width=1000, height=800)
    right = count_folder(folder, out=tmp_path / "right", um_per_px=UM_PER_PX, objective=10.0, workers=0)
    wrong = count_folder(folder, out=tmp_path / "wrong", um_per_px=UM_PER_PX / 4, objective=40.0, workers=0)
    assert right.prints[0].spores > 30
    assert "scale-doubtful" not in right.prints[0].reasons
    assert wrong.prints[0].spores < 5
    assert "scale-doubtful" in wrong.prints[0].reasons
    assert any(" 1 many would" in note for note in wrong.notes)

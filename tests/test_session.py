"""A folder of photos to results: order, repair, resume, the same bytes every time. All photos are drawn."""

import csv
import io
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from sporecount.errors import SessionError
from sporecount.files.whole import only_run
from sporecount.records import SessionResult
from sporecount.session import count_folder, make_plan, open_session
from sporecount.session.folder import KEPT
from sporecount.session.worker import PhotoJob, make_worker
from sporecount.settings import CountSettings
from tests.session_folder import UM_PER_PX, all_files, drawn_photo, jpeg, label_photo, write_photo

ROOT = Path(__file__).parents[1]


def count(folder: Path, **options) -> tuple[SessionResult, dict[str, str]]:
    """Count, and tell what became of each photo."""
    states: dict[str, str] = {}

    def note(_done, _total, photo):
        states[photo.photo] = photo.state

    options = {"um_per_px": UM_PER_PX, "objective": 10.0, "workers": 0, **options}
    return count_folder(folder, progress=note, **options), states


def rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text("utf-8"), newline="")))


@pytest.fixture(scope="module")
def session(tmp_path_factory) -> Path:
    """Two prints of two fields each, one photo cut short, one ruling, one text."""
    folder = tmp_path_factory.mktemp("fernhollow")
    write_photo(folder / "FH-01_1.jpg", 1)
    write_photo(folder / "FH-01_2.jpg", 2)
    write_photo(folder / "FH-02_1.jpg", 3, ovals=0)
    write_photo(folder / "FH-02_10.jpg", 4, ovals=3)
    (folder / "FH-02_2.jpg").write_bytes(jpeg(drawn_photo(5))[:3000])
    write_photo(folder / "ruling_10x.jpg", 6)
    (folder / "notes.txt").write_text("the keeper's own notes")
    return folder


@pytest.fixture(scope="module")
def counted(session, tmp_path_factory) -> tuple[Path, SessionResult, dict[str, str]]:
    before = all_files(session)
    out = tmp_path_factory.mktemp("results")
    result, states = count(session, out=out)
    assert all_files(session) == before  # the originals are never touched
    return out, result, states


def test_every_photo_has_its_place(counted):
    out, result, states = counted
    assert states == {
        "FH-01_1.jpg": "counted", "FH-01_2.jpg": "counted", "FH-02_1.jpg": "counted",
        "FH-02_2.jpg": "failed", "FH-02_10.jpg": "counted",
    }  # fmt: skip
    assert [(one.photo, one.sample, one.field) for one in result.fields] == [
        ("FH-01_1.jpg", "FH-01", 1), ("FH-01_2.jpg", "FH-01", 2), ("FH-02_1.jpg", "FH-02", 1),
        ("FH-02_10.jpg", "FH-02", 3),
    ]  # fmt: skip
    assert [tally.sample for tally in result.prints] == ["FH-01", "FH-02"]
    assert [(one.photo, one.sample, one.code) for one in result.failed] == [
        ("FH-02_2.jpg", "FH-02", "cut-off")
    ]
    assert any("ruling_10x.jpg" in note for note in result.notes)
    assert any("notes.txt" in note for note in result.notes)
    assert sorted(path.name for path in out.iterdir()) == sorted(
        [
            "fields.csv",
            "objects.csv",
            "samples.csv",
            "loads.csv",
            "sizes.csv",
            "report.html",
            "session.json",
            "overlays",
            KEPT,
        ]
    )
    assert {path.name for path in (out / "overlays").iterdir()} == {
        "FH-01_1.jpg", "FH-01_2.jpg", "FH-02_1.jpg", "FH-02_10.jpg",
    }  # fmt: skip


def test_the_tables_agree(counted):
    out, _, _ = counted
    fields = {row["photo"]: row for row in rows(out / "fields.csv")}
    objects = rows(out / "objects.csv")
    assert len(fields) == 5
    for photo, row in fields.items():
        spores = sum(one["photo"] == photo and one["kind"] == "spore" for one in objects)
        assert row["spores"] == ("" if row["flag"] == "unusable" else str(spores))  # unknown, never zero
    assert {photo for photo, row in fields.items() if row["flag"] != "unusable"} >= {
        "FH-01_1.jpg",
        "FH-01_2.jpg",
    }
    assert fields["FH-02_2.jpg"]["flag"] == "unusable"
    assert fields["FH-01_1.jpg"]["um_per_px_source"] == "given"
    (first, second) = rows(out / "samples.csv")
    assert (first["sample"], second["sample"]) == ("FH-01", "FH-02")
    assert int(first["photos"]) == 2
    # drawn ovals stand where the count says
    assert sum(one["photo"] == "FH-02_1.jpg" and one["kind"] == "spore" for one in objects) == 0
    assert int(fields["FH-01_1.jpg"]["spores"]) in (5, 6)  # one lies at the edge of the picture


def test_provenance(counted):
    out, result, _ = counted
    said = json.loads((out / "session.json").read_text())
    assert said["provenance"]["settings"]["spore_length_min_um"] == 8.0
    assert set(said["provenance"]["photos"]) == {one.photo for one in result.fields}
    assert said["provenance"]["libraries"]["numpy"]
    assert said["provenance"]["model"]


def test_results_open_again(counted):
    out, result, _ = counted
    again, preview = open_session(out)
    assert [one.tally for one in again.fields] == [one.tally for one in result.fields]
    assert [one.sample for one in again.prints] == [one.sample for one in result.prints]
    assert (again.failed, again.notes, again.provenance) == (result.failed, result.notes, result.provenance)
    assert preview("FH-01_1.jpg").rgb.ndim == 3
    with pytest.raises(SessionError, match="nothing is counted here"):
        open_session(out / "overlays")


def test_the_same_bytes_with_two_workers(session, counted, tmp_path):
    out, _, _ = counted
    count(session, out=tmp_path / "two", workers=2)
    assert all_files(tmp_path / "two") == all_files(out)


def test_a_second_run_counts_nothing_again(session, counted):
    out, _, _ = counted
    before = all_files(out)
    _, states = count(session, out=out)
    assert set(states.values()) == {"kept", "failed"}
    assert all_files(out) == before


def test_only_what_changed_is_counted_again(tmp_path):
    for number in (1, 2, 3):
        write_photo(tmp_path / f"FH-01_{number}.jpg", number)
    count(tmp_path)
    write_photo(tmp_path / "FH-01_2.jpg", 20)
    write_photo(tmp_path / "FH-01_4.jpg", 4)
    (tmp_path / "FH-01_3.jpg").unlink()
    result, states = count(tmp_path)
    assert states == {"FH-01_1.jpg": "kept", "FH-01_2.jpg": "counted", "FH-01_4.jpg": "counted"}
    out = tmp_path / "sporecount"
    assert {path.name for path in (out / "overlays").iterdir()} == {
        "FH-01_1.jpg",
        "FH-01_2.jpg",
        "FH-01_4.jpg",
    }
    assert len(list((out / KEPT / "fields").iterdir())) == 3
    # other settings, another scale: nothing may be taken over
    _, states = count(tmp_path, settings=CountSettings(count_from=0.7))
    assert set(states.values()) == {"counted"}
    _, states = count(tmp_path, settings=CountSettings(count_from=0.7), um_per_px=1.02)
    assert set(states.values()) == {"counted"}
    # what was made of a changed folder is what a fresh run makes of it
    count(tmp_path)
    count(tmp_path, out=tmp_path / "fresh")
    assert all_files(tmp_path / "fresh") == all_files(out)
    assert len(result.fields) == 3


@pytest.mark.skipif(os.name == "nt", reason="needs kill -9")
def test_killed_in_the_middle_and_finished(session, counted, tmp_path):
    """Kill -9 once the first photo is kept; the second run finishes, with the files of an undisturbed run."""
    out = tmp_path / "killed"
    script = (
        "from sporecount.session import count_folder\n"
        f"count_folder({str(session)!r}, out={str(out)!r}, um_per_px=1.0, objective=10.0, workers=1)\n"
    )
    process = subprocess.Popen([sys.executable, "-c", script], cwd=ROOT, start_new_session=True)
    try:
        for _ in range(3000):
            if list(out.glob(f"{KEPT}/fields/*.npz")) or process.poll() is not None:
                break
            time.sleep(0.01)
        assert process.poll() is None, "it ended before it could be killed"
    finally:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    assert not (out / "fields.csv").exists()
    (out / "overlays" / ".0123456789abcdef.part").write_bytes(b"half an overlay")
    (out / ".0123456789abcdef.part").write_bytes(b"half a table")
    _, states = count(session, out=out)
    assert "kept" in states.values()
    assert all_files(out) == all_files(counted[0])


def make_crasher(setup):
    """A worker that one photo brings down, as a decoder's memory fault would."""
    work = make_worker(setup)

    def do(job):
        if isinstance(job, PhotoJob) and job.file.name == "FH-01_2.jpg":
            os._exit(11)
        return work(job)

    return do


def test_a_photo_that_brings_workers_down(tmp_path, monkeypatch):
    for number in (1, 2, 3):
        write_photo(tmp_path / f"FH-01_{number}.jpg", number)
    monkeypatch.setattr("sporecount.session.run._MAKER", "tests.test_session:make_crasher")
    result, _ = count(tmp_path, workers=2)
    assert [one.photo for one in result.fields] == ["FH-01_1.jpg", "FH-01_3.jpg"]
    assert [(one.photo, one.code) for one in result.failed] == [("FH-01_2.jpg", "crashed")]


def test_a_run_ends_only_when_what_it_loads_beside_is_loaded(tmp_path):
    # A library in C++ that is cut off while it loads brings the whole program down at its end.
    write_photo(tmp_path / "photos" / "a_1.jpg", 1)
    body = (
        "import sys, time, pathlib\n"
        "import sporecount.report.charts as charts\n"
        "from sporecount.session import count_folder\n"
        "def slowly():\n"
        "    time.sleep(4)\n"
        "    pathlib.Path(sys.argv[2]).touch()\n"
        "charts.get_ready = slowly\n"
        f"count_folder(sys.argv[1], um_per_px={UM_PER_PX}, workers=1)\n"
    )
    loaded = tmp_path / "loaded"
    line = [sys.executable, "-c", body, str(tmp_path / "photos"), str(loaded)]
    assert subprocess.run(line, check=False, cwd=Path(__file__).parents[1]).returncode == 0
    assert loaded.exists()


def test_a_listener_that_stops_the_run(tmp_path):
    """What is counted is kept, and the next run goes on from there."""
    for number in (1, 2):
        write_photo(tmp_path / f"FH-01_{number}.jpg", number)

    def stop(_done, _total, _photo):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        count_folder(tmp_path, um_per_px=UM_PER_PX, objective=10.0, workers=1, progress=stop)
    assert not (tmp_path / "sporecount" / "fields.csv").exists()
    _, states = count(tmp_path)
    assert "kept" in states.values()


def test_one_run_at_a_time(session, tmp_path):
    (tmp_path / KEPT).mkdir()
    with only_run(tmp_path / KEPT), pytest.raises(SessionError, match="another run"):
        count(session, out=tmp_path)


def test_what_the_table_says(tmp_path):
    write_photo(tmp_path / "a.jpg", 1)
    write_photo(tmp_path / "b.jpg", 2)
    write_photo(tmp_path / "c.jpg", 3)
    (tmp_path / "session.csv").write_text(
        "photo,sample,objective,um_per_px,note,cage\n"
        "a.jpg,FH-07,20x,1.05,,east\nb.jpg,FH-07,,,,west\nc.jpg,,,,label,\ngone.jpg,FH-08,,,,\naway.jpg,FH-07,,,,\n"
    )
    result, states = count(tmp_path)
    first, second = result.fields
    assert (first.photo, first.sample, first.field) == ("a.jpg", "FH-07", 1)
    assert (first.scale.um_per_px, first.scale.source, first.scale.objective) == (1.05, "table", 20.0)
    assert (second.scale.um_per_px, second.scale.source, second.scale.objective) == (UM_PER_PX, "given", 10.0)
    assert states["c.jpg"] == "label"
    away, gone = result.failed
    assert (away.photo, away.sample, away.code) == ("away.jpg", "FH-07", "missing")
    assert (gone.photo, gone.sample, gone.code) == ("gone.jpg", "FH-08", "missing")
    assert "line 5" in gone.message
    # A print of which nothing is here is none of this session; one of which a part is here says so.
    (seen,) = result.prints
    assert seen.sample == "FH-07"
    assert "photos-left-out" in seen.reasons
    (last,) = (tmp_path / "sporecount" / "fields.csv").read_text().splitlines()[-1:]
    assert last.startswith("gone.jpg,FH-08,")
    assert last.endswith(",unusable,missing")
    said = json.loads((tmp_path / "sporecount" / "session.json").read_text())
    assert said["table"]["a.jpg"]["cage"] == "east"


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"um_per_px": 66.0}, ["gives the scale of 2 photos, so 66 um per px was not used for them"]),
        ({"adapter": "practice"}, ["gives the scale of 2 photos, so the adapter profile practice was not"]),
        ({"objective": 40.0}, ["gives the objective of 1 photo, so 40x was not used for it"]),
        (
            {"um_per_px": 66.0, "adapter": "practice"},
            ["so 66 um per px was not used", "so the adapter profile practice was not used"],
        ),
        ({"um_per_px": 1.0, "objective": 10.0}, []),
    ],
    ids=["scale", "adapter", "objective", "both", "the same"],
)
def test_what_is_asked_for_and_not_used_is_told(tmp_path, asked, told):
    for name in ("a", "b", "label"):
        write_photo(tmp_path / f"{name}.jpg", 1)
    (tmp_path / "session.csv").write_text("photo,objective,um_per_px\na.jpg,10,1\nb.jpg,,1\nlabel.jpg,10,1\n")
    said = make_plan(tmp_path, **asked).passed_over
    assert len(said) == len(told)
    assert all(words in one for words, one in zip(told, said, strict=True))


def test_what_gives_way_to_the_table_stands_among_the_notes(tmp_path):
    write_photo(tmp_path / "a.jpg", 1)
    (tmp_path / "session.csv").write_text("photo,um_per_px\na.jpg,1\n")
    result, _ = count(tmp_path, um_per_px=66.0)
    assert result.notes[0] == "session.csv gives the scale of 1 photo, so 66 um per px was not used for it."


def test_a_column_that_is_nearly_named_as_a_known_one_is_asked_about(tmp_path):
    write_photo(tmp_path / "a.jpg", 1)
    (tmp_path / "session.csv").write_text("photo,sample,print_area,cage,sample_id\na.jpg,FH-07,20,east,7\n")
    result, _ = count(tmp_path)
    (note,) = (one for one in result.notes if "column" in one)
    assert "print_area is not known" in note
    assert "print_area_mm2" in note


def test_labels_tell_the_prints_apart(tmp_path):
    """QR labels photographed before the fields (ISO/IEC 18004), in the order of the camera's clock."""
    for number, what in enumerate(["FH-31", 1, 2, "FH-32", 3]):
        clock = f"2026:05:17 09:30:{number:02d}"
        data = label_photo(what, clock) if isinstance(what, str) else jpeg(drawn_photo(what), clock)
        (tmp_path / f"IMG_{9 - number}.jpg").write_bytes(data)
    result, states = count(tmp_path)
    assert [(one.photo, one.sample, one.field) for one in result.fields] == [
        ("IMG_7.jpg", "FH-31", 1), ("IMG_8.jpg", "FH-31", 2), ("IMG_5.jpg", "FH-32", 1),
    ]  # fmt: skip
    assert sorted(states.values()) == ["counted"] * 3 + ["label"] * 2
    assert any("IMG_9.jpg is the label of FH-31" in note for note in result.notes)
    out = tmp_path / "sporecount"
    assert len(list((out / "overlays").iterdir())) == 3
    before = all_files(out)
    count(tmp_path)
    assert all_files(out) == before


def test_scales_without_a_calibration(tmp_path):
    write_photo(tmp_path / "FH-01_1.jpg", 1)
    result, _ = count(tmp_path, um_per_px=None)
    (field,) = result.fields
    assert field.scale.source == "assumed"
    assert {"uncalibrated", "approximate-scale"} <= set(field.scale.reasons)
    assert field.tally.flag != "clear"


def test_copies_of_one_file_count_once(tmp_path):
    write_photo(tmp_path / "FH-01_1.jpg", 1)
    write_photo(tmp_path / "FH-01_2.jpg", 1)
    result, _ = count(tmp_path)
    assert [one.photo for one in result.fields] == ["FH-01_1.jpg", "FH-01_2.jpg"]
    assert result.prints[0].photos == 1
    assert any("FH-01_2.jpg is the same file as FH-01_1.jpg" in note for note in result.notes)


def test_a_file_under_two_prints_puts_both_in_doubt(tmp_path):
    for name, number in (("FH-01_1.jpg", 1), ("FH-02_1.jpg", 1), ("FH-03_1.jpg", 2)):
        write_photo(tmp_path / name, number)
    result, _ = count(tmp_path)
    assert [one.sample for one in result.prints if "same-photo-elsewhere" in one.reasons] == [
        "FH-01",
        "FH-02",
    ]
    assert "clear" not in [one.flag for one in result.prints[:2]]
    assert any("FH-01_1.jpg (print FH-01), FH-02_1.jpg (print FH-02)" in note for note in result.notes)


def test_a_photo_that_cannot_be_read_leaves_a_mark_on_its_print(tmp_path):
    for name, number in (("FH-01_1.jpg", 1), ("FH-02_1.jpg", 2)):
        write_photo(tmp_path / name, number)
    (tmp_path / "FH-01_2.jpg").write_bytes(b"no photo")
    result, _ = count(tmp_path)
    assert ["photos-left-out" in one.reasons for one in result.prints] == [True, False]


def test_odd_names(tmp_path):
    names = [
        "a b.jpg",
        'it\'s "so".jpg',
        "🦋_1.jpg",
        "two\nlines.jpg",
        "-dash.jpg",
        "=1+1.jpg",
        "sub/a b.jpg",
    ]
    for name in names:
        write_photo(tmp_path / name, 1)
    result, _ = count(tmp_path)
    assert sorted(one.photo for one in result.fields) == sorted(names)
    assert {row["photo"].removeprefix("'") for row in rows(tmp_path / "sporecount" / "fields.csv")} == set(
        names
    )
    assert len(list((tmp_path / "sporecount" / "overlays").iterdir())) == len(names)


@pytest.mark.parametrize("what", ["folder", "photos", "place", "number"])
def test_faults_that_stop_a_run(tmp_path, what):
    folder = tmp_path / "session"
    if what == "folder":
        with pytest.raises(SessionError, match="no such folder"):
            count(folder)
        return
    folder.mkdir()
    if what == "photos":
        with pytest.raises(SessionError, match="no photos"):
            count(folder)
        assert list(folder.iterdir()) == []
        return
    write_photo(folder / "a.jpg", 1)
    if what == "place":
        with pytest.raises(SessionError, match="among the photos"):
            count(folder, out=folder)
        with pytest.raises(SessionError, match="cannot be written"):
            count(folder, out=folder / "a.jpg" / "out")
    else:
        with pytest.raises(SessionError, match="um per px"):
            count(folder, um_per_px=0.0)
        with pytest.raises(SessionError, match="objective"):
            count(folder, objective=-10.0)


def test_a_folder_of_bad_photos_only(tmp_path):
    (tmp_path / "FH-01_1.jpg").write_bytes(b"")
    (tmp_path / "FH-01_2.jpg").write_bytes(b"no photo")
    result, states = count(tmp_path)
    assert set(states.values()) == {"failed"}
    assert len(result.fields) == 0
    assert [(one.sample, one.flag) for one in result.prints] == [("FH-01", "unusable")]
    assert [one.code for one in result.failed] == ["empty", "not-a-photo"]

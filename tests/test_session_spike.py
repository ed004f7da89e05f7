"""Spores placed into a session's own photos: where they should be, like its own, counted, and used."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from sporecount.cli.main import run
from sporecount.cli.spike import table_lines
from sporecount.errors import SessionError
from sporecount.records import OwnRecall
from sporecount.session import count_folder, open_session
from sporecount.session.spike_donors import donor_of, lone_spores, usual_look
from sporecount.session.spike_job import blur_at, choose_places
from sporecount.session.spiking import Recovered, SpikeResult, spike_session
from sporecount.settings import CountSettings
from sporecount.simulate.photo import draw_photo
from sporecount.steps.backgrounds import Backgrounds
from sporecount.steps.print_tally import tally_print, with_own_recall
from tests.benchmarks.other_rigs import lateral
from tests.benchmarks.spike_truth import compare_drawn
from tests.recipes import rambler
from tests.session_folder import UM_PER_PX, all_files, write_photo
from tests.steps.drawn import linear, srgb
from tests.steps.made_fields import make_field, make_objects
from tests.test_chain import AMBER

OPTIONS = {"um_per_px": UM_PER_PX, "objective": 10.0, "workers": 0}


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """Two prints of one drawn photo each."""
    place = tmp_path_factory.mktemp("fernhollow")
    write_photo(place / "FH-01_1.jpg", 1, ovals=5, width=420, height=330)
    write_photo(place / "FH-02_1.jpg", 2, ovals=4, width=420, height=330)
    return place


@pytest.fixture(scope="module")
def spiked(folder, tmp_path_factory):
    out = tmp_path_factory.mktemp("results")
    before = count_folder(folder, out=out, **OPTIONS)
    photos = all_files(folder)
    steps: list[tuple[int, int]] = []
    found = spike_session(folder, out=out, spores=24, workers=0, progress=lambda *step: steps.append(step))
    assert all_files(folder) == photos  # the photos are only read
    assert steps == [(k, len(steps)) for k in range(1, len(steps) + 1)]
    return out, before, found


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_table_picture_and_summary_agree(spiked):
    out, _, found = spiked
    table = rows(out / "spike.csv")
    assert 16 <= len(table) <= 24  # where a view is full, fewer fit
    assert {row["photo"] for row in table} == {"FH-01_1.jpg", "FH-02_1.jpg"}
    examined = [row for row in table if row["background"] != "glue"]
    assert found.own_recall.placed == len(examined)
    assert found.own_recall.found == sum(row["found"] in ("yes", "in doubt") for row in examined)
    assert found.rows[-1].counted == sum(row["found"] == "yes" for row in examined)
    assert {row["cut_from"] for row in table} == {"FH-01_1.jpg", "FH-02_1.jpg"}
    assert sum(row.placed for row in found.rows[:-1]) == len(table)
    said = json.loads((out / "spike.json").read_text())
    assert said["simulated"] is True
    assert OwnRecall(**said["own_recall"]) == found.own_recall
    picture = cv2.imdecode(np.frombuffer((out / "spike.jpg").read_bytes(), np.uint8), cv2.IMREAD_COLOR)
    assert picture.shape[1] > 1000
    assert picture.shape[0] > 300


def test_plain_card_hides_hardly_a_spore(spiked):
    """Sharp spores of usual size and darkness on empty card: whoever misses many of these counts nothing."""
    _, _, found = spiked
    card = next(row for row in found.rows if (row.background, row.focus) == ("card", "sharp"))
    assert card.found >= 0.8 * card.placed


def test_places_keep_away_from_each_other_and_from_spores(spiked):
    out, before, _ = spiked
    fields = {field.photo: field for field in before.fields}
    for photo, field in fields.items():
        for turn in ("0", "1", "2"):
            mine = [row for row in rows(out / "spike.csv") if (row["photo"], row["turn"]) == (photo, turn)]
            places = np.array([(float(row["x_px"]), float(row["y_px"])) for row in mine]).reshape(-1, 2)
            apart = np.hypot(*(places[:, None] - places[None]).T) + 1e9 * np.eye(len(places))
            assert len(places) < 2 or apart.min() > 3.5 * 11
            spores = np.stack([field.objects.x_px, field.objects.y_px], axis=1)[field.counted]
            for place in places:
                assert not len(spores) or np.hypot(*(spores - place).T).min() > 11


def test_the_next_count_uses_it_says_so_and_is_the_same_for_any_number_of_workers(spiked, folder):
    out, before, found = spiked
    after = count_folder(folder, out=out, **OPTIONS)
    assert after.own_recall == found.own_recall
    assert any("spike-in" in note and f"of {found.own_recall.placed}" in note for note in after.notes)
    assert [tally.could_hide_per_mm2 for tally in after.prints] != [
        tally.could_hide_per_mm2 for tally in before.prints
    ]
    assert open_session(out)[0].own_recall == found.own_recall
    assert b"spike-in" in (out / "report.html").read_bytes()
    written = {name: (out / name).read_bytes() for name in ("samples.csv", "session.json", "report.html")}
    spikes = {name: (out / name).read_bytes() for name in ("spike.csv", "spike.jpg", "spike.json")}
    spike_session(folder, out=out, spores=24, workers=2)
    assert {name: (out / name).read_bytes() for name in spikes} == spikes
    count_folder(folder, out=out, **{**OPTIONS, "workers": 2})
    assert {name: (out / name).read_bytes() for name in written} == written


def test_a_spike_in_for_other_settings_is_not_used(spiked, folder, tmp_path):
    out, _, _ = spiked
    (tmp_path / "spike.json").write_bytes((out / "spike.json").read_bytes())
    other = count_folder(folder, out=tmp_path, settings=CountSettings(count_from=0.7), **OPTIONS)
    assert other.own_recall is None
    assert any("not used" in note for note in other.notes)
    (tmp_path / "spike.json").write_text("{")
    broken = count_folder(folder, out=tmp_path, **OPTIONS)
    assert broken.own_recall is None
    assert any("spike.json cannot be read" in note for note in broken.notes)


def test_lateral_colour_of_the_rig_hides_no_placed_spore(tmp_path):
    """Red and blue are 4 um off at the sides. Placed with whole colours into such a photo, which is undone when it
    is counted, spores near the sides would fall apart: 0 and 12 of 36 were found on two photos."""
    rgb = draw_photo(
        np.random.default_rng([5, 3]), width_px=1100, height_px=825, um_per_px=0.6, objective=10, spores=14,
        light="below", ranges=AMBER,
    ).rgb  # fmt: skip
    for name, shown in (("plain", rgb), ("fringed", lateral(4.0)(rgb, 0.6, np.random.default_rng(0)))):
        (tmp_path / name).mkdir()
        cv2.imwrite(str(tmp_path / name / "FH-01_1.png"), cv2.cvtColor(shown, cv2.COLOR_RGB2BGR))
        count_folder(tmp_path / name, um_per_px=0.6, objective=10.0, workers=0)
    plain, fringed = (
        spike_session(tmp_path / name, spores=30, workers=0).own_recall for name in ("plain", "fringed")
    )
    assert fringed.found >= plain.found - 3


def test_what_cannot_be_spiked_is_said(tmp_path, folder):
    with pytest.raises(SessionError, match="nothing is counted here"):
        spike_session(tmp_path, workers=0)
    out = tmp_path / "out"
    count_folder(folder, out=out, **OPTIONS)
    elsewhere = tmp_path / "empty"
    elsewhere.mkdir()
    with pytest.raises(SessionError, match="no photo"):
        spike_session(elsewhere, out=out, workers=0)
    light = linear(cv2.imread(str(folder / "FH-01_1.jpg")))
    card = np.median(light, axis=(0, 1))
    for reason, shown in (
        ("dark-ground", 0.05 * (card / np.maximum(light, 1e-3))[..., ::-1]),
        ("stray-light", 0.3 * light + 0.7 * card),
    ):
        (tmp_path / reason).mkdir()
        cv2.imwrite(str(tmp_path / reason / "FH-01_1.png"), srgb(shown))
        counted = count_folder(tmp_path / reason, **OPTIONS)
        assert counted.fields[0].tally.reasons.count(reason) == 1
        with pytest.raises(SessionError, match="no photo of this session is usable"):
            spike_session(tmp_path / reason, workers=0)
    changed = tmp_path / "changed"
    write_photo(changed / "FH-01_1.jpg", 7)
    with pytest.raises(SessionError, match="changed since"):
        spike_session(changed, out=out, workers=0)


def test_command(spiked, folder, capsys):
    out, _, _ = spiked
    assert run(["spike", str(folder), "--out", str(out), "--spores", "10", "--workers", "0"]) == 0
    text = capsys.readouterr().out
    assert "empty card" in text
    assert "simulated" in text.lower()
    assert max(map(len, text.splitlines())) <= 80
    call = ["spike", str(folder), "--out", str(out), "--spores", "10", "--workers", "0", "--json"]
    assert run(call) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["simulated"] is True
    assert said["rows"][-1]["placed"] == said["placed"]


def test_copies_from_other_prints_are_told_apart():
    result = SpikeResult(
        rows=(Recovered("", "", 18, 20, 25, 0.8, 0.6, 0.9),),
        photos=3,
        own_recall=OwnRecall(14, 15, 0, 0, 6, 10),
        notes=(),
    )
    said = "\n".join(table_lines(result))
    assert "other prints, for want of likely spores: 10, of which 6 are found" in said


def test_a_lower_recall_can_hide_more():
    fields = [make_field(number=k, recall=0.9, recall_u=0.3) for k in (1, 2, 3)]
    hidden = [
        tally_print(
            with_own_recall(fields, OwnRecall(0, 0, 0, 0, found, 100)), CountSettings()
        ).could_hide_per_mm2
        for found in (98, 80, 50)
    ]
    assert hidden == sorted(hidden)
    assert (
        hidden[2] > 1.15 * hidden[0]
    )  # a third of the weight is the spike-in's: other prints may look otherwise
    assert with_own_recall(fields, None) == fields


def flat_ground(shape: tuple[int, int], glue: slice) -> Backgrounds:
    kind = np.zeros(shape, np.int8)
    kind[:, :20] = -1
    kind[:, glue] = 2
    return Backgrounds(kind, np.ones(shape, bool), 0.5, 0, 0)


def test_places_are_even_and_inside():
    ground = flat_ground((120, 160), slice(80, 160))
    field = make_field([0.9], size=(320, 240), objects=make_objects([200.0], [120.0]))
    rng = np.random.default_rng(1)
    places = np.concatenate([choose_places(ground, field, 2, 11.0, 0.15, rng) for _ in range(150)])
    assert len(places) == 300
    assert places[:, 0].min() > 40 + 11 - 2  # outside the view nothing is placed
    assert np.hypot(places[:, 0] - 200, places[:, 1] - 120).min() > 1.3 * 11
    in_glue = (ground.at(places[:, 0], places[:, 1])[0] == 2).mean()
    assert in_glue == pytest.approx(160 / 270, abs=0.1)  # by area; binomial spread is 0.03


def test_blur_is_read_from_the_edges_nearby():
    """A step of blur s rises by 0.4 / s of its height per um."""
    objects = make_objects(np.full(6, 50.0), np.linspace(20, 90, 6), sharpness=0.4 / 1.5)
    field = make_field(np.full(6, 0.9), objects=replace(objects, optical_density=np.full(6, 0.3)))
    near = blur_at(field, 60.0, 50.0, sharp=True)
    assert near == pytest.approx(np.sqrt(1.5**2 - 0.65**2))
    assert blur_at(field, 600.0, 450.0, sharp=True) == near
    assert blur_at(field, 600.0, 450.0, sharp=False) > 2 * near
    assert blur_at(make_field(), 60.0, 50.0, sharp=True) == 1.0


def test_the_share_is_that_of_the_sessions_own_spores():
    """Three simulated prints whose spores differ. One look for all of them gave a share 0.2 below the truth."""
    drawn = {
        f"P{k}_1.png": rambler.draw_photo(
            np.random.default_rng([21, k]), width_px=800, height_px=600, objective=10.0, preset="good_focus"
        )
        for k in range(3)
    }
    told = compare_drawn(drawn, spores=45)
    assert told.there >= 20
    assert told.recall["spike"] == pytest.approx(told.truth, abs=0.1)


def test_copies_are_of_the_photo_then_of_its_print_then_of_the_session():
    sample_of = {"a": "FH-01", "b": "FH-01", "c": "FH-02"}
    rng = np.random.default_rng(0)

    def chosen(**expected: float) -> set[str]:
        return {donor_of("a", sample_of, expected, rng) for _ in range(40)}

    assert chosen(a=4.0, b=9.0, c=9.0) == {"a"}
    assert chosen(a=0.9, b=9.0, c=9.0) == {"a", "b"}
    assert chosen(a=0.0, b=0.9, c=9.0) == {"b", "c"}
    assert chosen(a=0.0, b=0.4, c=0.5) == {""}


def test_only_what_lies_alone_off_scales_is_copied():
    x_px = np.array([50.0, 100.0, 150.0, 156.0, 250.0, 300.0, 350.0])
    objects = make_objects(x_px, np.full(7, 60.0))
    objects = replace(
        objects,
        on_scale=np.arange(7) == 1,  # 2 and 3 lie side by side; 4 is in a clump, 5 refused
        clump=np.where(np.arange(7) == 4, 2, 1),
    )
    lone = lone_spores(make_field([0.9, 0.9, 0.9, 0.9, 0.9, 0.1, 0.4], objects=objects), CountSettings())
    assert lone.row.tolist() == [0, 6]
    assert lone.expected == pytest.approx(1.3)


def test_where_no_spore_is_known_drawn_ones_differ_and_the_next_count_leaves_their_share(tmp_path, capsys):
    looks = [usual_look(CountSettings(), np.random.default_rng(k)) for k in range(200)]
    lengths, green = np.array([one.length_um for one in looks]), np.array([one.amber[1] for one in looks])
    assert lengths.min() >= 8
    assert lengths.max() <= 16
    assert np.percentile(green, 90) > 2 * np.percentile(green, 10)
    rgb = draw_photo(
        np.random.default_rng([5, 0]), width_px=1100, height_px=825, um_per_px=0.6, objective=10, spores=0,
        light="below", ranges=AMBER,
    ).rgb  # fmt: skip
    cv2.imwrite(str(tmp_path / "FH-03_1.png"), cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR))
    options = {**OPTIONS, "um_per_px": 0.6}
    count_folder(tmp_path, **options)
    assert run(["spike", str(tmp_path), "--spores", "10", "--workers", "0"]) == 0
    said = capsys.readouterr().out
    assert "drawn ones" in said
    assert "leaves this share alone" in said
    assert count_folder(tmp_path, **options).own_recall is None

"""What a counted folder says of the photos still needed, of blank prints, and of where its fields lie."""

import io
import json
from dataclasses import asdict, replace
from inspect import signature
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from sporecount.cli.main import run
from sporecount.cli.plan import plan as plan_command
from sporecount.errors import SessionError
from sporecount.files.kept import FieldPlace, KeptFields
from sporecount.files.session_table import TableRow
from sporecount.readings import Reading
from sporecount.records import FieldPreview, PrintTally, Provenance, SessionResult
from sporecount.season.book import BOOK_NAME, Book
from sporecount.session import count_folder, open_session
from sporecount.session.blanks import is_blank, weigh_blanks
from sporecount.session.folder import KEPT
from sporecount.session.known import false_rate_of, known_range, weigh_known
from sporecount.session.maps import draw_map
from sporecount.session.outputs import write_session
from sporecount.session.planning import USUAL_RECALL, USUAL_RECALL_U, field_area, plan_ahead, plan_on
from sporecount.session.readers import ReadSession
from sporecount.session.retally import Retally
from sporecount.settings import CountSettings
from sporecount.stats.detection_limit import hidden_load
from sporecount.stats.planning import empty_fields
from sporecount.steps.overlap import map_fields
from sporecount.steps.print_area import print_area
from sporecount.steps.print_tally import false_rate_for, tally_print
from sporecount.steps.recall import expected_recall
from tests.session_folder import UM_PER_PX, write_photo
from tests.steps.made_fields import make_field

SETTINGS = CountSettings()


def bare_preview(seed: int) -> FieldPreview:
    """Card with a grain of its own, so that no two fields look alike."""
    rng = np.random.default_rng(seed)
    soft = cv2.GaussianBlur(rng.normal(0, 1, (240, 320)).astype(np.float32), (0, 0), 4)
    gray = np.clip(220 + 6 * soft / soft.std(), 0, 255).astype(np.uint8)
    left_out = np.zeros((240, 320), np.uint8)
    left_out[40:80, 60:140] = 1
    return FieldPreview(np.repeat(gray[..., None], 3, axis=2), left_out, np.zeros((240, 320), bool), 0.5)


def written(folder: Path, made: list) -> None:
    """Results of these fields."""
    out = folder / "sporecount"
    kept = KeptFields(out / KEPT / "fields")
    places = []
    for at, field in enumerate(made):
        kept.save(f"key{at}", field, bare_preview(at))
        places.append(FieldPlace(f"key{at}", field.photo, field.sample, field.field))
    samples = dict.fromkeys(field.sample for field in made)
    result = SessionResult(
        folder="fernhollow",
        fields=made,
        prints=tuple(tally_print([one for one in made if one.sample == name], SETTINGS) for name in samples),
        failed=(),
        provenance=Provenance("0", "none", asdict(SETTINGS), {}, {}),
    )
    write_session(out, result, places, {field.photo: f"{field.photo}" for field in made}, {})


@pytest.fixture
def counted(tmp_path: Path) -> Path:
    """Results of three prints: one heavy, one of eight empty fields, one of a single empty field."""
    made = [make_field([0.99] * 30, number=i, sample="FH-heavy", examined_mm2=1.5) for i in (1, 2, 3)]
    made += [make_field(number=i, sample="FH-none", examined_mm2=1.5) for i in range(1, 9)]
    made += [make_field(number=1, sample="FH-short", examined_mm2=1.5)]
    written(tmp_path, made)
    return tmp_path


def test_standing_of_each_print_and_which_comes_next(counted):
    plans = {one.sample: one for one in plan_on(counted / "sporecount", 4, 0.05)}
    assert plans["FH-heavy"].standing.verdict == "at least"
    assert plans["FH-none"].standing.verdict == "below"
    assert plans["FH-short"].standing.verdict == "open"
    assert plans["FH-short"].standing.fields_to_go >= 1
    assert next(iter(plans)) == "FH-short"
    assert plans["FH-none"].fields == 8
    assert plans["FH-none"].examined_mm2 == pytest.approx(12.0)


def test_readers_decisions_move_the_plan(counted, capsys):
    """All that the machine took for spores is nothing: the heavy print is no longer decided as heavy."""
    out = counted / "sporecount"
    result, _ = open_session(out)
    book = Book(out / BOOK_NAME)
    number = 0
    for field in result.fields:
        for x, y in zip(field.objects.x_px, field.objects.y_px, strict=True):
            book.write(
                f"n{number}", Reading(field.photo, float(x), float(y), "not", "AB", "2026-05-17T09:00:00")
            )
            number += 1
    book.close()
    plans = {one.sample: one for one in plan_on(out, 4, 0.05)}
    assert plans["FH-heavy"].decided == number == 90
    assert plans["FH-heavy"].spores == 0  # what is hardly a spore is left to the recall
    assert plans["FH-heavy"].standing.verdict != "at least"
    assert plans["FH-none"].decided == 0
    # the plan stands where the tally with the readers' decisions stands
    read = ReadSession(out).tallied(*open_session(out)).readers.prints["FH-heavy"]
    assert read.heavy_verdict == plans["FH-heavy"].standing.verdict
    assert run(["plan", str(counted)]) == 0
    assert "90 objects decided by readers" in capsys.readouterr().out


def test_doubtful_objects_go_before_photos(tmp_path, capsys):
    made = [make_field([0.4] * 30, number=i, sample="FH-odd", examined_mm2=1.5) for i in (1, 2, 3)]
    written(tmp_path, made)
    (plan,) = plan_on(tmp_path / "sporecount", 4, 0.05)
    assert plan.doubtful == 90
    assert plan.rests_on_doubt
    assert run(["plan", str(tmp_path)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "what its 90 doubtful objects are decides, not more fields" in said
    assert "Settle the doubtful objects first of: FH-odd" in said
    assert "Photograph next" not in said


def test_plan_command_says_it_in_80_columns(counted, capsys):
    assert run(["plan", str(counted), "--rule-out", "4"]) == 0
    said = capsys.readouterr().out
    assert "Photograph next: FH-short" in said
    assert "more field" in said
    assert "free of the parasite" in said
    assert max(map(len, said.splitlines())) <= 80
    assert run(["plan", str(counted), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["prints"][0]["sample"] == "FH-short"
    assert {one["sample"]: one["verdict"] for one in told["prints"]}["FH-heavy"] == "at least"


def test_the_plan_tells_why_an_unlikely_class_is_still_open(counted, capsys):
    plans = {one.sample: one for one in plan_on(counted / "sporecount", 3, 0.2)}
    few = plans["FH-short"]
    assert few.standing.verdict == "open"
    assert few.standing.probability <= 0.2
    assert run(["plan", str(counted), "--rule-out", "3", "--risk", "0.2"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "but a print of 21 spores would show no more than this in over 20 in 100 cases" in said


def test_plan_of_a_folder_that_was_not_counted(tmp_path, capsys):
    with pytest.raises(SessionError, match="nothing is counted here"):
        plan_on(tmp_path / "sporecount", 4, 0.05)
    assert run(["plan", str(tmp_path)]) == 2
    assert "count the folder first" in capsys.readouterr().err


def test_fields_needed_beforehand():
    ahead = plan_ahead(3, 0.05, 10.0, SETTINGS)
    assert ahead.field_mm2 == pytest.approx(0.85 * np.pi / 4 * 1.8**2)  # field number / magnification
    assert ahead.plan.possible
    assert ahead.plan.chance_missed <= 0.05
    # so many empty fields leave class 3 (21 and more) out, one field fewer does not
    for fields, ruled_out in ((ahead.plan.fields, True), (ahead.plan.fields - 1, False)):
        empty = empty_fields(fields, ahead.field_mm2, USUAL_RECALL, USUAL_RECALL_U)
        load = hidden_load(empty, print_area(SETTINGS).area)
        assert (load <= 21) is ruled_out
    # what the law of a field without a count tells, as printed
    assert expected_recall("empty", np.array([1.0, 0.0])) == pytest.approx(
        (USUAL_RECALL, USUAL_RECALL_U), abs=0.006
    )
    # the command says what the program takes
    assert signature(plan_command).parameters["recall"].default == USUAL_RECALL
    loads = [load for _, load in ahead.hidden]
    assert loads == sorted(loads, reverse=True)


def test_more_risk_or_a_wider_field_needs_fewer_fields():
    asked = plan_ahead(4, 0.05, 20.0, SETTINGS).plan.fields
    assert plan_ahead(4, 0.2, 20.0, SETTINGS).plan.fields < asked
    assert plan_ahead(4, 0.05, 10.0, SETTINGS).plan.fields < asked
    assert plan_ahead(5, 0.05, 20.0, SETTINGS).plan.fields < asked
    assert plan_ahead(4, 0.05, 20.0, SETTINGS, recall=0.5).plan.fields > asked
    assert field_area(10, 18) == pytest.approx(4 * field_area(20, 18))


def test_plan_command_beforehand(capsys):
    assert run(["plan", "--rule-out", "3", "--risk", "0.05", "--objective", "10", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["fields"] == plan_ahead(3, 0.05, 10.0, SETTINGS).plan.fields
    assert run(["plan", "--rule-out", "1"]) == 0
    said = capsys.readouterr().out
    assert "cannot be ruled out" in said
    assert max(map(len, said.splitlines())) <= 80
    assert run(["plan", "--rule-out", "7"]) == 2


@pytest.mark.parametrize(
    ("sample", "note", "blank"),
    [
        ("blank-2", "", True),
        ("Blank", "", True),
        ("shed/BLANK 3", "", True),
        ("FH-12", "blank, after washing", True),
        ("FH-12", "male, found by a blanket", False),
        ("blanket", "", False),
        ("FH-12", "", False),
    ],
)
def test_a_blank_is_told_by_its_name_or_note(sample, note, blank):
    assert is_blank(sample, ["1.jpg"], {"1.jpg": TableRow("1.jpg", note=note)}) is blank


@pytest.mark.parametrize(
    ("probabilities", "flag", "words"),
    [
        ([], "clear", "no spore found"),
        ([0.05] * 100, "clear", "no spore found"),  # specks are no spores, however many
        ([0.3], "clear", "look at its doubtful objects"),
        ([0.97], "recheck", "every print here is in doubt"),
    ],
)
def test_a_spore_on_a_blank_puts_the_session_in_doubt(probabilities, flag, words):
    prints = [tally_print([make_field(number=i) for i in (1, 2, 3)], SETTINGS)]
    marked, notes = weigh_blanks(prints, {"blank": [make_field(probabilities, sample="blank")]}, SETTINGS)
    assert marked[0].flag == flag
    assert ("blank-contaminated" in marked[0].reasons) is (flag == "recheck")
    assert words in notes[0]


def test_an_unusable_blank_tells_nothing():
    spoilt = make_field([0.9], sample="blank", reasons=("out-of-focus",))
    marked, notes = weigh_blanks([], {"blank": [spoilt]}, SETTINGS)
    assert marked == ()
    assert "tells nothing" in notes[0]


@pytest.mark.parametrize(
    ("note", "known"),
    [
        ("known 150-300", (150, 300)),
        ("Known 150 to 300 spores", (150, 300)),
        ("known 200", (150, 250)),
        ("known positive", (1, np.inf)),
        ("known clean", (0, 0)),
        ("known 0", (0, 0)),
        ("known cleanish", None),
        ("unknown 5-6", None),
        ("well known", None),
        ("", None),
    ],
)
def test_a_known_load_stands_in_a_note(note, known):
    assert known_range(["1.jpg", "2.jpg"], {"2.jpg": TableRow("2.jpg", note=note)}) == known


@pytest.mark.parametrize(
    ("known", "flag", "words"),
    [((20, 2000), "clear", "as it should"), ((9000, 20000), "recheck", "every print here is in doubt")],
)
def test_a_known_print_that_reads_otherwise_puts_the_session_in_doubt(known, flag, words):
    fields = [make_field([0.99] * 9, number=i, sample="control") for i in (1, 2, 3)]
    prints = [tally_print(one, SETTINGS) for one in (fields, [make_field(number=i) for i in (1, 2, 3)])]
    marked, notes = weigh_known(prints, {"control": known})
    assert [one.flag for one in marked] == [flag, flag]
    assert words in notes[0]


def test_a_known_positive_without_a_spore_is_missed():
    prints = [tally_print([make_field(number=i, sample="control") for i in (1, 2, 3)], SETTINGS)]
    marked, _ = weigh_known(prints, {"control": (1, np.inf)})
    assert "control-missed" in marked[0].reasons


def clean_control(spore: list[float]) -> PrintTally:
    fields = [make_field(spore, number=i, sample="control", examined_mm2=2.0) for i in (1, 2)]
    return tally_print(fields, SETTINGS)


def test_what_a_clean_print_shows_is_a_false_rate_with_its_interval():
    """Two things on 4 mm2: Garwood 1936, Biometrika 28:437-442, has 0.242 to 7.225 for a count of 2."""
    rate = false_rate_of([clean_control([1.0])])
    assert (rate.prints, rate.per_mm2) == (("control",), pytest.approx(0.5))
    assert (rate.low, rate.high) == pytest.approx((0.242 / 4, 7.225 / 4), abs=1e-3)
    assert false_rate_of([clean_control([0.5] * 9)]).found == 0  # their own probabilities discount them
    assert false_rate_of([]) is None
    assert false_rate_of([tally_print([make_field(examined_mm2=0.0)], SETTINGS)]) is None


def test_false_spores_are_taken_off_all_prints_but_the_clean_one():
    rate = false_rate_of([clean_control([0.99])])
    fields = [make_field([0.99] * 3, number=i, examined_mm2=2.0) for i in (1, 2, 3)]
    plain = tally_print(fields, SETTINGS)
    less = tally_print(fields, SETTINGS, false_rate=false_rate_for(rate, "FH-01"))
    assert less.spores == plain.spores == 9
    assert less.density_per_mm2 == pytest.approx(plain.density_per_mm2 - 0.495 / 0.98, abs=1e-3)
    assert less.density_low < plain.density_low
    assert less.load_low < plain.load_low
    assert false_rate_for(rate, "control") is None
    assert false_rate_for(rate, "FH-01", undecided=0.0) is None  # people decided on all of it
    half = tally_print(fields, SETTINGS, false_rate=false_rate_for(rate, "FH-01", undecided=0.5))
    assert less.density_per_mm2 < half.density_per_mm2 < plain.density_per_mm2


@pytest.mark.parametrize(
    ("spore", "words"),
    [
        ([], "none on 4 mm² of prints known to be clean (control); up to 0.93 per mm² fit"),
        ([0.99], "0.50 per mm² on 4 mm² of prints known to be clean (control), 95 % interval"),
    ],
)
def test_the_false_rate_is_said(spore, words):
    control = clean_control(spore)
    marked, notes = weigh_known([control], {"control": (0, 0)}, false_rate_of([control]))
    assert words in notes[-1].replace("\N{NO-BREAK SPACE}", " ")
    assert "known to hold no spore" in notes[0]
    assert ("control-missed" in marked[0].reasons) is bool(spore)


def test_a_session_with_a_clean_control_discounts_its_false_spores(tmp_path):
    """Drawn ovals on the control stand for look-alikes. Counts stay; a reader's word ends the discount."""
    for name, seed in (("FH-01_1", 3), ("control_1", 4)):
        write_photo(tmp_path / f"{name}.jpg", seed, ovals=8)
    (tmp_path / "session.csv").write_text("photo,note\ncontrol_1.jpg,known clean\n")
    result = count_folder(tmp_path, um_per_px=UM_PER_PX, objective=10.0, workers=0)
    of_print = {one.sample: one for one in result.prints}
    sure = of_print["control"].expected - of_print["control"].doubtful_expected
    assert sure > 1  # else this test would say nothing
    assert result.false_rate.found == pytest.approx(sure)
    opened, preview = open_session(tmp_path / "sporecount")
    assert opened.false_rate == result.false_rate
    assert any(note.startswith("False spores: ") for note in opened.notes)
    (field,) = [one for one in opened.fields if one.sample == "FH-01"]
    plain = tally_print([field], SETTINGS)
    assert of_print["FH-01"].spores == plain.spores
    assert of_print["FH-01"].density_per_mm2 < plain.density_per_mm2
    retally = Retally(preview, SETTINGS, None, opened.false_rate)
    same = retally.tally([field], of_print["FH-01"])
    assert same.density_per_mm2 == of_print["FH-01"].density_per_mm2
    decided = retally.tally([field], of_print["FH-01"], undecided=0.0)
    assert decided.density_per_mm2 == plain.density_per_mm2


def test_map_shows_every_place_once_with_its_spores_and_what_was_left_out():
    made = [make_field([0.9] * 4 + [0.1] * 6, number=i) for i in (1, 2)]
    made = [replace(one, sample='FH <7> "a"') for one in made]
    previews = {one.photo: bare_preview(at) for at, one in enumerate(made)}
    placed = map_fields(made, previews.__getitem__)
    tally = tally_print(made, SETTINGS, placed)
    svg = draw_map(placed, made, previews.__getitem__, tally)
    assert svg.count("<circle") == 2
    assert svg.count("<polygon") == 2
    assert svg.count("h0") == 8  # a dot for each counted spore, none for the others
    assert "<7>" not in svg
    alone = map_fields(made[:1], previews.__getitem__)
    assert draw_map(alone, made[:1], previews.__getitem__, tally) == ""
    outlined = replace(tally, print_outlines_um=(((0.0, 0.0), (900.0, 0.0), (0.0, 900.0)),))
    svg = draw_map(alone, made[:1], previews.__getitem__, outlined)
    assert 'class="whole"' in svg
    assert "what the overview shows of the print" in svg


def test_a_session_with_a_blank_and_a_place_photographed_twice(tmp_path):
    """From files to results: drawn photos, the second of FH-01 a copy of the first in another file."""
    write_photo(tmp_path / "FH-01_1.jpg", 3, ovals=8)
    first = (tmp_path / "FH-01_1.jpg").read_bytes()
    with Image.open(io.BytesIO(first)) as photo:
        photo.save(tmp_path / "FH-01_2.jpg", quality=85)
    write_photo(tmp_path / "blank_1.jpg", 4, ovals=6)
    result = count_folder(tmp_path, um_per_px=UM_PER_PX, objective=10.0, workers=0)
    of_print = {one.sample: one for one in result.prints}
    assert (of_print["FH-01"].photos, of_print["FH-01"].fields) == (2, 1)
    spores = [one.tally.spores for one in result.fields if one.sample == "FH-01"]
    assert of_print["FH-01"].spores <= max(spores)
    assert all("blank-contaminated" in one.reasons for one in result.prints)
    assert any(note.startswith("Blank print blank") for note in result.notes)
    report = (tmp_path / "sporecount" / "report.html").read_text("utf-8")
    assert report.count('<svg class="map"') == 1

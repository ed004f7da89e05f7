"""The report as a file: well formed, alone in the world, deterministic, escaped, readable without colour."""

import re
from dataclasses import replace
from html.parser import HTMLParser
from importlib.resources import files

import cv2
import numpy as np
import pytest

from sporecount.reasons import REASONS
from sporecount.records import FailedPhoto
from sporecount.report import document
from sporecount.report.document import reduce_jpeg
from sporecount.report.overlay import overlay_jpeg
from sporecount.report.sheet import doubtful_sheet, object_crops
from tests.report.examples import make_field, make_photo, make_preview, make_print, make_session

VOID = {"meta", "img", "br", "link", "input", "hr", "circle", "path", "rect", "use", "polygon"}
NAN = float("nan")


def session_html(*given, **options) -> bytes:
    """The whole report."""
    return b"".join(document.session_html(*given, **options))


class Reader(HTMLParser):
    """Collects tags, attributes and text, and complains of what is not closed in order."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.open, self.tags, self.attributes, self.text, self.faults = [], [], [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, *attr) for attr in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, *attr) for attr in attrs]

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"</{tag}> at {self.getpos()}")

    def handle_data(self, data):
        if not self.open or self.open[-1] != "style":
            self.text.append(data)

    @property
    def words(self):
        return " ".join(" ".join(self.text).split())


def read(data):
    reader = Reader()
    reader.feed(data.decode("utf-8"))
    reader.close()
    assert reader.faults == []
    assert reader.open == []
    return reader


@pytest.fixture(scope="module")
def session():
    fields = [make_field(30, sample="TANK-01", number=number, seed=number) for number in (1, 2, 3)]
    fields += [make_field(0, sample="JAR-7", number=1)]
    fields += [
        make_field(
            9, sample="JAR-8", doubtful=5, flag="recheck", reasons=("ambiguous-objects", "few-fields")
        ),
        make_field(2, sample="JAR-9", doubtful=0, flag="unusable", reasons=("out-of-focus",)),
    ]
    unknown = {"density_per_mm2": NAN, "density_low": NAN, "density_high": NAN, "could_hide_per_mm2": NAN}
    prints = (
        make_print(
            "TANK-01", 900, load_class=5, load_class_probability=(0, 0, 0, 0, 0.2, 0.8), class_at_least=4
        ),
        make_print("JAR-7"),
        make_print("JAR-8", 5, flag="recheck", reasons=("ambiguous-objects", "few-fields")),
        make_print(
            "JAR-9", flag="unusable", reasons=("out-of-focus",), load_class_probability=(NAN,) * 6, **unknown
        ),
    )
    return make_session(tuple(fields), prints)


@pytest.fixture(scope="module")
def drawn(session):
    pictures, sheets = {}, {}
    for field in session.fields:
        photo = make_photo(field)
        pictures[field.photo] = overlay_jpeg(photo, field, make_preview(photo, field))
        sheets[field.photo] = doubtful_sheet(object_crops(photo, field), field)
    return pictures, sheets


@pytest.fixture(scope="module")
def report(session, drawn):
    return session_html(session, drawn[0].get, drawn[1].get, links=lambda photo: f"overlays/{photo}")


def test_it_is_well_formed_and_says_what_it_must(report):
    reader = read(report)
    for words in (
        "morning-house", "A heavy load is likely: 900 spores found", "No spore found in 6 fields",
        "None found is not none there", "No verdict: these photos cannot be relied on",
        REASONS["ambiguous-objects"].words,
        "Look at the doubtful objects, at 40x if you can.",
        "TANK-09_4.jpg: cut short. Copy it again.", "A screening aid, not a diagnosis", "follow local rules",
        "never together with acids or ammonia", "blue tube", "abab",
        "A note of the session.", "95 % interval",
    ):  # fmt: skip
        assert words in reader.words
    assert "invented/" not in report.decode(), "where the folder lies is no reader's business"
    assert reader.words.count("nan") == 0


def test_headings_follow_the_need_for_attention(report):
    order = re.findall(r'id="print-\d+-name">([^<]+)<', report.decode())
    assert order == ["TANK-01", "JAR-9", "JAR-8", "JAR-7"]


def test_it_needs_nothing_from_outside(report):
    reader = read(report)
    assert "script" not in reader.tags
    assert "link" not in reader.tags
    for tag, name, value in reader.attributes:
        if name in ("src", "href", "xlink:href", "srcset", "action"):
            assert value.startswith(("data:image/jpeg;base64,", "#", "overlays/")), (tag, name, value)
        assert not name.startswith("on"), (tag, name)
    text = report.decode()
    assert not re.search(r"url\((?!\s*['\"]?#)", text)
    assert "@import" not in text
    # names of XML vocabularies look like addresses but are never fetched
    assert set(re.findall(r"https?://[^\"'\s<)]+", text)) <= {
        "http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink",
    }  # fmt: skip


def test_ids_are_unique_and_links_arrive(report):
    reader = read(report)
    ids = [value for _, name, value in reader.attributes if name == "id"]
    assert len(ids) == len(set(ids))
    targets = {value[1:] for _, name, value in reader.attributes if name == "href" and value.startswith("#")}
    targets |= {
        one for _, name, value in reader.attributes if name == "aria-labelledby" for one in value.split()
    }
    targets |= set(re.findall(r"url\(['\"]?#([^)'\"]+)", report.decode()))
    assert targets <= set(ids)


def test_the_same_session_gives_the_same_bytes(session, drawn, report):
    assert (
        session_html(session, drawn[0].get, drawn[1].get, links=lambda photo: f"overlays/{photo}") == report
    )


HOSTILE = "<script>alert('x')</script>\"'&${7*7}{{7*7}}\n\u202e\ud800"


def test_hostile_text_stays_text():
    field = replace(make_field(12, doubtful=3, sample=HOSTILE, photo=HOSTILE + ".jpg"), camera=HOSTILE)
    session = make_session(
        (field, field, field), (make_print(HOSTILE, 3, reasons=("few-fields", HOSTILE)),),
        folder=f"/home/{HOSTILE}", failed=(FailedPhoto(HOSTILE, HOSTILE, "x", HOSTILE),), notes=(HOSTILE,),
    )  # fmt: skip
    session = replace(
        session,
        provenance=replace(
            session.provenance, model=HOSTILE, photos={HOSTILE: "00"}, adapter={HOSTILE: HOSTILE}
        ),
    )  # fmt: skip
    reader = read(session_html(session, lambda _: None, links=lambda photo: photo))
    assert "script" not in reader.tags
    assert "alert('x')" in reader.words
    assert "49" not in re.sub(r"\{\{7\*7\}\}", "", reader.words).split()


def test_a_print_without_a_verdict_shows_no_numbers_that_could_be_taken_for_one():
    tally = make_print("JAR-1", 300, flag="unusable", reasons=("out-of-focus",))
    text = session_html(make_session((make_field(3, sample="JAR-1"),), (tally,)), lambda _: None).decode()
    assert 'class="ruler"' not in text
    assert 'class="classes"' not in text
    assert "73" not in re.findall(r'data-label="Spores per mm²">([^<]*)<', text)[0]


@pytest.mark.parametrize(("density", "doubts", "told"), [(0.1, 1, True), (0.0, 0, False), (0.02, 0, False)])
def test_a_density_beside_no_spore_is_told_to_be_of_doubtful_objects(density, doubts, told):
    tally = make_print(density_per_mm2=density, expected=0.4, doubtful_objects=doubts)
    text = session_html(make_session((), (tally,)), pictures=lambda _: None).decode()
    assert ("of doubtful objects alone" in text) is told
    assert ("the density is that of 1 doubtful object." in text) is told


@pytest.mark.parametrize(
    ("simulated", "said"),
    [(0, ""), (2, "Simulated photos: a program drew"), (1, "Simulated photos (1 of 2): ")],
)
def test_simulated_photos_are_called_so_once_at_the_top(simulated, said):
    fields = (make_field(), make_field(number=2))
    session = make_session(fields, (make_print(),), simulated=simulated)
    text = session_html(session, pictures=lambda _: None).decode()
    assert text.count("Simulated photos") == (1 if said else 0)
    assert said in text[: text.index("<main>")]


def test_nothing_at_all_is_a_report_too():
    reader = read(session_html(make_session((), ()), lambda _: None))
    assert "No print was counted" in reader.words
    assert "0 prints from 0 photos. 1 photo could not be used." in reader.words


def test_unknown_numbers_and_missing_pictures(session):
    reader = read(session_html(session, lambda _: b"no picture", lambda _: b""))
    assert "img" not in reader.tags
    assert "6 field pictures are not in this file" in reader.words


def test_a_large_session_stays_small(monkeypatch):
    """What does not fit is left to the folder, and each print keeps its share of the pictures."""
    monkeypatch.setattr(document, "_PICTURE_BUDGET", 1_000_000)
    fields = tuple(
        make_field(0, sample=f"S{number // 9}", number=number % 9 + 1, photo=f"{number}.jpg", seed=number)
        for number in range(90)
    )
    prints = tuple(make_print(f"S{number}") for number in range(10))
    noise = np.random.default_rng(0).integers(0, 255, (300, 400, 3), dtype=np.uint8)
    picture = cv2.imencode(".jpg", noise)[1].tobytes()
    data = session_html(make_session(fields, prints), lambda _: picture)
    reader = read(data)
    shown = reader.tags.count("img")
    assert 20 < shown < 90
    assert f"{90 - shown} field pictures are not in this file" in reader.words
    without = session_html(make_session(fields, prints), lambda _: None)
    assert len(data) - len(without) < 1_000_000 * 4 / 3 + shown * 400  # base64, and what frames a picture
    monkeypatch.setattr(document, "_PICTURE_BUDGET", 10**9)
    monkeypatch.setattr(document, "_MOST_PICTURES", 30)
    assert read(session_html(make_session(fields, prints), lambda _: picture)).tags.count("img") == 30


def test_fields_are_read_once():
    class Once:
        def __init__(self, fields):
            self.fields, self.rounds = fields, 0

        def __iter__(self):
            self.rounds += 1
            return iter(self.fields)

    once = Once((make_field(3),))
    session = make_session(once, (make_print(),))
    once.rounds = 0
    session_html(session, lambda _: None)
    assert once.rounds == 1


def test_pictures_are_reduced_to_their_width():
    wide = cv2.imencode(".jpg", np.zeros((300, 2000, 3), np.uint8))[1].tobytes()
    for width in (480, 1200):
        assert cv2.imdecode(np.frombuffer(reduce_jpeg(wide, width), np.uint8), 1).shape[1] == width
    small = cv2.imencode(".jpg", np.zeros((30, 40, 3), np.uint8))[1].tobytes()
    assert reduce_jpeg(small, 1200) == small
    assert reduce_jpeg(b"nonsense", 1200) == b""


def test_no_sign_is_told_by_colour_alone(report):
    """Flags carry a word and a shape each, heavy classes a hatching, the two intervals different lines."""
    text = report.decode()
    marks = dict(re.findall(r'<span class="flag (\w+)"><svg [^>]*>(.*?)</svg>', text, re.DOTALL))
    assert set(marks) == {"clear", "recheck", "unusable"}
    assert len({re.sub(r"\s", "", mark) for mark in marks.values()}) == 3
    for flag in marks:
        assert re.search(rf'class="flag {flag}">.*?</svg>{flag}</span>', text, re.DOTALL)
    assert ".band.heavy { fill: url(#heavy-lines); }" in text
    assert re.search(r"path\.hide \{[^}]*stroke-dasharray", text)
    assert not re.search(r"path\.span \{[^}]*stroke-dasharray", text)


def contrast(one, other):
    """Contrast of two colours by WCAG 2.2, relative luminance as defined there."""
    light = []
    for colour in (one, other):
        rgb = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
        linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
        light.append(float(linear @ (0.2126, 0.7152, 0.0722)))
    return (max(light) + 0.05) / (min(light) + 0.05)


def test_contrast_of_text_and_graphics_in_both_looks():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)  # WCAG 2.2: 21:1 is the largest there is
    style = files("sporecount.report").joinpath("templates/report.css").read_text(encoding="utf-8")
    looks = re.findall(r":root \{(.*?)\}", style, re.DOTALL)
    assert len(looks) == 3
    for look in looks:
        colour = {
            name: value if len(value) == 7 else "#" + "".join(2 * digit for digit in value[1:])
            for name, value in re.findall(r"--([\w-]+): (#[0-9a-f]{3,6});", look)
        }
        for name in ("ink", "soft", "link", "chart-ink", "chart-soft"):
            assert contrast(colour[name], colour["paper"]) >= 4.5, name
        assert contrast(colour["heavy-line"], colour["heavy-ground"]) >= 3

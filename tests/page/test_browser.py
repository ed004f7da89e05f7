"""The three uses in a real browser: drop to verdict, re-check, calibration; by keyboard; on any screen."""

from __future__ import annotations

import json
import math
import re
import shutil
import time
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest

from sporecount.calibration import AdapterProfile
from sporecount.files.profiles import save_profile
from sporecount.season import Book
from sporecount.season.book import BOOK_NAME
from tests.page.browsing import Server, chromium_path
from tests.page.example import simulated_ruling, write_example
from tests.session_folder import drawn_photo, jpeg

sync_api = pytest.importorskip("playwright.sync_api")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium is installed here"),
]
expect = sync_api.expect
AXE = Path(__file__).with_name("axe.min.js")
SOON = 60_000


@pytest.fixture(scope="module")
def chromium() -> Iterator:
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture
def tab(chromium) -> Iterator:
    """A tab that fails the test for any error in the page's scripts."""
    context = chromium.new_context(viewport={"width": 1280, "height": 860})
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    yield page
    context.close()
    assert faults == []


@pytest.fixture(scope="module")
def counted(tmp_path_factory) -> Iterator[Server]:
    """The page of a counted session that the tests only look at."""
    folder = tmp_path_factory.mktemp("counted") / "fernhollow"
    write_example(folder)
    server = Server(folder, tmp_path_factory.mktemp("home"))
    yield server
    server.close()


def test_from_drop_to_verdict(tab, tmp_path):
    data = jpeg(drawn_photo(1, width=420, height=320))
    photos = {
        "FH-01_1.jpg": data,
        "FH-01_2.jpg": jpeg(drawn_photo(2, width=420, height=320)),
        "FH-09_1.jpg": data,
        "FH-02_1.jpg": data[:2500],
        "notes.jpg": b"no photo at all, but a text of some length",
    }
    for name, content in photos.items():
        (tmp_path / name).write_bytes(content)
    folder = tmp_path / "new"
    server = Server(folder, tmp_path / "home", "--um-per-px", "1", "--objective", "10", "--workers", "1")
    try:
        tab.goto(server.opening)
        tab.set_input_files("#files", [str(tmp_path / name) for name in photos])
        first = tab.locator(".photo", has_text="FH-01_1.jpg")
        expect(first.locator(".flag")).to_be_visible(timeout=SOON)
        expect(first.locator("img")).to_have_js_property("complete", value=True)
        expect(tab.locator("#refused")).to_contain_text("the same photo as FH-01_1.jpg", timeout=SOON)
        expect(tab.locator("#refused")).to_contain_text("not a photo")
        expect(tab.locator(".photo", has_text="FH-02_1.jpg")).to_contain_text("cut short", timeout=SOON)
        expect(tab.locator("#done-words")).to_contain_text("All photos are counted", timeout=SOON)
        tab.get_by_role("link", name="Prints").click()
        expect(tab.locator("article.print")).to_have_count(2)
        expect(tab.locator("article.print", has_text="FH-01").locator("svg[role=img]").first).to_be_visible()
        tab.go_back()
        expect(tab.locator(".photo")).to_have_count(3)
        assert (folder / "sporecount" / "report.html").is_file()
    finally:
        server.close()


def test_a_changed_print_area_leaves_the_adapter_as_it_is(tab, tmp_path, monkeypatch):
    monkeypatch.setenv("SPORECOUNT_HOME", str(tmp_path / "home"))
    for name, um_per_px in (("aaa", 0.814), ("practice", 0.661)):
        save_profile(asdict(AdapterProfile(name, 10.0, um_per_px, 0.001, 4000, 3000)))
    server = Server(tmp_path / "new", tmp_path / "home", "--adapter", "practice")
    try:
        tab.goto(server.opening)
        expect(tab.locator("select[name=adapter]")).to_have_value("practice")
        tab.fill("[name=print_area_mm2]", "42")
        tab.get_by_role("button", name="Count this way").click()
        expect(tab.locator("#scale-said")).to_contain_text("from now on")
        tab.reload()
        expect(tab.locator("[name=print_area_mm2]")).to_have_value("42")
        expect(tab.locator("select[name=adapter]")).to_have_value("practice")
        expect(tab.locator("[name=by][value=adapter]")).to_be_checked()
    finally:
        server.close()


def sign(tab, initials: str) -> None:
    """Say who reads, as one does at the keyboard."""
    tab.locator("#reader").focus()
    tab.keyboard.type(initials)
    tab.keyboard.press("Enter")


def await_kept(tab) -> None:
    """Wait until no decision waits in the browser any more."""
    waiting = "Object.keys(localStorage).some(key => key.startsWith('outbox') && localStorage[key] !== '[]')"
    until = time.monotonic() + SOON / 1000
    while tab.evaluate(waiting):
        assert time.monotonic() < until, "decisions still wait in the browser"
        tab.wait_for_timeout(50)


def decisions(folder: Path) -> list[tuple[str, str]]:
    """Who said what, in the order in which it was written down."""
    book = Book(folder / "sporecount" / BOOK_NAME)
    try:
        return [(one.reader, one.says) for one in book.readings()]
    finally:
        book.close()


def test_keys_decide_wherever_the_focus_is_but_are_text_in_the_initials(tab, tmp_path):
    folder = tmp_path / "fernhollow"
    write_example(folder)
    server = Server(folder, tmp_path / "home", command="recheck")
    try:
        tab.goto(server.opening)
        progress, reader, only = tab.locator("#progress"), tab.locator("#reader"), tab.locator("#only")
        expect(progress).to_have_text("36 objects to decide, 0 decided", timeout=SOON)
        sign(tab, "AB")
        tab.keyboard.press("n")
        expect(progress).to_have_text("35 objects to decide, 1 decided")
        expect(reader).to_have_value("AB")
        reader.focus()
        tab.keyboard.press("Tab")
        expect(only).to_be_focused()
        tab.keyboard.press("s")
        expect(progress).to_have_text("34 objects to decide, 2 decided")
        here = tab.locator("#where").inner_text()
        tab.keyboard.press("ArrowRight")
        expect(tab.locator("#where")).not_to_have_text(here)
        expect(only).to_have_value("")
        tab.locator("#centre").focus()
        tab.keyboard.press("c")
        expect(progress).to_have_text("33 objects to decide, 3 decided")
        tab.locator("summary", has_text="What the program learns").click()
        tab.locator("#learn").focus()
        tab.keyboard.press("n")
        expect(progress).to_have_text("32 objects to decide, 4 decided")
        reader.fill("")
        reader.focus()
        tab.keyboard.type("nsc")
        expect(reader).to_have_value("nsc")
        expect(progress).to_have_text("32 objects to decide, 4 decided")
        await_kept(tab)
    finally:
        server.close()
    assert decisions(folder) == [("AB", "not"), ("AB", "spore"), ("AB", "unsure"), ("AB", "not")]


def test_the_first_decision_waits_for_the_initials_of_its_reader(tab, tmp_path):
    folder = tmp_path / "fernhollow"
    write_example(folder)
    server = Server(folder, tmp_path / "home", command="recheck")
    try:
        tab.goto(server.opening)
        progress, asked = tab.locator("#progress"), tab.get_by_role("dialog", name="Who is reading?")
        expect(progress).to_have_text("36 objects to decide, 0 decided", timeout=SOON)
        where = tab.locator("#where").inner_text()
        tab.keyboard.press("n")
        expect(asked).to_contain_text("not a spore")
        tab.keyboard.press("Enter")  # without initials nothing goes on
        expect(asked).to_be_visible()
        tab.get_by_role("button", name="Not now").focus()
        tab.keyboard.press("s")
        tab.keyboard.press("Escape")
        expect(asked).to_be_hidden()
        expect(tab.locator("#trouble")).to_contain_text("Nothing is decided yet")
        expect(progress).to_have_text("36 objects to decide, 0 decided")
        expect(tab.locator("#where")).to_have_text(where)
        tab.keyboard.press("a")
        for _ in range(6):
            tab.keyboard.press("Shift+ArrowLeft")
        tab.keyboard.press("Enter")
        expect(asked).to_contain_text("a missed spore")
        tab.keyboard.type("CS")
        tab.keyboard.press("Enter")
        expect(tab.locator("#trouble")).to_contain_text("Added a missed spore")
        expect(progress).to_have_text("36 objects to decide, 1 decided")
        tab.keyboard.press("n")
        expect(progress).to_have_text("35 objects to decide, 2 decided")
        tab.reload()
        expect(progress).to_have_text("35 objects to decide, 2 decided", timeout=SOON)
        expect(tab.locator("#reader")).to_have_value("CS")
        tab.keyboard.press("s")
        expect(progress).to_have_text("34 objects to decide, 3 decided")
        await_kept(tab)
    finally:
        server.close()
    assert decisions(folder) == [("CS", "added"), ("CS", "not"), ("CS", "spore")]


def test_rechecking_by_keyboard_survives_reload_and_a_killed_program(tab, tmp_path):
    folder = tmp_path / "fernhollow"
    write_example(folder)
    server = Server(folder, tmp_path / "home", command="recheck")
    try:
        tab.goto(server.opening)
        progress, trouble = tab.locator("#progress"), tab.locator("#trouble")
        expect(progress).to_have_text("36 objects to decide, 0 decided", timeout=SOON)
        expect(tab.locator("#field-words")).to_contain_text("The program alone: 31", timeout=SOON)
        sign(tab, "AB")
        for key in ("s", "n", "c"):
            tab.keyboard.press(key)
        expect(progress).to_have_text("33 objects to decide, 3 decided")
        tab.keyboard.press("u")
        expect(trouble).to_contain_text("Taken back")
        expect(progress).to_have_text("34 objects to decide, 2 decided")
        here = tab.locator("#where").inner_text()
        tab.keyboard.press("ArrowRight")
        expect(tab.locator("#where")).not_to_have_text(here)
        tab.keyboard.press("a")
        for _ in range(30):
            tab.keyboard.press("Shift+ArrowLeft")
        for _ in range(6):
            tab.keyboard.press("Shift+ArrowRight")
        tab.keyboard.press("Enter")
        expect(trouble).to_contain_text("Added a missed spore")
        expect(progress).to_have_text("34 objects to decide, 3 decided")
        tab.reload()
        expect(progress).to_have_text("34 objects to decide, 3 decided")
        expect(tab.locator("#print-words")).to_contain_text("A heavy load", timeout=SOON)

        server.kill()
        tab.keyboard.press("n")
        expect(trouble).to_contain_text("kept in this browser")
        port = server.home.rsplit(":", 1)[1]
        server = Server(folder, tmp_path / "home", "--port", port, command="recheck")
        tab.goto(server.opening)
        expect(progress).to_have_text("33 objects to decide, 4 decided", timeout=SOON)
    finally:
        server.close()


def test_two_tabs_keep_step_and_the_second_reading_is_blind(chromium, tmp_path):
    folder = tmp_path / "fernhollow"
    write_example(folder)
    server = Server(folder, tmp_path / "home")
    context = chromium.new_context()
    try:
        one, other = context.new_page(), context.new_page()
        one.goto(server.opening + "&to=/recheck")
        expect(one.locator("#progress")).to_have_text("36 objects to decide, 0 decided", timeout=SOON)
        sign(one, "AB")
        other.goto(server.home + "/recheck")
        expect(other.locator("#progress")).to_have_text("36 objects to decide, 0 decided", timeout=SOON)
        one.keyboard.press("s")
        expect(other.locator("#progress")).to_have_text("35 objects to decide, 1 decided")
        other.goto(server.home + "/recheck?round=2")
        expect(other.locator("#progress")).to_have_text("36 objects to decide, 0 decided")
        expect(other.locator("#standing")).to_have_count(0)
        expect(other.locator("#opinion")).to_have_count(0)
        other.keyboard.press("s")
        expect(other.locator("#progress")).to_have_text("35 objects to decide, 1 decided")
        one.locator("#compare summary").click()
        expect(one.locator("#agreement")).to_contain_text("1 of 1 objects read alike")
    finally:
        context.close()
        server.close()


def test_deciding_fast_stays_responsive(tab, tmp_path):
    """200 objects at 2 decisions a second are 100 s; here a good part of them as fast as keys come."""
    folder = tmp_path / "fernhollow"
    write_example(folder, doubtful=34)
    server = Server(folder, tmp_path / "home")
    try:
        tab.goto(server.opening + "&to=/recheck")
        expect(tab.locator("#progress")).to_contain_text("204 objects to decide", timeout=SOON)
        sign(tab, "AB")
        times = []
        for number in range(1, 41):
            began = time.perf_counter()
            tab.keyboard.press("sn"[number % 2])
            expect(tab.locator("#progress")).to_have_text(
                f"{204 - number} objects to decide, {number} decided"
            )
            times.append(time.perf_counter() - began)
        times.sort()
        print(f"decision to next object: median {times[20]:.3f} s, slowest {times[-1]:.3f} s")
        assert times[20] < 0.5
    finally:
        server.close()


def test_looking_closely_by_keyboard_and_measuring(tab, counted):
    tab.goto(counted.opening)
    tab.get_by_role("link", name="FH-01_1.jpg").click()
    canvas = tab.locator("#view[data-ready]")
    expect(canvas).to_be_visible(timeout=SOON)
    canvas.focus()
    tab.keyboard.press(".")
    expect(tab.locator("#object")).to_contain_text("Probability of a spore")
    first = tab.locator(".object-head").inner_text()
    tab.keyboard.press(".")
    expect(tab.locator(".object-head")).not_to_have_text(first)
    tab.keyboard.press("o")
    expect(tab.locator("#outlines")).to_contain_text("thin")
    tab.keyboard.press("l")
    expect(tab.locator("#left-out")).to_contain_text("bubble")
    tab.keyboard.press("d")
    expect(tab.locator("#density")).to_have_attribute("aria-pressed", "true")
    tab.keyboard.press("0")
    tab.keyboard.press("m")
    box = canvas.bounding_box()
    zoom = min(box["width"], box["height"]) / (2.08 * 0.46 * 700)  # as `fit` shows the round view
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    tab.mouse.move(x - 100, y)
    tab.mouse.down()
    tab.mouse.move(x + 100, y, steps=4)
    tab.mouse.up()
    words = tab.locator("#measured").inner_text()
    # 1 um a pixel; half a pixel of the screen at each end, and three written figures
    assert float(re.search(r"Measured: ([\d.]+)", words)[1]) == pytest.approx(200 / zoom, rel=0.01)


def test_calibration_to_certificate_by_keyboard(tab, tmp_path):
    photo = tmp_path / "ruling_40x.jpg"
    photo.write_bytes(simulated_ruling())
    server = Server(tmp_path / "new", tmp_path / "home")
    try:
        tab.goto(server.opening + "&to=/calibrate")
        tab.locator("[name=objective]").focus()
        tab.keyboard.type("40")
        tab.keyboard.press("Tab")
        tab.keyboard.type("10")
        tab.keyboard.press("Tab")
        tab.set_input_files("#files", str(photo))
        expect(tab.locator("#together")).to_contain_text("µm per pixel", timeout=SOON)
        expect(tab.get_by_alt_text(re.compile("every line"))).to_be_visible()
        tab.locator("#accept [name=name]").focus()
        tab.keyboard.type("blue tube")
        tab.keyboard.press("Enter")
        link = tab.get_by_role("link", name="Open the certificate", exact=True)
        expect(link).to_be_visible(timeout=SOON)
        with tab.context.expect_page() as opened:
            link.focus()
            tab.keyboard.press("Enter")
        expect(opened.value.locator("h1")).to_contain_text("Calibration of blue tube")
        tab.goto(server.home + "/")
        expect(tab.locator("select[name=adapter]")).to_contain_text("blue tube, 40×")
        expect(tab.locator("[name=by][value=adapter]")).to_be_checked()
    finally:
        server.close()


def test_a_file_that_is_no_photo_keeps_no_ruling_out(tab, tmp_path):
    ruling, text, empty = (tmp_path / name for name in ("ruling_40x.jpg", "text_1.jpg", "zero.jpg"))
    ruling.write_bytes(simulated_ruling())
    text.write_bytes(b"no photo at all, but a text of some length")
    empty.write_bytes(b"")
    server = Server(tmp_path / "new", tmp_path / "home")
    try:
        tab.goto(server.opening + "&to=/calibrate")
        tab.set_input_files("#files", [str(text), str(ruling), str(empty)])
        refused = tab.locator("#refused li")
        expect(refused).to_have_text(
            [re.compile("^text_1.jpg: the file is not a photo"), re.compile("^zero.jpg: the file is empty")]
        )
        expect(tab.locator(".ruling h3")).to_have_text("ruling_40x.jpg", timeout=SOON)
        # nothing is said of the microscope yet: both places point to its fields
        for place in (".ruling .words", "#together"):
            expect(tab.locator(place)).to_contain_text("Fill in the finest division in step 2")
        tab.fill("[name=objective]", "40")
        tab.fill("[name=division_um]", "10")
        tab.keyboard.press("Tab")
        expect(tab.locator("#together")).to_contain_text("µm per pixel", timeout=SOON)
    finally:
        server.close()


LARGE = (2800, 2100)
BAR_ENDS = ((699.5, 1050.0), (2099.5, 1050.0))
"""Of the dark bar in the large photo: its first column is 700, its last 2099."""


def large_photo() -> bytes:
    """A photo of a bar that a screen shows much reduced."""
    rgb = np.full((LARGE[1], LARGE[0], 3), (214, 218, 210), np.uint8)
    rgb[1020:1080, 700:2100] = (60, 62, 70)
    return jpeg(rgb)


def begin_to_draw(tab, server: Server, photo: Path) -> None:
    tab.goto(server.opening + "&to=/calibrate")
    tab.fill("[name=objective]", "10")
    tab.set_input_files("#files", str(photo))
    tab.get_by_role("button", name="No ruling: draw a known length on bar.jpg").click(timeout=SOON)
    expect(tab.locator("#sheet[data-ready]")).to_be_visible(timeout=SOON)
    expect(tab.locator("#told")).to_contain_text("Mark both ends")


def on_screen(tab, place: tuple[float, float]) -> tuple[float, float]:
    """Where a place of the large photo lies while all of it is shown."""
    box = tab.locator("#sheet").bounding_box()
    zoom = min(box["width"] / LARGE[0], box["height"] / LARGE[1])
    return tuple(
        box[corner] + box[size] / 2 + (value + 0.5 - whole / 2) * zoom
        for corner, size, value, whole in zip(("x", "y"), ("width", "height"), place, LARGE, strict=True)
    )


def marked(tab) -> list[float]:
    """The ends as the page says them."""
    return [float(one) for one in re.findall(r"[xy] ([\d.]+)", tab.locator("#drawn-ends").inner_text())]


def nudge(tab, by: float, less: str, more: str) -> None:
    """Move the end that is held by whole pixels, tens first."""
    key = more if by > 0 else less
    tens, ones = divmod(round(abs(by)), 10)
    for _ in range(tens):
        tab.keyboard.press(f"Shift+{key}")
    for _ in range(ones):
        tab.keyboard.press(key)


def test_a_length_is_drawn_with_the_mouse_and_set_right_by_keys(tab, tmp_path):
    photo = tmp_path / "bar.jpg"
    photo.write_bytes(large_photo())
    server = Server(tmp_path / "new", tmp_path / "home")
    try:
        begin_to_draw(tab, server, photo)
        first, second = (on_screen(tab, place) for place in BAR_ENDS)
        tab.mouse.move(first[0] + 3, first[1])
        tab.mouse.down()
        tab.mouse.move(second[0] - 20, second[1] - 9, steps=5)
        tab.mouse.move(second[0] - 4, second[1], steps=3)
        tab.mouse.up()
        # 4 pixels of the screen and one of rounding are 19 of the photo
        assert marked(tab) == pytest.approx([*BAR_ENDS[0], *BAR_ENDS[1]], abs=19)
        before = marked(tab)
        tab.locator("#sheet").focus()
        tab.keyboard.press("ArrowRight")
        tab.keyboard.press("Shift+ArrowDown")
        assert marked(tab) == pytest.approx([before[0], before[1], before[2] + 1, before[3] + 10])
        for which in (1, 0):
            now = marked(tab)
            nudge(tab, BAR_ENDS[which][0] - now[2 * which], "ArrowLeft", "ArrowRight")
            nudge(tab, BAR_ENDS[which][1] - now[2 * which + 1], "ArrowUp", "ArrowDown")
            if which:
                tab.keyboard.press("Enter")  # to the other end
        ends = marked(tab)
        assert ends == pytest.approx([*BAR_ENDS[0], *BAR_ENDS[1]], abs=0.5)
        # the inset shows the first end: card to the left of the middle, the bar to the right
        tab.wait_for_timeout(300)
        left, right = tab.evaluate(
            """() => { const loupe = document.getElementById("loupe"), ratio = devicePixelRatio;
            const at = (x) => loupe.getContext("2d").getImageData((loupe.clientWidth / 2 + x) * ratio,
              (loupe.clientHeight / 2 + 25) * ratio, 1, 1).data[0]; return [at(-6), at(6)]; }"""
        )
        assert left > 190
        assert right < 90
        tab.fill("[name=length_um]", "700")
        tab.fill("[name=thing]", "<b>bar</b>")
        long = math.hypot(ends[2] - ends[0], ends[3] - ends[1])
        expect(tab.locator("#told .verdict")).to_contain_text("About 0.5000 µm per pixel")
        expect(tab.locator("#told")).to_contain_text(f"(<b>bar</b>), marked over {long:.0f} px")
        expect(tab.locator("#told")).to_contain_text("No edge of the round view is in the photo")
        tab.get_by_role("button", name="Draw once more").click()
        tab.locator("#sheet").focus()
        for _ in range(2):
            tab.keyboard.press("Enter")
        expect(tab.locator("#told")).to_contain_text("the drawings are not of one length")
        expect(tab.get_by_role("button", name="Keep as approximate")).to_be_hidden()
        tab.get_by_role("button", name="Clear").click()
        tab.locator("#keep [name=name]").fill("loan")
        tab.keyboard.press("Enter")
        expect(tab.locator("#keep-said")).to_contain_text("Kept as loan, approximate")
        expect(tab.locator("table")).to_contain_text("approximate")
        profile = json.loads((tmp_path / "home" / "adapters" / "loan-10x.json").read_text())
        assert profile["um_per_px"] == pytest.approx(700 / long, rel=1e-9)
        assert profile["reasons"] == ["approximate-scale"]
    finally:
        server.close()


def test_a_length_is_drawn_by_touch_on_a_narrow_screen(chromium, tmp_path):
    photo = tmp_path / "bar.jpg"
    photo.write_bytes(large_photo())
    server = Server(tmp_path / "new", tmp_path / "home")
    context = chromium.new_context(
        viewport={"width": 390, "height": 844}, device_scale_factor=2, has_touch=True, is_mobile=True,
        bypass_csp=True,
    )  # fmt: skip
    try:
        tab = context.new_page()
        begin_to_draw(tab, server, photo)
        for place in BAR_ENDS:
            tab.touchscreen.tap(*on_screen(tab, place))
        # half a pixel of this screen is 4 of the photo
        assert marked(tab) == pytest.approx([*BAR_ENDS[0], *BAR_ENDS[1]], abs=5)
        tab.fill("[name=length_um]", "700")
        expect(tab.locator("#told .verdict")).to_contain_text(re.compile(r"About 0\.(49|50)"))
        over = tab.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert over <= 0
        assert grave_faults(tab, WCAG)[0] == []
        tab.fill("[name=length_um]", "0")
        expect(tab.locator("#told")).to_contain_text("more than 0")
        expect(tab.locator("#keep")).to_be_hidden()
    finally:
        context.close()
        server.close()


PLACES = ("/", "/prints", "/recheck", "/calibrate", "/cautions", "field")


def address(tab, server: Server, place: str) -> None:
    if place == "field":
        tab.goto(server.home + "/prints")
        tab.get_by_role("link", name="Field 1").first.click()
    else:
        tab.goto(server.home + place)
    tab.wait_for_timeout(400)


WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


def grave_faults(page, rules: list[str]) -> tuple[list, int]:
    """Serious and critical faults that axe-core finds by its rules, and how many rules passed."""
    page.add_script_tag(path=str(AXE))
    found = page.evaluate("(rules) => axe.run(document, { runOnly: rules })", rules)
    grave = [
        (one["id"], [node["html"][:120] for node in one["nodes"]])
        for one in found["violations"]
        if one["impact"] in ("serious", "critical")
    ]
    return grave, len(found["passes"])


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_serious_fault_of_accessibility(chromium, counted, scheme):
    """By axe-core 4.10.3, rules of WCAG 2.0 to 2.2, levels A and AA."""
    context = chromium.new_context(bypass_csp=True, color_scheme=scheme)
    page = context.new_page()
    page.goto(counted.opening)
    for place in PLACES:
        address(page, counted, place)
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        rules = WCAG if scheme == "light" else ["color-contrast"]
        grave, passes = grave_faults(page, rules)
        assert grave == [], place
        assert passes >= (10 if scheme == "light" else 1)
    context.close()


@pytest.mark.parametrize(("width", "ratio"), [(360, 2), (640, 2)], ids=["phone", "laptop at 200 %"])
def test_nothing_runs_off_a_narrow_screen(chromium, counted, width, ratio):
    """WCAG 1.4.10: no scrolling sideways down to 320 CSS pixels; 640 are a 1280 screen at 200 %."""
    context = chromium.new_context(viewport={"width": width, "height": 740}, device_scale_factor=ratio)
    page = context.new_page()
    page.goto(counted.opening)
    for place in PLACES:
        address(page, counted, place)
        over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert over <= 0, place
    context.close()


def test_the_whole_page_is_reached_by_keyboard(tab, counted):
    tab.goto(counted.opening)
    tab.keyboard.press("Tab")
    expect(tab.get_by_role("link", name="To the content")).to_be_focused()
    seen = set()
    for _ in range(25):
        tab.keyboard.press("Tab")
        seen.add(
            tab.evaluate(
                "document.activeElement.id || document.activeElement.textContent.trim().slice(0, 20)"
            )
        )
    assert {"Prints", "Re-check", "Calibrate", "files", "folder", "watch", "Count this way"} <= seen


def test_files_can_be_dropped(tab, tmp_path):
    """A drop with a folder's structure is made from files in the page itself."""
    folder = tmp_path / "new"
    server = Server(folder, tmp_path / "home", "--workers", "1")
    try:
        tab.goto(server.opening)
        data = list(jpeg(drawn_photo(4)))
        carried = tab.evaluate_handle(
            """(bytes) => { const carried = new DataTransfer();
            carried.items.add(new File([new Uint8Array(bytes)], "FH-07_1.jpg", { type: "image/jpeg" }));
            return carried; }""",
            data,
        )
        tab.dispatch_event("#tray", "dragover", {"dataTransfer": carried})
        expect(tab.locator("#tray")).to_have_class(re.compile("over"))
        tab.dispatch_event("#tray", "drop", {"dataTransfer": carried})
        expect(tab.locator(".photo", has_text="FH-07_1.jpg")).to_be_visible(timeout=SOON)
        assert (folder / "FH-07_1.jpg").read_bytes() == bytes(data)
    finally:
        server.close()


def test_what_browsers_never_show_has_a_copy_that_they_do(tab, tmp_path):
    pillow_heif = pytest.importorskip("pillow_heif")
    folder = tmp_path / "fernhollow"
    folder.mkdir()
    pillow_heif.from_bytes("RGB", (420, 320), drawn_photo(3, width=420, height=320).tobytes()).save(
        folder / "FH-01_1.heic", quality=90
    )
    server = Server(folder, tmp_path / "home", "--um-per-px", "1", "--workers", "1")
    try:
        tab.goto(server.opening)
        tab.get_by_role("button", name="Count", exact=True).click()
        picture = tab.locator(".photo img")
        expect(picture).to_be_visible(timeout=SOON)
        assert picture.evaluate("(one) => one.decode().then(() => one.naturalWidth)") > 100
        with tab.expect_response(re.compile("/tiles/.*jpg")) as tile:
            tab.get_by_role("link", name="FH-01_1.heic").click()
        assert tile.value.status == 200
    finally:
        server.close()
    shutil.rmtree(folder)

"""Makes the pictures of the page for the README: `python -m tests.page.screenshots FOLDER`.

The session is counted for real; everything in it is simulated and invented.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
from PIL import Image
from playwright.sync_api import Page, expect, sync_playwright

from sporecount.chain import find_view, read_ruling_photo
from sporecount.files.decode import decode
from sporecount.simulate.print_photos import draw_session
from tests.page.browsing import Server, chromium_path
from tests.page.example import simulated_ruling

UM_PER_PX = 0.9
SIZE = (1200, 900)
PRINTS = (("FH-01", 60.0), ("FH-02", 6.0), ("FH-03", 0.0))
LONG = 180_000


def draw(folder: Path) -> list[str]:
    """Draw the photos of three simulated prints."""
    rng = np.random.default_rng(11)
    files = []
    for sample, spores_per_mm2 in PRINTS:
        drawn = draw_session(
            rng, photos=2, width_px=SIZE[0], height_px=SIZE[1], um_per_px=UM_PER_PX, objective=10.0,
            light="below", preset="good_focus", spores_per_mm2=spores_per_mm2,
        )  # fmt: skip
        for number, photo in enumerate(drawn.photos, 1):
            path = folder / f"{sample}_{number}.jpg"
            Image.fromarray(photo.rgb).save(path, quality=92)
            files.append(str(path))
    return files


def draw_length(page: Page, ruling: Path) -> None:
    """Draw twenty divisions of the ruling, as if they were a thing of known length."""
    photo = decode(ruling.read_bytes(), ruling.name)
    reading = read_ruling_photo(photo, division_um=10, objective=40, field_number_mm=18)
    middle = np.sort(np.abs(reading.line_number - np.median(reading.line_number)).argsort()[:21])
    places = [(reading.line_from_x_px[one], reading.line_from_y_px[one]) for one in middle[[0, -1]]]
    page.get_by_role("button", name="draw a known length").click()
    expect(page.locator("#sheet[data-ready]")).to_be_visible(timeout=LONG)
    page.fill("[name=length_um]", "200")
    page.fill("[name=thing]", "20 divisions of a slide")
    box, view = page.locator("#sheet").bounding_box(), find_view(photo)
    assert box is not None
    zoom = min(box["width"], box["height"]) / (2.08 * view.radius_px)
    for x, y in places:
        page.mouse.click(
            box["x"] + box["width"] / 2 + (x - view.center_x_px) * zoom,
            box["y"] + box["height"] / 2 + (y - view.center_y_px) * zoom,
        )
    expect(page.locator("#told .verdict")).to_be_visible(timeout=LONG)


def main(to: Path) -> None:
    """Make the pictures."""
    to.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as playwright:
        work = Path(scratch)
        (work / "photos").mkdir()
        files = draw(work / "photos")
        ruling = work / "ruling_40x.jpg"
        ruling.write_bytes(simulated_ruling())
        server = Server(
            work / "fernhollow-may", work / "home", "--um-per-px", f"{UM_PER_PX}", "--objective", "10"
        )
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=["--no-sandbox"])

        def take(page: Page, name: str, place: str = "") -> None:
            if place:
                page.goto(server.home + place)
            page.wait_for_timeout(2500)
            page.screenshot(path=to / f"page-{name}.jpg", type="jpeg", quality=88)

        try:
            page = browser.new_page(viewport={"width": 1280, "height": 860})
            page.goto(server.opening)
            page.set_input_files("#files", files)
            expect(page.locator("#done-words")).to_contain_text("All photos are counted", timeout=LONG)
            take(page, "photos")
            take(page, "prints", "/prints")
            take(page, "recheck", "/recheck")
            page.goto(server.home + "/prints")
            page.get_by_role("link", name="Field 1").first.click()
            take(page, "field")
            page.goto(server.home + "/calibrate")
            page.fill("[name=objective]", "40")
            page.set_input_files("#files", str(ruling))
            expect(page.locator("#together")).to_contain_text("µm per pixel", timeout=LONG)
            page.locator("#tray").scroll_into_view_if_needed()
            take(page, "calibrate")
            draw_length(page, ruling)
            take(page, "length")
            dark = browser.new_context(viewport={"width": 390, "height": 800}, color_scheme="dark").new_page()
            dark.goto(server.opening + "&to=/recheck")
            take(dark, "recheck-phone-dark")
        finally:
            browser.close()
            server.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]))

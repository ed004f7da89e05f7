"""Make the README's pictures from a real run over the sample session: `python notebooks/pictures/make.py`.

Needs Chromium and `pip install playwright` for the two pages.
"""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from urllib.parse import urljoin

from PIL import Image
from playwright.sync_api import sync_playwright

HERE = Path(__file__).parent
SAMPLE = HERE.parents[1] / "sample_images"
FIELD = "MH-03_2.jpg"
WIDTH = 1100
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")


def main() -> None:
    """Count, then photograph the overlay, the report and the bench page."""
    program = [sys.executable, "-m", "sporecount.cli"]
    with tempfile.TemporaryDirectory() as place:
        out = Path(place) / "results"
        subprocess.run([*program, "count", str(SAMPLE), "--out", str(out)], check=True)
        overlay = Image.open(out / "overlays" / FIELD)
        side = round(0.62 * min(overlay.size))
        left, top = (overlay.width - side * 4 // 3) // 2, (overlay.height - side) // 2
        save(overlay.crop((left, top, left + side * 4 // 3, top + side)), "field.jpg")
        save(screenshot((out / "report.html").as_uri()), "report.jpg")
        call = [*program, "bench", str(SAMPLE), "--out", str(out), "--no-browser"]
        with subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as bench:
            try:
                address = next(
                    found[0] for line in bench.stdout or () if (found := re.search(r"http://\S+", line))
                )
                save(screenshot(address, then="/prints"), "bench.jpg")
            finally:
                bench.terminate()


def screenshot(address: str, then: str = "") -> Image.Image:
    """Photograph what a browser shows at an address."""
    browser = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if browser is None:
        sys.exit("notebooks/pictures/make.py needs Chromium: sudo apt install chromium")
    with sync_playwright() as play:
        window = play.chromium.launch(executable_path=browser, args=["--no-sandbox"])
        page = window.new_page(viewport={"width": WIDTH, "height": 900})
        page.goto(address, wait_until="load")
        if then:
            page.goto(urljoin(address, then), wait_until="load")
        page.wait_for_timeout(3000)  # pictures and counts come after the page
        shot = page.screenshot()
        window.close()
    return Image.open(io.BytesIO(shot))


def save(picture: Image.Image, name: str) -> None:
    """Save a picture of README width."""
    picture = picture.convert("RGB")
    if picture.width > WIDTH:
        picture = picture.resize(
            (WIDTH, round(picture.height * WIDTH / picture.width)), Image.Resampling.LANCZOS
        )
    picture.save(HERE / name, quality=84)


if __name__ == "__main__":
    main()

"""What all routes share: the session's folder, its results, and the count that runs in the background."""

from __future__ import annotations

import math
import threading
from dataclasses import asdict
from pathlib import Path

from sporecount.errors import SessionError
from sporecount.files.kept import KeptFields
from sporecount.page.news import News
from sporecount.page.opened import KNOBS, Opened, open_results, photo_id
from sporecount.page.tallies import Tallies
from sporecount.page.uploads import Tray
from sporecount.page.walk import Walk
from sporecount.records import FieldPreview, FieldResult, FieldTally, PrintTally
from sporecount.report import field_sentence, print_verdict
from sporecount.report.phrases import in_100
from sporecount.report.words import heavy_probability
from sporecount.season import Book
from sporecount.season.book import BOOK_NAME
from sporecount.session.folder import KEPT, printable
from sporecount.session.live import LiveCount, State, Wish
from sporecount.session.outputs import SESSION_FILE
from sporecount.session.tiles import TileShelf
from sporecount.session.worker import PhotoDone
from sporecount.settings import CountSettings


class Desk:
    """The session that the page shows.

    Parameters
    ----------
    folder : Path
        Of the photos.
    out : Path
        Of the results.
    wish : Wish
    workers : int, optional
    """

    def __init__(self, folder: Path, out: Path, wish: Wish | None = None, workers: int | None = None) -> None:
        self.folder, self.out = folder, out
        self._lock = threading.Lock()
        self._keys: dict[str, tuple[str, str]] = {}
        self._opened: tuple[int, Opened] | None = None
        self._busy = False
        self.name = printable(folder.resolve().name)
        self.news = News()
        self.tray = Tray(folder)
        self.shelf = TileShelf()
        self.walk = Walk()
        self.book = Book(out / BOOK_NAME)
        wish = wish if wish is not None and wish != Wish() else self._known_wish()
        self.live = LiveCount(
            folder, out, wish, workers=workers, on_photo=self._on_photo, on_state=self._on_state
        )
        self.tallies = Tallies(self.book, self.session, self._on_tally)

    def start(self) -> None:
        """Begin to work in the background; a count that was cut off goes on."""
        self.live.start()
        self.tallies.start()
        self._on_state(self.live.state)
        if self.book.setting("counting", False):
            self.live.ask()

    def close(self) -> None:
        """End all work in the background."""
        self.news.close()
        self.live.close()
        self.tallies.close()
        self.shelf.close()
        self.walk.close()
        self.book.close()

    def count_as(self, wish: Wish) -> None:
        """Count in another way from now on, also after a restart, and count again what was counted."""
        self.book.set("wish", asdict(wish))
        self.live.change(wish)
        if any(path.is_file() and not path.name.startswith(".") for path in self.folder.iterdir()):
            self.live.ask()

    def _known_wish(self) -> Wish:
        """Tell how this session is counted: as it was said last, else as its results were made."""
        said = self.book.setting("wish")
        if isinstance(said, dict):
            settings = {name: one for name, one in said.pop("settings", {}).items() if name in KNOBS}
            return Wish(**said, settings=CountSettings(**settings))
        opened = self.session()
        if opened is None or not opened.rows:
            return Wish()
        scale, used = opened.result.fields[0].scale, opened.result.provenance.adapter
        if scale.source == "profile" and used:
            return Wish(adapter=next(iter(used)), objective=scale.objective, settings=opened.settings)
        um_per_px = scale.um_per_px if scale.source == "given" else None
        return Wish(um_per_px=um_per_px, objective=scale.objective, settings=opened.settings)

    def _on_state(self, state: State) -> None:
        busy = state.doing in ("counting", "writing")
        if busy != self._busy:
            self._busy = busy
            if busy or state.doing != "fault":
                self.book.set("counting", busy)
        self.news.tell("state", "", **asdict(state))

    def _on_tally(self, sample: str, tally: PrintTally) -> None:
        self.news.tell("tally", sample, **said_of_print(tally))

    def _on_photo(self, done: PhotoDone, result: FieldResult | None) -> None:
        at = photo_id(done.photo)
        if done.key:
            self._keys[at] = (done.photo, done.key)
        self.news.tell("photo", at, **said_of_photo(done, result))

    def session(self) -> Opened | None:
        """Open the results, again only when they have changed; None before there are any."""
        try:
            stamp = (self.out / SESSION_FILE).stat().st_mtime_ns
        except OSError:
            return None
        with self._lock:
            if self._opened is None or self._opened[0] != stamp:
                try:
                    self._opened = (stamp, open_results(self.out))
                except (SessionError, LookupError):
                    return None
            return self._opened[1]

    def field(self, at: str) -> FieldResult | None:
        """Load a field, of the results or just counted."""
        opened = self.session()
        found = opened.field(at) if opened is not None else None
        if found is None and at in self._keys:
            found = KeptFields(self.out / KEPT / "fields").result(self._keys[at][1])
        return found

    def preview(self, at: str) -> FieldPreview | None:
        """Load the preview of a field, of the results or just counted."""
        if at in self._keys:
            found = KeptFields(self.out / KEPT / "fields").preview(self._keys[at][1])
            if found is not None:
                return found
        opened = self.session()
        if opened is None or at not in opened.places:
            return None
        return opened.preview(opened.rows[opened.places[at]].photo)

    def photo_path(self, photo: str) -> Path | None:
        """Give the file of a photo of this session; None when it is not there or lies outside the folder."""
        root = self.folder.resolve()
        path = (self.folder / photo).resolve()
        return path if root in path.parents and path.is_file() else None


def said_of_print(tally: PrintTally) -> dict[str, object]:
    """Say what a print shows, for a tally that moves."""
    known = math.isfinite(tally.density_per_mm2)
    return {
        "sample": tally.sample,
        "spores": tally.spores,
        "density": [tally.density_per_mm2, tally.density_low, tally.density_high] if known else None,
        "headline": print_verdict(tally).headline,
        "heavy": in_100(heavy_probability(tally)),
        "flag": tally.flag,
    }


def said_of_photo(done: PhotoDone, result: FieldResult | None) -> dict[str, object]:
    """Say what became of a photo, for the list of photos."""
    said: dict[str, object] = {"id": photo_id(done.photo), "photo": done.photo, "state": done.state}
    if result is not None:
        return said | said_of_field(result.tally)
    if done.state == "label":
        return said | {
            "words": f"Label of {done.label}." if done.label else "A label that could not be read."
        }
    return said | {"words": done.message, "flag": "unusable"}


def said_of_field(tally: FieldTally) -> dict[str, object]:
    """Say what a field shows, for the list of photos."""
    return {
        "spores": tally.spores,
        "low": tally.spores_low,
        "high": tally.spores_high,
        "flag": tally.flag,
        "words": field_sentence(tally),
    }

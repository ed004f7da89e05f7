"""What all routes share: the session's folder, its results, and the count that runs in the background."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path

from sporecount.errors import SessionError
from sporecount.files.kept import KeptFields
from sporecount.page.news import News
from sporecount.page.uploads import Tray
from sporecount.records import FieldPreview, FieldResult, FieldTally, PrintTally, SessionResult
from sporecount.report import field_sentence
from sporecount.session import open_session
from sporecount.session.folder import KEPT, printable
from sporecount.session.live import LiveCount, State, Wish
from sporecount.session.outputs import SESSION_FILE
from sporecount.session.worker import PhotoDone
from sporecount.settings import CountSettings


def photo_id(photo: str) -> str:
    """Give the id under which a photo is known to the page: no path, and no character to quote."""
    return hashlib.sha256(photo.encode("utf-8", "surrogateescape")).hexdigest()[:16]


@dataclass(frozen=True)
class FieldRow:
    """What the lists need of a field."""

    id: str
    photo: str
    sample: str
    number: int
    tally: FieldTally


@dataclass
class Opened:
    """The results of the session as they were last written."""

    result: SessionResult
    preview: Callable[[str], FieldPreview]
    settings: CountSettings
    rows: list[FieldRow] = field(default_factory=list)
    places: dict[str, int] = field(default_factory=dict)

    def field(self, at: str) -> FieldResult | None:
        """Load a field by the id of its photo."""
        return self.result.fields[self.places[at]] if at in self.places else None

    def of_print(self, sample: str) -> list[FieldRow]:
        """List the fields of a print."""
        return [row for row in self.rows if row.sample == sample]

    def tally(self, sample: str) -> PrintTally | None:
        """Give the machine's tally of a print."""
        return next((one for one in self.result.prints if one.sample == sample), None)


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
        self.name = printable(folder.resolve().name)
        self.news = News()
        self.tray = Tray(folder)
        self.live = LiveCount(
            folder, out, wish or Wish(), workers=workers, on_photo=self._on_photo, on_state=self._on_state
        )
        self._lock = threading.Lock()
        self._keys: dict[str, tuple[str, str]] = {}
        self._opened: tuple[int, Opened] | None = None

    def start(self) -> None:
        """Begin to work in the background."""
        self.live.start()
        self._on_state(self.live.state)

    def close(self) -> None:
        """End all work in the background."""
        self.news.close()
        self.live.close()

    def _on_state(self, state: State) -> None:
        self.news.tell("state", "", **asdict(state))

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
                    self._opened = (stamp, _open(self.out))
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


def _open(out: Path) -> Opened:
    result, preview = open_session(out)
    known = {
        name: value
        for name, value in result.provenance.settings.items()
        if name in CountSettings.__dataclass_fields__
    }
    opened = Opened(result, preview, CountSettings(**known))
    for place, one in enumerate(result.fields):
        at = photo_id(one.photo)
        opened.rows.append(FieldRow(at, one.photo, one.sample, one.field, one.tally))
        opened.places[at] = place
    return opened

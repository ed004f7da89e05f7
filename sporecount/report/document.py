"""The report of a session: one HTML file that needs nothing else, for screen and paper."""

from __future__ import annotations

import base64
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from sporecount.reasons import Flag
from sporecount.records import FieldTally, PrintTally, Readers, SessionResult
from sporecount.report import charts, figures, phrases, session_words, words
from sporecount.report.overlay import SMALL_PX, reduce_jpeg
from sporecount.report.sorts import sort_objects, sure_lengths
from sporecount.settings import CountSettings

_PICTURE_BUDGET = 24 * 1024 * 1024
"""Bytes of pictures that a report embeds at most; what does not fit stays in `overlays/`."""
_LOOK_AT: dict[Flag, int] = {"recheck": 0, "clear": 1, "unusable": 2}
_MANY_FIELDS = 60
_MOST_PICTURES = 600


@dataclass(frozen=True)
class _Row:
    """What the report needs of a field. A session of thousands holds these, and not its objects."""

    photo: str
    number: int
    tally: FieldTally
    um_per_px: float
    source: str
    doubtful: int


def session_html(
    result: SessionResult,
    pictures: Callable[[str], bytes | None],
    sheets: Callable[[str], bytes | None] = lambda _photo: None,
    maps: Callable[[str], str | None] = lambda _sample: None,
    links: Callable[[str], str | None] = lambda _photo: None,
) -> Iterator[bytes]:
    """Write the report of a session, piece by piece: its pictures together take some 30 MB.

    Parameters
    ----------
    result : SessionResult
        Its fields are read once, one after the other.
    pictures : callable
        Photo name to its overlay, a JPEG as from `overlay_jpeg`; None where there is none.
    sheets : callable
        Photo name to the contact sheet of its doubtful objects, a JPEG as from `doubtful_sheet`, or None.
    maps : callable
        Sample to the map of its print, SVG as from `print_map_svg`, or None.
    links : callable
        Photo name to the address of its full-size overlay, relative to the report, percent-encoded; or None.

    Yields
    ------
    bytes
        UTF-8 HTML without script and without any address outside the file, but for `links`.
        The same input gives the same bytes.
    """
    knobs = _settings_of(result)
    by_sample: dict[str, list[_Row]] = {}
    lengths = [np.zeros(0)]
    for one in result.fields:
        row = _Row(
            one.photo,
            one.field,
            one.tally,
            one.scale.um_per_px,
            one.scale.source,
            len(sort_objects(one, knobs).doubtful),
        )
        by_sample.setdefault(one.sample, []).append(row)
        lengths.append(sure_lengths(one, knobs))
    rows = [row for group in by_sample.values() for row in group]
    machine = {tally.sample: tally for tally in result.prints}
    prints = [machine[tally.sample] for tally in session_words.attention_order(result.prints_read)]
    album = _Album(len(rows), len(prints), pictures, sheets)
    overview = [_summary(index, tally, result.readers) for index, tally in enumerate(prints, start=1)]
    sections = (
        _section(summary, by_sample.get(tally.sample, []), album, maps, links, result.readers)
        for summary, tally in zip(overview, prints, strict=True)
    )
    drawn = (
        charts.size_chart(np.concatenate(lengths)),
        charts.density_chart([row.tally for row in rows]),
        charts.classes_chart([one for one in prints if words.print_case(one) != "unusable"]),
    )
    page = (
        _environment()
        .get_template("session.html")
        .stream(
            title=_last_part(result.folder),
            summary=session_words.session_sentences(result.prints_read, len(rows), len(result.failed)),
            overview=overview,
            sections=sections,
            session_charts=[Markup(chart) for chart in drawn if chart],
            failed=result.failed,
            notes=result.notes,
            simulated=session_words.simulated_words(result.simulated, len(rows)),
            provenance=result.provenance,
            settings_table=_settings_table(result),
            adapter=_flat(result.provenance.adapter or {}),
            load_classes=list(enumerate(phrases.LOAD_CLASSES)),
            album=album,
            learnt=result.readers.learnt if result.readers is not None else (),
            anybody_read=result.readers is not None and bool(result.readers.prints),
            small=album.width < 1000,
        )
    )
    page.enable_buffering(100)
    # File names may hold bytes that are no UTF-8; they must not keep the report from being written.
    yield from (piece.encode("utf-8", "replace") for piece in page)


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("sporecount.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    style = files("sporecount.report").joinpath("templates/report.css").read_text(encoding="utf-8")
    environment.globals["style"] = Markup(style)
    environment.filters["area"] = phrases.area
    environment.filters["percent"] = lambda share: f"{100 * share:.0f} %" if math.isfinite(share) else "–"
    return environment


def _summary(index: int, tally: PrintTally, readers: Readers | None) -> dict[str, Any]:
    """Say what the table at the top says of a print."""
    verdict = words.print_verdict(tally)
    by_people = readers.prints.get(tally.sample) if readers is not None else None
    read = words.read_sentences(tally, readers) if readers is not None else []
    decided = readers is not None and tally.sample in readers.keeper
    return {
        "index": index,
        "anchor": f"print-{index}",
        "tally": tally,
        "verdict": verdict,
        "read": read,
        "read_short": [*read[:1], *(read[1:][-1:] if decided else ())],
        **_figures(tally),
        "by_people": None if by_people is None else {"flag": by_people.flag, **_figures(by_people)},
    }


def _section(
    summary: dict[str, Any],
    rows: Sequence[_Row],
    album: _Album,
    maps: Callable[[str], str | None],
    links: Callable[[str], str | None],
    readers: Readers | None,
) -> dict[str, Any]:
    tally, usable = summary["tally"], summary["verdict"].case != "unusable"
    rows = sorted(rows, key=lambda one: (one.number, one.photo))
    shown = album.take(rows)
    return {
        **summary,
        "ruler": Markup(figures.load_ruler_svg(tally) if usable else ""),
        "classes": Markup(figures.class_bars_svg(tally) if usable else ""),
        "map": Markup(maps(tally.sample) or ""),
        "counts": Markup(
            charts.counts_chart([(one.number, one.tally) for one in rows], f"{summary['index']}")
            if len(rows) > 2
            else ""
        ),
        "rows": [
            {
                "field": one,
                "read": _read_words(one.photo, readers),
                "sentence": words.field_sentence(one.tally),
                "remedies": words.reason_words(one.tally.reasons)[2] if one.tally.flag != "clear" else (),
                "picture": shown.get(one.photo, ("", ""))[0],
                "sheet": shown.get(one.photo, ("", ""))[1],
                "link": links(one.photo) or "",
            }
            for one in rows
        ],
    }


def _figures(tally: PrintTally) -> dict[str, str]:
    """Give density and chance of a heavy load as the first table shows them."""
    density, heavy = "–", "unknown"
    if words.print_case(tally) != "unusable":
        heavy = phrases.in_100(words.heavy_probability(tally))
        if math.isfinite(tally.density_per_mm2):
            low, high = phrases.about(tally.density_low), phrases.about(tally.density_high, up=True)
            density = f"{phrases.about(tally.density_per_mm2)} ({low} to {high})"
    of_doubts = "of doubtful objects alone" if words.density_of_doubts_words(tally) else ""
    return {"density": density, "of_doubts": of_doubts, "heavy": heavy}


def _read_words(photo: str, readers: Readers | None) -> str:
    """Count of a photo with the readers' decisions; empty where nobody read its print."""
    if readers is None or photo not in readers.fields:
        return ""
    tally, decided = readers.fields[photo], readers.decided[photo]
    return f"{tally.spores} ({tally.spores_low} to {tally.spores_high}), {decided} decided"


class _Album:
    """Pictures as data addresses, fewer and smaller the more fields there are."""

    def __init__(
        self,
        fields: int,
        prints: int,
        pictures: Callable[[str], bytes | None],
        sheets: Callable[[str], bytes | None],
    ) -> None:
        self.width = SMALL_PX if fields <= 24 else 900 if fields <= _MANY_FIELDS else 480
        self.not_shown = 0
        self._per_print = fields if fields <= _MOST_PICTURES else max(2, _MOST_PICTURES // max(1, prints))
        self._spent = 0
        self._pictures, self._sheets = pictures, sheets

    def take(self, rows: Sequence[_Row]) -> dict[str, tuple[str, str]]:
        """Give picture and sheet of a print's fields; where not all fit, of those to be looked at again."""
        order = sorted(rows, key=lambda one: (_LOOK_AT[one.tally.flag], -one.tally.spores, one.number))
        taken = {}
        for one in order[: self._per_print]:
            room = self._spent < _PICTURE_BUDGET
            picture = self._address(self._pictures(one.photo) if room else None, self.width)
            if picture:
                sheet = self._address(self._sheets(one.photo) if one.doubtful else None, SMALL_PX)
                taken[one.photo] = picture, sheet
        self.not_shown += len(rows) - len(taken)
        return taken

    def _address(self, data: bytes | None, width: int) -> str:
        small = reduce_jpeg(data, width) if data else b""
        if not small or self._spent + len(small) > _PICTURE_BUDGET:
            return ""
        self._spent += len(small)
        return "data:image/jpeg;base64," + base64.b64encode(small).decode("ascii")


def _settings_of(result: SessionResult) -> CountSettings:
    known = {
        name: value
        for name, value in result.provenance.settings.items()
        if name in CountSettings.__dataclass_fields__
    }
    return CountSettings(**known)


def _settings_table(result: SessionResult) -> list[tuple[str, str, str]]:
    units = {name: one.metadata["unit"] for name, one in CountSettings.__dataclass_fields__.items()}
    return [
        (name, str(value), units.get(name, "")) for name, value in sorted(result.provenance.settings.items())
    ]


def _flat(table: dict[str, Any], before: str = "") -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    for name, value in table.items():
        rows += (
            _flat(value, f"{before}{name}.") if isinstance(value, dict) else [(f"{before}{name}", str(value))]
        )
    return rows


def _last_part(folder: str) -> str:
    """Name of the session's folder alone: where it lies on somebody's disk is no reader's business."""
    parts = [part for part in folder.replace("\\", "/").split("/") if part not in ("", ".")]
    return parts[-1] if parts else "session"

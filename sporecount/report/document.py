"""The report of a session: one HTML file that needs nothing else, for screen and paper."""

from __future__ import annotations

import base64
import math
from collections.abc import Callable, Sequence
from importlib.resources import files
from typing import Any

import cv2
import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from sporecount.reasons import FLAGS
from sporecount.records import FieldResult, PrintTally, SessionResult
from sporecount.report import charts, figures, words
from sporecount.report.overlay import overlay_file_name
from sporecount.report.sorts import sort_objects
from sporecount.settings import CountSettings

_PICTURE_BUDGET = 24 * 1024 * 1024
"""Bytes of pictures that a report embeds at most; what does not fit stays in `overlays/`."""


def session_html(
    result: SessionResult,
    pictures: Callable[[str], bytes],
    sheets: Callable[[str], bytes | None] = lambda _photo: None,
    maps: Callable[[str], str | None] = lambda _sample: None,
) -> bytes:
    """Write the report of a session.

    Parameters
    ----------
    result : SessionResult
    pictures : callable
        Photo name to its overlay, a JPEG as from `overlay_jpeg`; empty bytes where there is none.
    sheets : callable
        Photo name to the contact sheet of its doubtful objects, a JPEG as from `doubtful_sheet`, or None.
    maps : callable
        Sample to the map of its print, SVG as from `print_map_svg`, or None.

    Returns
    -------
    bytes
        UTF-8 HTML without script and without any address outside the file, but for links to `overlays/`
        beside it. The same input gives the same bytes.
    """
    knobs = _settings_of(result)
    prints = words.attention_order(result.prints)
    by_sample: dict[str, list[FieldResult]] = {}
    for one in result.fields:
        by_sample.setdefault(one.sample, []).append(one)
    embedded = _Embedded(len(result.fields), pictures, sheets)
    sections = [
        _section(index, tally, by_sample.get(tally.sample, []), knobs, embedded, maps)
        for index, tally in enumerate(prints, start=1)
    ]
    page = _environment().get_template("session.html").render(
        title=_last_part(result.folder),
        summary=words.session_sentences(result),
        sections=sections,
        session_charts=[Markup(chart) for chart in (
            charts.size_chart(result.fields, knobs), charts.density_chart(result.fields), charts.classes_chart(prints),
        ) if chart],
        failed=result.failed,
        notes=result.notes,
        provenance=result.provenance,
        settings_table=_settings_table(result),
        adapter=_flat(result.provenance.adapter or {}),
        print_area_mm2=knobs.print_area_mm2,
        load_classes=list(enumerate(words.LOAD_CLASSES)),
        left_for_folder=embedded.left_for_folder,
        any_small=embedded.width < 1000,
    )
    # File names may hold bytes that are no UTF-8; they must not keep the report from being written.
    return page.encode("utf-8", "replace")


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("sporecount.report", "templates"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )
    style = files("sporecount.report").joinpath("templates/report.css").read_text(encoding="utf-8")
    environment.globals["style"] = Markup(style)
    environment.filters["area"] = words.area
    environment.filters["percent"] = lambda share: f"{100 * share:.0f} %" if math.isfinite(share) else "–"
    return environment


def _section(
    index: int,
    tally: PrintTally,
    fields: Sequence[FieldResult],
    knobs: CountSettings,
    embedded: _Embedded,
    maps: Callable[[str], str | None],
) -> dict[str, Any]:
    fields = sorted(fields, key=lambda one: (one.field, one.photo))
    usable = math.isfinite(tally.density_per_mm2)
    shown = sorted(fields, key=lambda one: (-FLAGS.index(one.tally.flag), -one.tally.spores, one.field))
    for one in shown:  # where not all fit, those that need looking at come first
        embedded.add(one)
    return {
        "anchor": f"print-{index}",
        "tally": tally,
        "verdict": words.print_verdict(tally, knobs.print_area_mm2),
        "heavy": words.in_100(words.heavy_probability(tally)),
        "density": (
            f"{words.about(tally.density_per_mm2)} ({words.about(tally.density_low)} to "
            f"{words.about(tally.density_high, up=True)})" if usable else "–"
        ),
        "ruler": Markup(figures.load_ruler_svg(tally, knobs.print_area_mm2)),
        "classes": Markup(figures.class_bars_svg(tally)),
        "map": Markup(maps(tally.sample) or ""),
        "counts": Markup(charts.counts_chart(fields, f"{index}") if len(fields) > 1 else ""),
        "fields": [
            {
                "field": one,
                "sentence": words.field_sentence(one.tally),
                "doubts": words.reason_words(one.tally.reasons),
                "doubtful": len(sort_objects(one, knobs).doubtful),
                "picture": embedded.pictures.get(one.photo),
                "sheet": embedded.sheets.get(one.photo),
                "file": overlay_file_name(one.photo),
            }
            for one in fields
        ],
    }


class _Embedded:
    """Pictures as data addresses, reduced so that the report stays within its budget."""

    def __init__(
        self, fields: int, pictures: Callable[[str], bytes], sheets: Callable[[str], bytes | None]
    ) -> None:
        self.width = 1200 if fields <= 24 else 900 if fields <= 60 else 480
        self.pictures: dict[str, str] = {}
        self.sheets: dict[str, str] = {}
        self.left_for_folder = 0
        self._spent = 0
        self._make_picture, self._make_sheet = pictures, sheets

    def add(self, field: FieldResult) -> None:
        picture = self._address(self._make_picture(field.photo) if self._spent < _PICTURE_BUDGET else b"", self.width)
        if picture:
            self.pictures[field.photo] = picture
        else:
            self.left_for_folder += 1
        sheet = self._address(self._make_sheet(field.photo) if self._spent < _PICTURE_BUDGET else None, 1200)
        if sheet:
            self.sheets[field.photo] = sheet

    def _address(self, data: bytes | None, width: int) -> str:
        small = reduce_jpeg(data, width) if data else b""
        if not small or self._spent + len(small) > _PICTURE_BUDGET:
            return ""
        self._spent += len(small)
        return "data:image/jpeg;base64," + base64.b64encode(small).decode("ascii")


def reduce_jpeg(data: bytes, width: int) -> bytes:
    """Make a JPEG at most `width` pixels wide; empty bytes if it is no picture."""
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    if picture is None:
        return b""
    if picture.shape[1] <= width:
        return data
    size = (width, max(1, round(picture.shape[0] * width / picture.shape[1])))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    return cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 80])[1].tobytes()


def _settings_of(result: SessionResult) -> CountSettings:
    known = {
        name: value for name, value in result.provenance.settings.items()
        if name in CountSettings.__dataclass_fields__
    }
    return CountSettings(**known)


def _settings_table(result: SessionResult) -> list[tuple[str, str, str]]:
    units = {name: one.metadata["unit"] for name, one in CountSettings.__dataclass_fields__.items()}
    return [(name, str(value), units.get(name, "")) for name, value in sorted(result.provenance.settings.items())]


def _flat(table: dict[str, Any], before: str = "") -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    for name, value in table.items():
        rows += _flat(value, f"{before}{name}.") if isinstance(value, dict) else [(f"{before}{name}", str(value))]
    return rows


def _last_part(folder: str) -> str:
    """Name of the session's folder alone: where it lies on somebody's disk is no reader's business."""
    parts = [part for part in folder.replace("\\", "/").split("/") if part not in ("", ".")]
    return parts[-1] if parts else "session"

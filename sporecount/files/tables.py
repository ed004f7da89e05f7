"""The three tables of a session, as CSV (RFC 4180) and as rows for JSON.

A number is written with as many digits as it can bear; what is unknown is an empty cell. Text that a
spreadsheet would run as a formula gets an apostrophe in front (see `safe_text`).
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import IO, Any

import numpy as np

from sporecount.reasons import REASONS
from sporecount.records import KINDS, FailedPhoto, FieldResult, FieldTally, PrintTally

FIELD_COLUMNS: dict[str, str] = {
    "photo": "", "sample": "", "field": "d", "objective": "g", "um_per_px": ".6g", "um_per_px_source": "",
    "examined_mm2": ".4f", "in_focus": ".3f", "spores": "d", "spores_low": "d", "spores_high": "d",
    "scales": "d", "flag": "", "reasons": "",
}  # fmt: skip
"""Columns of `fields.csv`, in order, each with the form of its numbers; no form for text."""

OBJECT_COLUMNS: dict[str, str] = {
    "photo": "", "object": "d", "kind": "", "probability": ".4f", "x_px": ".2f", "y_px": ".2f",
    "length_um": ".2f", "width_um": ".2f", "angle_deg": ".1f", "area_um2": ".2f", "optical_density": ".4f",
    "amber": ".3f", "sharpness": ".4g", "clump": "d",
}  # fmt: skip
"""Columns of `objects.csv`. `probability` is that of being a spore, whatever the kind."""

SAMPLE_COLUMNS: dict[str, str] = {
    "sample": "", "photos": "d", "fields": "d", "examined_mm2": ".4f", "spores": "d",
    "density_per_mm2": ".4g", "density_low": ".4g", "density_high": ".4g", "could_hide_per_mm2": ".4g",
    "load_class": "d", "load_class_probability": ".3f", "flag": "", "reasons": "",
}  # fmt: skip
"""Columns of `samples.csv`. `load_class_probability` is that of the class named."""

BETWEEN_REASONS = ";"

Row = Mapping[str, Any]


def safe_text(text: str) -> str:
    """Guard against text that a spreadsheet would run.

    A cell that begins with `=`, `@`, a tab or a carriage return gets an apostrophe in front, and so does
    one that begins with `+` or `-` and holds what a call needs. A plain name with a dash in front stays as
    it is, so that it can still be looked up.
    """
    risky = text.startswith(("=", "@", "\t", "\r")) or (
        text.startswith(("+", "-")) and any(sign in text for sign in "(|!")
    )
    return "'" + text if risky else text


def field_row(result: FieldResult) -> dict[str, Any]:
    """Make the row of a photo that was counted."""
    tally = result.tally
    return {
        "photo": result.photo,
        "sample": result.sample,
        "field": result.field,
        "objective": result.scale.objective,
        "um_per_px": result.scale.um_per_px,
        "um_per_px_source": result.scale.source,
        "examined_mm2": tally.examined_mm2,
        "in_focus": tally.in_focus,
        **count_columns(tally, "spores", "spores_low", "spores_high"),
        "scales": tally.scales,
        "flag": tally.flag,
        "reasons": BETWEEN_REASONS.join(tally.reasons),
    }


def count_columns(tally: FieldTally, spores: str, low: str, high: str) -> dict[str, int | None]:
    """Name the count of a field and its interval; nothing where nobody may rely on it, as it would be summed."""
    counts = (tally.spores, tally.spores_low, tally.spores_high)
    return {
        name: None if tally.flag == "unusable" else count
        for name, count in zip((spores, low, high), counts, strict=True)
    }


def failed_row(failed: FailedPhoto) -> dict[str, Any]:
    """Make the row of a photo that could not be used: no numbers."""
    return {
        "photo": failed.photo,
        "sample": failed.sample,
        "flag": "unusable",
        "reasons": failed.code if failed.code in REASONS else "unreadable",
    }


def sample_row(tally: PrintTally) -> dict[str, Any]:
    """Make the row of a print."""
    row = {name: getattr(tally, name) for name in SAMPLE_COLUMNS if hasattr(tally, name)}
    known = len(tally.load_class_probability) > tally.load_class
    probability = tally.load_class_probability[tally.load_class] if known else math.nan
    return {
        **row,
        "spores": tally.spores if tally.fields else None,
        "load_class": None if math.isnan(probability) else tally.load_class,
        "load_class_probability": probability,
        "reasons": BETWEEN_REASONS.join(tally.reasons),
    }


def object_lines(result: FieldResult) -> str:
    """Write the rows of a photo's objects as CSV; "spore" exactly for those that the count is made of.

    A photo has thousands of objects, so whole rows are formatted at once.
    """
    objects, kinds = result.objects, result.kinds
    if not len(objects):
        return ""
    otherwise = 1 + kinds.probability[:, 1:].argmax(axis=1)
    values: dict[str, Iterable[Any]] = {
        "object": range(1, len(objects) + 1),
        "kind": [KINDS[kind] for kind in np.where(result.counted, 0, otherwise)],
    }
    forms = []
    for name, form in list(OBJECT_COLUMNS.items())[1:]:
        forms.append(f"%{form or 's'}")
        if name not in values:
            column = kinds.spore if name == "probability" else getattr(objects, name)
            if form.endswith("f"):  # there is no minus nothing
                column = np.where(np.abs(column) < 0.5 * 10.0 ** -int(form[1:-1]), 0.0, column)
            values[name] = column.tolist()
    line = "," + ",".join(forms)
    text = "\n".join([line % row for row in zip(*values.values(), strict=True)])
    text = text.replace(",nan", ",").replace(",-inf", ",").replace(",inf", ",")
    photo = _csv_cell(safe_text(result.photo))
    return photo + text.replace("\n", f"\r\n{photo}") + "\r\n"


def _csv_cell(text: str) -> str:
    out = io.StringIO()
    csv.writer(out).writerow([text, ""])
    return out.getvalue()[:-3]


def _cell(value: Any, form: str) -> str:
    if value is None:
        return ""
    if not form:
        return safe_text(value)
    if isinstance(value, float) and not math.isfinite(value):
        return ""
    if form == "d":
        return format(int(value), "d")
    text = format(value, form)
    return text.removeprefix("-") if float(text) == 0 else text  # there is no minus nothing


def write_csv(out: IO[bytes], columns: Mapping[str, str], rows: Iterable[Row]) -> None:
    """Write a table, a row at a time.

    Parameters
    ----------
    out : binary file
    columns : mapping of str to str
        Names in order, with the form of their numbers.
    rows : iterable of mapping
        A column that a row lacks is an empty cell.
    """
    text = io.TextIOWrapper(out, encoding="utf-8", newline="", write_through=False)
    writer = csv.writer(text)
    writer.writerow(columns)
    items = tuple(columns.items())
    for row in rows:
        writer.writerow([_cell(row.get(name), form) for name, form in items])
    text.flush()
    text.detach()


def write_objects(out: IO[bytes], fields: Iterable[FieldResult]) -> None:
    """Write `objects.csv`, a field at a time."""
    out.write((",".join(OBJECT_COLUMNS) + "\r\n").encode())
    for field in fields:
        out.write(object_lines(field).encode())


def json_rows(columns: Mapping[str, str], rows: Iterable[Row]) -> list[dict[str, Any]]:
    """Give rows with the very numbers of the CSV; None for an empty cell, reasons as one text."""
    return [{name: _value(row.get(name), form) for name, form in columns.items()} for row in rows]


def _value(value: Any, form: str) -> Any:
    if not form:
        return value
    text = _cell(value, form)
    if not text:
        return None
    return int(text) if form == "d" else float(text)


def read_csv(data: bytes) -> tuple[list[str], list[dict[str, str]]]:
    """Read a small table as a spreadsheet saves it.

    Commas or semicolons; UTF-8, or the Windows code page where it is no UTF-8.

    Returns
    -------
    columns : list of str
    rows : list of dict
        Cells without surrounding blanks; wholly empty rows left out.
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", "replace")
    first = text.split("\n", 1)[0]
    between = ";" if ";" in first and "," not in first else ","
    lines = list(csv.reader(io.StringIO(text, newline=""), delimiter=between))
    if not lines:
        return [], []
    columns = [name.strip() for name in lines[0]]
    return columns, [_named(columns, line) for line in lines[1:] if any(cell.strip() for cell in line)]


def _named(columns: Sequence[str], line: Sequence[str]) -> dict[str, str]:
    cells = [cell.strip() for cell in line] + [""] * (len(columns) - len(line))
    return dict(zip(columns, cells, strict=False))

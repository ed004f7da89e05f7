"""Tables beside the three of a session: loads of whole prints, and the readers' answers beside the machine's."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from sporecount.files.tables import BETWEEN_REASONS, count_columns
from sporecount.readings import Reading
from sporecount.records import FieldResult, FieldTally, PrintTally, Readers

LOAD_COLUMNS: dict[str, str] = {
    "sample": "", "load_low": ".4g", "load_high": ".4g", "class_0": ".3f", "class_1": ".3f", "class_2": ".3f",
    "class_3": ".3f", "class_4": ".3f", "class_5": ".3f", "class_at_least": "d", "doubtful_objects": "d",
    "heavy_without_doubtful": ".3f", "could_hide": ".4g", "could_hide_even": ".4g",
    "print_area_mm2": ".4g", "print_area_low_mm2": ".4g", "print_area_high_mm2": ".4g",
    "print_area_source": "", "heavy_verdict": "", "fields_to_go": "d",
}  # fmt: skip
"""Columns of `loads.csv`, in order, each with the form of its numbers."""

FIELD_READ_COLUMNS: dict[str, str] = {
    "photo": "", "sample": "", "field": "d", "decided": "d", "machine_spores": "d", "machine_low": "d",
    "machine_high": "d", "machine_flag": "", "read_spores": "d", "read_low": "d", "read_high": "d",
    "read_flag": "",
}  # fmt: skip
"""Columns of `fields_read.csv`."""

SAMPLE_READ_COLUMNS: dict[str, str] = {
    "sample": "", "readers": "", "decided": "d", "differing": "d", "machine_spores": "d",
    "machine_density_per_mm2": ".4g", "machine_density_low": ".4g", "machine_density_high": ".4g",
    "machine_load_class": "d", "machine_flag": "", "read_spores": "d", "read_density_per_mm2": ".4g",
    "read_density_low": ".4g", "read_density_high": ".4g", "read_load_class": "d", "read_could_hide": ".4g",
    "read_flag": "", "keeper": "", "keeper_note": "",
}  # fmt: skip
"""Columns of `samples_read.csv`."""

READING_COLUMNS: dict[str, str] = {
    "photo": "", "sample": "", "field": "d", "object": "d", "x_px": ".2f", "y_px": ".2f", "says": "",
    "reader": "", "round": "d", "made_at": "", "machine_kind": "", "machine_probability": ".4f",
}  # fmt: skip
"""Columns of `readings.csv`. `object` is the object's number in `objects.csv`, empty for a spore that the
machine did not find."""


def load_row(tally: PrintTally) -> dict[str, Any]:
    """Make the row of a print's load; without a usable field only its area is known."""
    area = {name: getattr(tally, name) for name in LOAD_COLUMNS if name.startswith("print_area")}
    if not tally.fields:
        return {"sample": tally.sample, **area}
    return {
        **{name: getattr(tally, name) for name in LOAD_COLUMNS if hasattr(tally, name)},
        **{f"class_{number}": chance for number, chance in enumerate(tally.load_class_probability)},
        "fields_to_go": None if tally.fields_to_go < 0 else tally.fields_to_go,
    }


def field_read_row(field: FieldResult, readers: Readers) -> dict[str, Any]:
    """Put the machine's count of a photo and that with the readers' decisions side by side."""
    return {
        "photo": field.photo,
        "sample": field.sample,
        "field": field.field,
        "decided": readers.decided[field.photo],
        **_counts("machine", field.tally),
        **_counts("read", readers.fields[field.photo]),
    }


def _counts(who: str, tally: FieldTally) -> dict[str, Any]:
    return {
        **count_columns(tally, f"{who}_spores", f"{who}_low", f"{who}_high"),
        f"{who}_flag": tally.flag,
    }


def sample_read_row(tally: PrintTally, readers: Readers) -> dict[str, Any]:
    """Put the machine's answer on a print, that with the readers' decisions and the keeper's side by side."""
    keeper, note = readers.keeper.get(tally.sample, ("", ""))
    row = {
        "sample": tally.sample,
        "readers": BETWEEN_REASONS.join(readers.names_of.get(tally.sample, ())),
        "decided": readers.decided_of.get(tally.sample, 0),
        "differing": readers.differ_of.get(tally.sample, 0),
        **_answers("machine", tally),
        "keeper": keeper,
        "keeper_note": note,
    }
    read = readers.prints.get(tally.sample)
    if read is not None:
        row |= {**_answers("read", read), "read_could_hide": read.could_hide}
    return row


def _answers(who: str, tally: PrintTally) -> dict[str, Any]:
    known = tally.fields > 0 and not math.isnan(tally.load_class_probability[tally.load_class])
    return {
        f"{who}_spores": tally.spores if tally.fields else None,
        f"{who}_density_per_mm2": tally.density_per_mm2,
        f"{who}_density_low": tally.density_low,
        f"{who}_density_high": tally.density_high,
        f"{who}_load_class": tally.load_class if known else None,
        f"{who}_flag": tally.flag,
    }


def reading_row(one: Reading, field: FieldResult | None, row: int | None) -> dict[str, Any]:
    """Make the row of a decision.

    Parameters
    ----------
    one : Reading
    field : FieldResult or None
        The machine's, of the photo; None when it is not among the results any more.
    row : int or None
        Of the object that lies there.
    """
    machine: Mapping[str, Any] = {}
    if field is not None:
        machine = {"sample": field.sample, "field": field.field}
        if row is not None:
            machine |= {
                "object": row + 1,
                "machine_kind": "spore" if field.counted[row] else "not",
                "machine_probability": float(field.kinds.spore[row]),
            }
    return {
        "photo": one.photo,
        "x_px": one.x_px,
        "y_px": one.y_px,
        "says": one.says,
        "reader": one.reader,
        "round": one.round,
        "made_at": one.made_at,
        **machine,
    }

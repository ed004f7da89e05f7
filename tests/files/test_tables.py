"""The tables that people and programs read."""

import csv
import io
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sporecount.files import tables
from sporecount.files.tables import (
    FIELD_COLUMNS,
    OBJECT_COLUMNS,
    SAMPLE_COLUMNS,
    failed_row,
    field_row,
    json_rows,
    object_lines,
    read_csv,
    safe_text,
    sample_row,
    write_csv,
    write_objects,
)
from sporecount.records import (
    KINDS,
    FailedPhoto,
    FieldResult,
    FieldTally,
    Kinds,
    Objects,
    PrintTally,
    RoundView,
    Scale,
)


def a_field(number: int = 3, **changes) -> FieldResult:
    """A field with `number` objects: the first is counted, the others are likeliest dust."""
    column = np.arange(number, dtype=float)
    probability = np.full((number, len(KINDS)), 0.02, np.float32)
    probability[:, KINDS.index("dust")] = 0.84
    probability[:1] = 0.0
    probability[:1, 0] = 1.0
    values = {
        "photo": "FH-12_1.jpg",
        "sample": "FH-12",
        "field": 1,
        "width_px": 400,
        "height_px": 300,
        "scale": Scale(0.5234567, 0.001, "profile", 10.0),
        "view": RoundView(200.0, 150.0, 140.0, True),
        "objects": Objects(
            x_px=column + 0.126, y_px=-column, length_um=column + 11, width_um=column + 7, angle_deg=column,
            area_um2=column * 60, optical_density=column / 10, amber=column, sharpness=column,
            clump=np.ones(number, np.int64), on_scale=np.zeros(number, bool),
        ),
        "kinds": Kinds(probability),
        "counted": np.arange(number) == 0,
        "tally": FieldTally(
            spores=1, spores_low=0, spores_high=5, examined_mm2=1.23456, in_focus=0.98765, scales=4,
            flag="recheck", reasons=("crowded", "few-fields"), recall=0.9, recall_u=0.05,
            spore_length_um=math.nan,
        ),
        "taken_at": "2026-05-17T09:30:12", "camera": "Invented P1", "sha256": "ab" * 32,
    }  # fmt: skip
    return FieldResult(**{**values, **changes})


def a_print(**changes) -> PrintTally:
    values = {
        "sample": "FH-12", "photos": 2, "fields": 2, "examined_mm2": 2.5, "spores": 3, "density_per_mm2": 1.2,
        "density_low": 0.2474, "density_high": 3.507, "could_hide_per_mm2": 3.1, "load_class": 3,
        "load_class_probability": (0.0, 0.0, 0.2, 0.7, 0.1, 0.0), "flag": "clear", "reasons": (),
    }  # fmt: skip
    return PrintTally(**{**values, **changes})


def written(columns, rows) -> str:
    out = io.BytesIO()
    write_csv(out, columns, rows)
    return out.getvalue().decode("utf-8")


def test_columns_are_those_of_the_description():
    assert ",".join(FIELD_COLUMNS) == (
        "photo,sample,field,objective,um_per_px,um_per_px_source,examined_mm2,in_focus,spores,spores_low,"
        "spores_high,scales,flag,reasons"
    )
    assert ",".join(OBJECT_COLUMNS) == (
        "photo,object,kind,probability,x_px,y_px,length_um,width_um,angle_deg,area_um2,optical_density,amber,"
        "sharpness,clump"
    )
    assert ",".join(SAMPLE_COLUMNS) == (
        "sample,photos,fields,examined_mm2,spores,density_per_mm2,density_low,density_high,could_hide_per_mm2,"
        "load_class,load_class_probability,flag,reasons"
    )


def test_a_field_as_a_row():
    assert written(FIELD_COLUMNS, [field_row(a_field())]).split("\r\n")[1] == (
        "FH-12_1.jpg,FH-12,1,10,0.523457,profile,1.2346,0.988,1,0,5,4,recheck,crowded;few-fields"
    )


def test_a_photo_that_failed_has_a_row_without_numbers():
    row = failed_row(FailedPhoto("bad.jpg", "FH-12", "cut-off", "The JPEG file is cut short."))
    assert written(FIELD_COLUMNS, [row]).split("\r\n")[1] == "bad.jpg,FH-12,,,,,,,,,,,unusable,unreadable"


def test_a_print_as_a_row():
    assert written(SAMPLE_COLUMNS, [sample_row(a_print())]).split("\r\n")[1] == (
        "FH-12,2,2,2.5000,3,1.2,0.2474,3.507,3.1,3,0.700,clear,"
    )
    nan = math.nan
    unknown = a_print(density_per_mm2=nan, load_class=0, load_class_probability=(nan,) * 6)
    assert written(SAMPLE_COLUMNS, [sample_row(unknown)]).split("\r\n")[1] == (
        "FH-12,2,2,2.5000,3,,0.2474,3.507,3.1,,,clear,"
    )


def object_cells(field: FieldResult) -> list[dict[str, str]]:
    out = io.BytesIO()
    write_objects(out, [field])
    return list(csv.DictReader(io.StringIO(out.getvalue().decode(), newline="")))


def test_spore_exactly_for_what_is_counted():
    field = a_field(5)
    # likelier a spore than anything else, and yet not counted: must not be called a spore
    probability = field.kinds.probability.copy()
    probability[1] = np.eye(len(KINDS), dtype=np.float32)[0] * 0.45
    probability[1, KINDS.index("pollen")] = 0.3
    rows = object_cells(a_field(5, kinds=Kinds(probability)))
    assert [row["kind"] for row in rows] == ["spore", "pollen", "dust", "dust", "dust"]
    assert [row["object"] for row in rows] == ["1", "2", "3", "4", "5"]
    assert rows[1]["probability"] == "0.4500"
    assert list(rows[0]) == list(OBJECT_COLUMNS)


def test_an_object_as_a_row():
    assert object_lines(a_field(2)).split("\r\n")[1] == (
        "FH-12_1.jpg,2,dust,0.0200,1.13,-1.00,12.00,8.00,1.0,60.00,0.1000,1.000,1,1"
    )


def test_no_objects_no_rows():
    assert object_lines(a_field(0)) == ""
    assert object_cells(a_field(0)) == []


@given(st.text(min_size=1, max_size=30))
def test_any_photo_has_its_objects(photo):
    rows = object_cells(a_field(3, photo=photo))
    assert [row["photo"] for row in rows] == [safe_text(photo)] * 3


def test_what_is_not_known_is_empty():
    objects = a_field(4).objects
    strange = np.array([np.nan, np.inf, -np.inf, -0.001])
    rows = object_cells(a_field(4, objects=replace(objects, amber=strange, y_px=strange, sharpness=strange)))
    assert [row["amber"] for row in rows] == ["", "", "", "-0.001"]
    assert [row["y_px"] for row in rows] == ["", "", "", "0.00"]  # there is no minus nothing
    assert [row["sharpness"] for row in rows] == ["", "", "", "-0.001"]


def test_json_has_the_numbers_of_the_csv():
    rows = [field_row(a_field()), failed_row(FailedPhoto("bad.jpg", "FH-12", "empty", "The file is empty."))]
    good, bad = json_rows(FIELD_COLUMNS, rows)
    (first, second) = csv.DictReader(io.StringIO(written(FIELD_COLUMNS, rows)))
    assert good["um_per_px"] == float(first["um_per_px"])
    assert good["reasons"] == first["reasons"]
    assert good["spores"] == 1
    assert bad["spores"] is None
    assert second["spores"] == ""
    assert list(good) == list(FIELD_COLUMNS)


@given(st.text(max_size=40), st.text(max_size=40))
def test_any_name_survives(photo, sample):
    """Reference: the standard library's reader of RFC 4180."""
    text = written(FIELD_COLUMNS, [{"photo": photo, "sample": sample}])
    head, row = csv.reader(io.StringIO(text, newline=""))
    assert head == list(FIELD_COLUMNS)
    assert [cell.removeprefix("'") for cell in row[:2]] == [photo.removeprefix("'"), sample.removeprefix("'")]


@pytest.mark.parametrize(
    ("text", "safe"),
    [
        ("=1+1", "'=1+1"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("+cmd|' /C calc'!A0", "'+cmd|' /C calc'!A0"),
        ("-2+3+cmd|' /C calc'!A0", "'-2+3+cmd|' /C calc'!A0"),
        ("\t=1", "'\t=1"),
        ("-12_1.jpg", "-12_1.jpg"),  # a plain name that a dash precedes does nothing
        ("FH-12_1.jpg", "FH-12_1.jpg"),
        ("", ""),
    ],
)
def test_no_cell_is_run(text, safe):
    assert safe_text(text) == safe


def test_reading_what_spreadsheets_save():
    wanted = [{"photo": "a.jpg", "sample": "Käfig 1"}, {"photo": "b.jpg", "sample": ""}]
    for data in (
        "photo,sample\r\na.jpg,Käfig 1\r\nb.jpg\r\n\r\n".encode(),
        "\ufeffphoto,sample\na.jpg,Käfig 1\nb.jpg,\n".encode(),
        "photo;sample\na.jpg;Käfig 1\nb.jpg;\n".encode("cp1252"),
        ' photo , sample \n"a.jpg", Käfig 1\n b.jpg ,\n,\n'.encode(),
    ):
        columns, rows = read_csv(data)
        assert columns == ["photo", "sample"]
        assert rows == wanted
    assert tables.read_csv(b"") == ([], [])

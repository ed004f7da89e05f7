"""Cut-outs at equal scale in µm, and the contact sheet made of them."""

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from sporecount.records import Scale
from sporecount.report.sheet import doubtful_sheet, object_crops, pack_crops, unpack_crops
from sporecount.report.sorts import objects_to_show
from tests.report.examples import make_field, make_photo


def placed(field, x_px, y_px):
    columns = {name: getattr(field.objects, name).copy() for name in field.objects.__dataclass_fields__}
    columns["x_px"][:], columns["y_px"][:] = x_px, y_px
    return replace(field, objects=type(field.objects)(**columns))


@pytest.mark.parametrize("um_per_px", [0.25, 0.4, 1.0, 2.5])
def test_a_disc_has_the_same_size_whatever_the_pixels(um_per_px):
    """A disc of 12 µm in a window of 40 µm: 30 % of the width, centred."""
    size = (int(600 / um_per_px), int(480 / um_per_px))
    x, y = size[0] * 0.37, size[1] * 0.61
    field = placed(make_field(1, doubtful=0, size=size, um_per_px=um_per_px), x, y)
    cols, rows = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    # the edge is drawn with its exact coverage to first order, so that the area does not depend on pixels
    inside = np.clip(6 / um_per_px - np.hypot(cols - x, rows - y) + 0.5, 0, 1)
    photo = np.repeat((255 * inside).astype(np.uint8)[..., None], 3, axis=2)
    crop = object_crops(photo, field)[0][..., 0].astype(float) / 255
    # area of a disc of 12 µm at 40 µm / 96 px: pi 6^2 (96 / 40)^2 px; 4 % for the coarsest, 2.4 px in radius
    assert crop.sum() == pytest.approx(np.pi * 36 * (96 / 40) ** 2, rel=0.04)
    centre = [(crop.sum(axis=axis) * np.arange(96)).sum() / crop.sum() for axis in (0, 1)]
    assert centre == pytest.approx([47.5, 47.5], abs=0.6)


def test_cut_outs_at_the_edge_and_beyond():
    field = make_field(4, doubtful=1)
    photo = make_photo(field)
    for x, y in ((0, 0), (639, 479), (-5, 200), (1e5, 1e5)):
        crops = object_crops(photo, placed(field, x, y))
        assert crops.dtype == np.uint8
        assert crops.shape[1:] == (96, 96, 3)


@pytest.mark.parametrize(("n", "doubtful"), [(0, 0), (5, 5), (40, 0), (40, 9), (2000, 600)])
def test_the_sheet_holds_what_was_cut_out(n, doubtful):
    field = make_field(n, doubtful=doubtful, flag="recheck", reasons=("ambiguous-objects",))
    crops = object_crops(make_photo(field), field)
    assert len(crops) == min(48, doubtful) + min(12, n - doubtful)
    sheet = Image.open(io.BytesIO(doubtful_sheet(crops, field)))
    rows = -(-min(48, doubtful) // 6)
    assert sheet.height >= 92 + rows * 180
    assert doubtful_sheet(crops, field) == doubtful_sheet(crops, field)


def test_the_sheet_shows_the_cut_outs_themselves():
    field = make_field(7, doubtful=7)
    crops = np.zeros((7, 96, 96, 3), np.uint8)
    crops[:] = np.arange(7)[:, None, None, None] * 30 + 20
    sheet = np.asarray(Image.open(io.BytesIO(doubtful_sheet(crops, field)))).astype(int)
    middles = [sheet[92 + 90, 14 + column * 194 + 90, 0] for column in range(6)]
    assert middles == pytest.approx([20, 50, 80, 110, 140, 170], abs=4)  # JPEG


def test_a_wrong_number_of_cut_outs_is_refused():
    field = make_field(5, doubtful=5)
    with pytest.raises(ValueError, match="5 pictures"):
        doubtful_sheet(np.zeros((3, 96, 96, 3), np.uint8), field)


def test_packing_keeps_order_and_number():
    field = make_field(30, doubtful=6)
    crops = object_crops(make_photo(field), field)
    again = unpack_crops(pack_crops(crops))
    assert again.shape == crops.shape
    assert np.abs(again.astype(int) - crops).mean() < 3  # JPEG
    assert len(unpack_crops(pack_crops(crops[:0]))) == 0


def test_numbers_that_are_unknown_do_no_harm():
    field = make_field(8, doubtful=3)
    columns = {name: getattr(field.objects, name).copy() for name in field.objects.__dataclass_fields__}
    for name in ("length_um", "amber", "sharpness"):
        columns[name][:] = np.nan
    field = replace(field, objects=type(field.objects)(**columns), scale=Scale(2.0))
    assert sum(map(len, objects_to_show(field))) == 8
    assert doubtful_sheet(object_crops(make_photo(field), field), field)

"""A photo read at half its size gives what it gives whole, in its own pixels."""

import cv2
import numpy as np
import pytest

from sporecount.chain import count_field, find_view
from sporecount.records import Photo, Scale
from sporecount.settings import CountSettings
from sporecount.steps.halved import resized_field, resized_preview, resized_view
from tests.session_folder import drawn_photo

WITHIN_PX = 1.5
"""Places of a spore whole and halved, in pixels of the whole photo, half a um."""
SCALE = Scale(0.5, 0.004, "given", 10.0)


def pair() -> tuple[Photo, Photo]:
    half = drawn_photo(3, ovals=9, width=420, height=300)
    whole = cv2.resize(half, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    return Photo(whole, "x"), Photo(half, "x", halved=True)


def test_the_same_count_in_pixels_of_the_whole_photo():
    (whole, of_whole), (half, of_half) = (count_field(one, SCALE, CountSettings()) for one in pair())
    assert (half.width_px, half.height_px) == (whole.width_px, whole.height_px) == (840, 600)
    assert half.scale == whole.scale == SCALE
    assert half.counted.sum() == whole.counted.sum() > 4
    places, others = (
        np.column_stack((one.objects.x_px, one.objects.y_px))[one.counted] for one in (half, whole)
    )
    apart = np.linalg.norm(places[:, None] - others, axis=2)
    assert apart.min(axis=1).max() < WITHIN_PX
    nearest = apart.argmin(axis=1)
    lengths, other_lengths = (one.objects.length_um[one.counted] for one in (half, whole))
    assert lengths == pytest.approx(other_lengths[nearest], rel=0.08)
    assert half.tally.examined_mm2 == pytest.approx(whole.tally.examined_mm2, rel=0.01)
    assert of_half.zoom * half.width_px == pytest.approx(of_half.rgb.shape[1], abs=1)
    assert of_whole.zoom * whole.width_px == pytest.approx(of_whole.rgb.shape[1], abs=1)


def test_the_round_view_is_told_in_pixels_of_the_whole_photo():
    rows, cols = np.indices((600, 840))
    seen = np.hypot(cols - 400, rows - 310) < 260
    whole = np.where(seen[..., None], np.uint8(210), np.uint8(8)).repeat(3, axis=2)
    half = cv2.resize(whole, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    view = find_view(Photo(half, "x", halved=True))
    assert view.found
    assert (view.center_x_px, view.center_y_px, view.radius_px) == pytest.approx((400, 310, 260), abs=3)


def test_there_and_back_changes_nothing():
    field, preview = count_field(pair()[0], SCALE, CountSettings())
    back = resized_field(resized_field(field, 0.5), 2)
    assert back.scale == field.scale
    assert (back.width_px, back.height_px) == (field.width_px, field.height_px)
    np.testing.assert_allclose(back.objects.x_px, field.objects.x_px)
    np.testing.assert_array_equal(back.objects.length_um, field.objects.length_um)
    assert resized_view(resized_view(field.view, 2), 0.5) == field.view
    assert resized_preview(resized_preview(preview, 2), 0.5).zoom == preview.zoom

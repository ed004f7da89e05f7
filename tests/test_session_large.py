"""Photos of many megapixels are counted at half their size, where the view is wide enough. All are drawn."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from sporecount.session import count_folder
from sporecount.session.folder import KEPT
from tests.session_folder import drawn_photo, jpeg

NAME = "FH-01_1.jpg"


@pytest.fixture
def large(tmp_path, monkeypatch) -> Path:
    """A folder with one photo of 840 x 600 pixels, 0.5 um each, for a photo of many megapixels."""
    monkeypatch.setattr("sporecount.files.decode.WHOLE_PIXELS", 400_000)
    whole = cv2.resize(drawn_photo(3, ovals=9, width=420, height=300), None, fx=2, fy=2)
    (tmp_path / NAME).write_bytes(jpeg(whole))
    return tmp_path


def decoded_shapes(monkeypatch) -> list[tuple[int, ...]]:
    from sporecount.session import worker

    shapes, decode = [], worker.decode

    def noting(*given, **options):
        photo = decode(*given, **options)
        shapes.append(photo.rgb.shape)
        return photo

    monkeypatch.setattr(worker, "decode", noting)
    return shapes


def test_counted_at_half_its_size_in_its_own_pixels(large, monkeypatch):
    shapes = decoded_shapes(monkeypatch)
    result = count_folder(large, um_per_px=0.5, objective=10.0, workers=0)
    assert set(shapes) == {(300, 420, 3)}
    (field,) = result.fields
    assert (field.width_px, field.height_px, field.scale.um_per_px) == (840, 600, 0.5)
    monkeypatch.setattr("sporecount.files.decode.WHOLE_PIXELS", 10**9)
    (whole,) = count_folder(large, um_per_px=0.5, objective=10.0, workers=0, out=large / "whole").fields
    assert shapes[-1] == (600, 840, 3)
    assert field.tally.spores == whole.tally.spores > 4
    for name in ("x_px", "y_px"):
        mine, others = (np.sort(getattr(one.objects, name)[one.counted]) for one in (field, whole))
        assert mine == pytest.approx(others, abs=1.5)


def test_its_pictures_are_drawn_again_alike(large):
    out = large / "sporecount"
    count_folder(large, um_per_px=0.5, objective=10.0, workers=0)
    before = (out / "overlays" / NAME).read_bytes()
    sheet = (out / KEPT / "sheets" / NAME).read_bytes()
    (out / "overlays" / NAME).unlink()
    count_folder(large, um_per_px=0.5, objective=10.0, workers=0)
    assert (out / "overlays" / NAME).read_bytes() == before
    assert (out / KEPT / "sheets" / NAME).read_bytes() == sheet


def test_read_whole_where_the_view_fills_little_of_it(tmp_path, monkeypatch):
    monkeypatch.setattr("sporecount.files.decode.WHOLE_PIXELS", 400_000)
    rows, cols = np.indices((600, 840))
    seen = np.hypot(cols - 400, rows - 310) < 220
    rgb = np.where(seen[..., None], np.uint8(210), np.uint8(8)).repeat(3, axis=2)
    (tmp_path / NAME).write_bytes(jpeg(rgb))
    shapes = decoded_shapes(monkeypatch)
    count_folder(tmp_path, um_per_px=0.5, objective=10.0, workers=0)
    assert shapes[:2] == [(300, 420, 3), (600, 840, 3)]
    shapes.clear()
    monkeypatch.setattr("sporecount.steps.halved.LEAST_VIEW_PX", 200)
    count_folder(tmp_path, um_per_px=0.5, objective=10.0, workers=0, out=tmp_path / "again")
    assert set(shapes) == {(300, 420, 3)}

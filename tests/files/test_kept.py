"""What one run keeps comes back the same in the next."""

import dataclasses

import numpy as np
import pytest

from sporecount.files.kept import FieldPlace, FieldsOnDisk, KeptFields, KeptPrints, key_of
from sporecount.files.pictures import FieldPictures
from sporecount.records import FieldPreview
from tests.files.test_tables import a_field, a_print


def same(first, second) -> None:
    """Equal in every part, arrays with their kinds of number."""
    assert type(first) is type(second)
    if dataclasses.is_dataclass(first):
        for one in dataclasses.fields(first):
            same(getattr(first, one.name), getattr(second, one.name))
    elif isinstance(first, np.ndarray):
        assert first.dtype == second.dtype
        np.testing.assert_array_equal(first, second)
    elif first == first:  # nan is not
        assert first == second


def a_preview() -> FieldPreview:
    y, x = np.mgrid[0:30, 0:40]
    return FieldPreview(
        rgb=np.dstack([x * 4, y * 5, x + y]).astype(np.uint8),
        left_out=(x % 7 == 0).astype(np.uint8) * 3,
        blurred=y > 20,
        zoom=0.25,
    )


@pytest.mark.parametrize("number", [0, 1, 50])
def test_a_field_comes_back(tmp_path, number):
    kept = KeptFields(tmp_path)
    field = a_field(number)
    kept.save("k", field, a_preview())
    same(kept.result("k"), field)
    assert not kept.result("k").objects.x_px.flags.writeable


def test_a_preview_comes_back(tmp_path):
    kept = KeptFields(tmp_path)
    preview = a_preview()
    kept.save("k", a_field(), preview)
    back = kept.preview("k")
    np.testing.assert_array_equal(back.left_out, preview.left_out)
    np.testing.assert_array_equal(back.blurred, preview.blurred)
    assert back.zoom == preview.zoom
    # kept as a JPEG of good quality
    assert np.abs(back.rgb.astype(int) - preview.rgb).max() <= 12


def test_the_same_bytes_each_time(tmp_path):
    for name in ("a", "b"):
        KeptFields(tmp_path / name).save("k", a_field(), a_preview())
    assert (tmp_path / "a" / "k.npz").read_bytes() == (tmp_path / "b" / "k.npz").read_bytes()


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9, 0.999])
def test_a_broken_file_is_an_absent_one(tmp_path, share):
    kept = KeptFields(tmp_path)
    kept.save("k", a_field(), a_preview())
    path = tmp_path / "k.npz"
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    assert kept.result("k") is None
    assert kept.preview("k") is None
    assert kept.result("never") is None


def test_pruning(tmp_path):
    kept = KeptFields(tmp_path)
    for key in ("a", "b", "c"):
        kept.save(key, a_field(), a_preview())
    kept.prune(["b"])
    assert [path.name for path in tmp_path.iterdir()] == ["b.npz"]


def test_prints(tmp_path):
    kept = KeptPrints(tmp_path)
    tally = a_print(density_low=float("nan"), reasons=("few-fields",))
    kept.save("k", tally, "<svg/>")
    same(kept.tally("k"), tally)
    assert kept.map_svg("k") == "<svg/>"
    assert kept.map_svg("other") is None
    (tmp_path / "k.json").write_bytes(b"{")
    assert kept.tally("k") is None
    kept.prune([])
    assert list(tmp_path.iterdir()) == []


def test_fields_are_named_by_their_place(tmp_path):
    """Two copies of one file share what is kept, and yet each bears its own name."""
    kept = KeptFields(tmp_path)
    kept.save("k", a_field(), a_preview())
    fields = FieldsOnDisk(kept, [FieldPlace("k", "a.jpg", "FH-1", 1), FieldPlace("k", "b.jpg", "FH-2", 3)])
    named = [(one.photo, one.sample, one.field) for one in fields]
    assert named == [("a.jpg", "FH-1", 1), ("b.jpg", "FH-2", 3)]
    assert fields[-1].photo == "b.jpg"
    assert [one.photo for one in fields[:1]] == ["a.jpg"]
    assert fields.preview("b.jpg").zoom == 0.25
    with pytest.raises(IndexError):
        fields[2]


def test_keys_differ_by_every_part():
    keys = {key_of("a", 1), key_of("a", 2), key_of("b", 1), key_of("a", [1]), key_of({"a": 1})}
    assert len(keys) == 5
    assert key_of({"a": 1, "b": 2}) == key_of({"b": 2, "a": 1})


def test_pictures(tmp_path):
    pictures = FieldPictures(tmp_path, tmp_path / ".kept")
    pictures.save("a.jpg", "key", overlay=b"overlay", small=b"small", sheet=b"sheet")
    assert pictures.has("a.jpg", "key")
    assert (pictures.small("a.jpg"), pictures.sheet("a.jpg")) == (b"small", b"sheet")
    assert not pictures.has("a.jpg", "another key")
    assert not pictures.has("b.jpg", "key")
    (pictures.overlays / "a.jpg").write_bytes(b"painted over")
    assert not pictures.has("a.jpg", "key")


def test_only_own_pictures_are_removed(tmp_path):
    pictures = FieldPictures(tmp_path, tmp_path / ".kept")
    pictures.save("a.jpg", "key", overlay=b"overlay", small=b"small", sheet=b"sheet")
    pictures.save("b.jpg", "key", overlay=b"overlay", small=b"small", sheet=b"sheet")
    (pictures.overlays / "the keeper's own.jpg").write_bytes(b"dear to somebody")
    pictures.prune(["b.jpg"])
    assert sorted(path.name for path in pictures.overlays.iterdir()) == ["b.jpg", "the keeper's own.jpg"]

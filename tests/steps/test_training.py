"""What the networks are taught is the truth of the drawn photo, and crops come back as they were kept."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from sporecount.records import KINDS
from sporecount.simulate.truth import KIND_NAMES, SimulatedPhoto, SporeTruth
from sporecount.steps.classify.network import SIDE_BY_SIDE, SORTINGS, TWOFOLD, model_card
from sporecount.steps.classify.training.card import refuse_known
from sporecount.steps.classify.training.gather import gather, load
from sporecount.steps.classify.training.harvest import IGNORE, Harvest, label_places
from sporecount.steps.classify.training.photos import keep_photo, read_photo

HAIR = KIND_NAMES.index("hair")
"""Number of hairs in a map of kinds."""


def _photo_with_one_spore() -> SimulatedPhoto:
    """A spore of 12 x 8 um at (60, 40) along x, at 0.5 um per px: 24 x 16 px; a hair below it."""
    spore = SporeTruth(
        x_px=60.0,
        y_px=40.0,
        length_um=12.0,
        width_um=8.0,
        angle_deg=0.0,
        visible=1.0,
        blur_um=0.5,
        countable=True,
        on_scale=False,
        clump=1,
        contrast=0.3,
    )
    kinds = np.zeros((80, 120), np.uint8)
    kinds[60:64, 10:110] = HAIR
    return SimulatedPhoto(
        rgb=np.full((80, 120, 3), 200, np.uint8),
        um_per_px=0.5,
        objective=10.0,
        spores=(spore,),
        kind_map=kinds,
        scales=0,
        notes={},
    )


def test_a_place_is_the_spore_near_its_centre_its_edge_teaches_no_kind_and_the_rest_is_what_lies_there() -> (
    None
):
    x = np.array([60.0, 62.0, 60.0, 72.5, 60.0, 15.0])
    y = np.array([40.0, 40.0, 49.0, 40.0, 62.0, 10.0])
    label, spore = label_places(_photo_with_one_spore(), x, y)
    assert list(label[:2]) == [0, 0]
    assert list(label[2:4]) == [IGNORE, IGNORE]
    assert KINDS[label[4]] == "hair"
    assert label[5] not in (0, IGNORE)
    assert list(spore) == [0, 0, 0, 0, -1, -1]


def test_crops_are_kept_once_and_come_back_in_the_order_of_their_photos(tmp_path: Path) -> None:
    def draw(folder: Path, photos: int) -> Harvest:
        gather(
            folder,
            photos,
            styles=["sporecount.simulate.photo"],
            seed=3,
            mine=False,
            workers=1,
            seconds=1e9,
        )
        return load(folder)

    one = draw(tmp_path / "crops", 1)
    kept = (tmp_path / "crops" / "000000.npz").stat().st_mtime_ns
    two = draw(tmp_path / "crops", 2)
    assert (tmp_path / "crops" / "000000.npz").stat().st_mtime_ns == kept
    assert len(two.label) > len(one.label)
    assert np.all(np.diff(two.photo) >= 0)
    for column in fields(Harvest):
        assert np.array_equal(getattr(two, column.name)[: len(one.label)], getattr(one, column.name))
    with pytest.raises(FileNotFoundError, match="draw them first"):
        load(tmp_path)


def test_whole_photos_come_back_as_they_were_drawn(tmp_path: Path) -> None:
    photo = _photo_with_one_spore()
    photo.rgb[10:20, 30:50] = (10, 120, 240)
    keep_photo(photo, tmp_path / "one.npz")
    back = read_photo(tmp_path / "one.npz")
    assert np.array_equal(back.rgb, photo.rgb)
    assert np.array_equal(back.kind_map, photo.kind_map)
    assert (back.spores, back.um_per_px, back.objective, back.scales) == (photo.spores, 0.5, 10.0, 0)
    assert [one.name for one in tmp_path.iterdir()] == ["one.npz"]


def test_photos_that_the_trees_saw_may_not_calibrate_them() -> None:
    card = {
        "parts": {
            "sorter.onnx": {"drawn": [{"styles": ["one"], "seed": 4}]},
            "sorter_again.onnx": {"drawn": [{"styles": ["one"], "seed": 6}]},
        }
    }
    refuse_known(card, [{"styles": ["two"], "seed": 5}], Path("new"))
    with pytest.raises(SystemExit, match="the model saw photos of new: draw new ones with another seed"):
        refuse_known(card, [{"styles": ["two"], "seed": 5}, {"styles": ["one"], "seed": 4}], Path("new"))
    with pytest.raises(SystemExit, match="the model saw photos of new"):
        refuse_known(card, [{"styles": ["one"], "seed": 6}], Path("new"))
    refuse_known(card, [{"styles": ["one"], "seed": 6}], Path("new"), ["sorter.onnx"])
    with pytest.raises(SystemExit, match="no note tells what was drawn into new: draw it anew"):
        refuse_known(card, [], Path("new"))
    with pytest.raises(
        SystemExit, match=r"no note tells which photos sorter\.onnx and sorter_again\.onnx saw: fit them"
    ):
        refuse_known({"parts": {}}, [{"styles": ["two"], "seed": 5}], Path("new"))
    del card["parts"]["sorter_again.onnx"]
    with pytest.raises(
        SystemExit, match=r"no note tells which photos sorter_again\.onnx saw: fit them first"
    ):
        refuse_known(card, [{"styles": ["two"], "seed": 5}], Path("new"))


def test_what_is_shipped_was_calibrated_on_photos_new_to_its_trees() -> None:
    card = model_card()
    refuse_known(card, card["parts"]["sorter_again.onnx"]["drawn"], Path("again"), ["sorter.onnx"])
    refuse_known(card, card["parts"][SIDE_BY_SIDE]["drawn"], Path("doubts"))
    for fitted, parts in (
        ("calibration", (*SORTINGS, SIDE_BY_SIDE)),
        ("recall", (*SORTINGS, SIDE_BY_SIDE, TWOFOLD)),
    ):
        assert card[fitted]["drawn"]
        refuse_known(card, card[fitted]["drawn"], Path(fitted), parts)

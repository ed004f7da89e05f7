"""What is taught of doubtful objects, and that a fit learns to compare."""

import numpy as np
import pytest

pytest.importorskip("torch", reason="training alone needs it")
pytest.importorskip("onnx", reason="training alone needs it")

from sporecount.simulate import panes
from sporecount.steps.classify.network import SIDE_PX, SIDE_WIDE_PX


def test_what_is_taught_are_the_doubts_of_a_photo_and_their_truth():
    from dataclasses import replace

    from sporecount.steps.classify.training.side_by_side import label_doubtful

    photo = panes.draw_photo(
        np.random.default_rng(8), width_px=900, height_px=700, um_per_px=0.6, preset="hard"
    )
    rows = label_doubtful(photo, np.random.default_rng(1))
    assert {len(column) for column in rows} == {len(rows.spore)}
    doubtful = np.abs(rows.figures[:, 0]) < 4.5
    assert doubtful.sum() >= 5
    assert 0 < (~doubtful).sum() <= 20
    assert 0 < rows.spore[doubtful].mean() < 1
    # likelier ones are rather spores
    assert rows.figures[rows.spore == 1, 0].mean() > rows.figures[rows.spore == 0, 0].mean() + 2
    np.testing.assert_allclose(rows.weight[~doubtful] / rows.weight[doubtful].max(), 0.15, rtol=1e-5)
    none = label_doubtful(replace(photo, spores=()), np.random.default_rng(1))
    assert not none.spore.any()
    # what nobody could count is not taught: in doubt were as many of them as countable ones before
    nobody = replace(photo, spores=tuple(replace(one, countable=False) for one in photo.spores))
    left = label_doubtful(nobody, np.random.default_rng(1))
    assert not left.spore.any()
    in_doubt = [int((np.abs(one.figures[:, 0]) < 4.5).sum()) for one in (none, left)]
    assert in_doubt[0] - in_doubt[1] >= rows.spore[doubtful].sum() > 0


def test_object_mean_and_surroundings_are_varied_alike():
    """Where both halves of a crop are the same picture they stay alike, but for grain and a mean left out."""
    import torch

    from sporecount.steps.classify.training.side_by_side import _varied

    torch.manual_seed(3)
    rng = np.random.default_rng(3)
    picture = torch.from_numpy(rng.uniform(0.05, 0.6, (256, 3, SIDE_PX, SIDE_PX)).astype(np.float32))
    wide = picture[:, :, :SIDE_WIDE_PX, :SIDE_WIDE_PX]
    crops, around, figures = _varied(torch.cat((picture, picture), dim=1), wide, torch.zeros(256, 9))
    own, mean = crops[:, :3], crops[:, 3:]
    left_out = (mean == 0).all(dim=(1, 2, 3))
    kept = ~left_out
    assert 0.03 < left_out.float().mean() < 0.2
    # grain of 0.04 at most on two in five of them is 0.006 in the mean; half of the shift alone would be 0.015
    assert (own[kept] - mean[kept]).abs().mean() < 0.01
    assert (own[kept] - picture[kept]).abs().mean() > 0.05
    # of the surroundings, here the crop's own corner, tint and fading are the same, but nothing is sharpened
    tints = [one.mean(dim=(2, 3)) for one in (own, around)]
    assert (tints[0] - tints[1]).abs().mean() < 0.01
    assert (tints[0] - picture.mean(dim=(2, 3))).abs().mean() > 0.05
    # log odds: 0.7 each by itself, 0.6 all alike
    assert figures.std(dim=0).numpy() == pytest.approx(
        [0.92, 0.92, 0.92, 0.5, 0.04, 0.04, 0.05, 0.1, 0.15], rel=0.25
    )
    assert np.corrcoef(figures[:, :3].numpy().T)[np.triu_indices(3, 1)] == pytest.approx(0.42, abs=0.2)


def test_halves_stay_on_the_same_side_and_colours_go_over_alike():
    import torch

    from sporecount.steps.classify.training.side_by_side import _varied

    torch.manual_seed(4)
    crops, wide = torch.zeros(400, 6, SIDE_PX, SIDE_PX), torch.zeros(400, 3, SIDE_WIDE_PX, SIDE_WIDE_PX)
    crops[..., : SIDE_PX // 2], wide[..., : SIDE_WIDE_PX // 2] = 0.4, 0.4
    crops[:, [1, 2, 4, 5]], wide[:, 1:] = 0, 0  # red alone, in the left half
    seen, around, _ = _varied(crops, wide, torch.zeros(400, 9))
    steps = [
        one[..., : one.shape[-1] // 2].mean(dim=(2, 3)) - one[..., one.shape[-1] // 2 :].mean(dim=(2, 3))
        for one in (seen[:, :3], around)
    ]
    assert 0.4 < (steps[0][:, 0] < 0).float().mean() < 0.6  # mirrored by even odds
    sure = (steps[0].abs() > 0.02) & (steps[1].abs() > 0.02)
    assert sure.float().mean() > 0.5
    assert (steps[0].sign() == steps[1].sign())[sure].float().mean() > 0.99
    # what the matrix takes from red into green and blue has either sign: standard deviation 0.3 on half of them
    share = (steps[0][:, 1] - steps[0][:, 2]) / steps[0][:, 0]
    assert share.abs().median() > 0.02
    assert share.abs().quantile(0.9) > 0.3


def test_crops_are_bent_a_little():
    import torch

    from sporecount.steps.classify.training.side_by_side import _bent

    torch.manual_seed(5)
    at = torch.arange(SIDE_PX) - (SIDE_PX - 1) / 2
    blot = torch.exp(-((at[:, None] + 6) ** 2 + (at - 10) ** 2) / 18)
    bent = _bent(blot.expand(500, 6, SIDE_PX, SIDE_PX))
    assert torch.equal(bent[:, 0], bent[:, 5])
    total = bent[:, 0].sum(dim=(1, 2))
    x, y = (bent[:, 0] * at).sum(dim=(1, 2)) / total, (bent[:, 0] * at[:, None]).sum(dim=(1, 2)) / total
    assert (x.mean(), y.mean()) == (pytest.approx(10, abs=0.3), pytest.approx(-6, abs=0.3))
    # turn by 0.08 moves it by 0.08 x 6 along x, zoom by 0.08 x 10, shift by 0.03 x 24: 1.18 in all
    assert x.std() == pytest.approx(1.18, rel=0.2)
    assert y.std() == pytest.approx(np.hypot(np.hypot(0.8, 0.48), 0.72), rel=0.2)


def test_strange_styles_have_their_share():
    from sporecount.steps.classify.training.side_by_side import shared_weight

    weight, strange = np.array([1.0, 2.0, 3.0, 4.0], np.float32), np.array([True, False, False, False])
    shared = shared_weight(weight, strange)
    assert shared.sum() == pytest.approx(10.0)
    assert shared[0] == pytest.approx(4.0)
    np.testing.assert_allclose(shared[1:] / shared[1:].sum(), weight[1:] / weight[1:].sum())
    for alone in (np.zeros(4, bool), np.ones(4, bool)):
        np.testing.assert_array_equal(shared_weight(weight, alone), weight)


def test_a_fit_learns_to_compare():
    """Blots as wide as those of the mean beside them are spores, others are not; the width alone tells nothing."""
    import torch

    from sporecount.steps.classify.training.fit import loosened
    from sporecount.steps.classify.training.side_by_side import Rows, fit_side_by_side

    rng = np.random.default_rng(2)
    count = 600
    rows, cols = (np.indices((SIDE_PX, SIDE_PX)) - (SIDE_PX - 1) / 2) / 18
    wide_one = rng.random(count) < 0.5
    like = rng.random(count) < 0.5

    def blots(is_wide):
        spread = np.where(is_wide, 0.35, 0.15)[:, None, None]
        return (60 + 120 * np.exp(-(cols**2 + rows**2) / (2 * spread**2))).astype(np.uint8)

    crops = np.empty((count, 6, SIDE_PX, SIDE_PX), np.uint8)
    crops[:, :3] = blots(wide_one)[:, None]
    crops[:, 3:] = blots(wide_one == like)[:, None]
    wide = np.full((count, 3, SIDE_WIDE_PX, SIDE_WIDE_PX), 64, np.uint8)
    figures = np.zeros((count, 9), np.float32)
    told = Rows(crops, wide, figures, like.astype(np.float32), np.ones(count, np.float32))
    network = fit_side_by_side(told, batches=120, seed=1, batch=64)
    with torch.no_grad():
        fed = (loosened(torch.from_numpy(crops)), loosened(torch.from_numpy(wide)), torch.zeros(count, 9))
        odds = network(*fed).numpy()
    assert ((odds > 0) == like).mean() > 0.9


def test_the_shipped_network_is_of_the_shape_that_is_taught():
    from importlib.resources import files

    import onnx

    from sporecount.steps.classify.network import SIDE_BY_SIDE, model_card
    from sporecount.steps.classify.training.network import SideBySide, weights_of

    shipped = onnx.load_model_from_string(
        files("sporecount.steps.classify").joinpath(SIDE_BY_SIDE).read_bytes()
    )
    sides = {
        one.name: [side.dim_value for side in one.type.tensor_type.shape.dim][1:]
        for one in shipped.graph.input
    }
    assert sides == {
        "crops": [6, SIDE_PX, SIDE_PX],
        "wide": [3, SIDE_WIDE_PX, SIDE_WIDE_PX],
        "figures": [9],
    }
    assert f"{weights_of(SideBySide()):,} weights" in model_card()["parts"][SIDE_BY_SIDE]["what"]

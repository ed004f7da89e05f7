"""Which object a spore without one of its own belongs to, and what the network is taught of the two."""

import numpy as np
import pytest

pytest.importorskip("torch", reason="training alone needs it")
pytest.importorskip("onnx", reason="training alone needs it")

from sporecount.simulate.truth import SporeTruth

LENGTH_UM = 10.0


def spore(x_px, countable=True):
    """A spore on the line y = 0, at one um per px."""
    return SporeTruth(x_px, 0.0, LENGTH_UM, 6.0, 0.0, 1.0, 0.5, 0.4, False, 1, countable)


def told(spores, *x_px):
    from sporecount.steps.classify.training.twofold import seconds

    label, first, second = seconds(spores, np.array(x_px), np.zeros(len(x_px)), 1.0)
    return label.tolist(), first.tolist(), second.tolist()


def test_a_spore_left_over_belongs_to_the_nearest_object_that_is_one():
    from sporecount.steps.classify.training.twofold import NOT_TWO, TWO, UNTOLD

    pair = [spore(-2.0), spore(2.5)]
    assert told(pair, 0.0) == ([TWO], [0], [1])
    assert told(pair, -2.0, 2.5) == ([NOT_TWO, NOT_TWO], [0, 1], [-1, -1])
    # the object beside is no spore, and the next one is too far
    assert told([spore(0.0), spore(6.9)], 0.0, 30.0) == ([TWO, NOT_TWO], [0, -1], [1, -1])
    assert told([spore(0.0), spore(7.1)], 0.0, 30.0) == ([NOT_TWO, NOT_TWO], [0, -1], [-1, -1])
    # what nobody could count tells nothing of the object
    assert told([spore(-2.0), spore(2.5, countable=False)], 0.0)[0] == [UNTOLD]
    assert told([spore(0.0, countable=False)], 0.0, 30.0)[0] == [UNTOLD, NOT_TWO]
    assert told([], 0.0) == ([NOT_TWO], [-1], [-1])


def test_what_is_taught_brings_back_the_centres():
    """Middle and half of two centres, whichever of them is named first; `part_twofold` turns them back."""
    from sporecount.steps.classify.training.twofold import _middle_and_half

    centres = np.random.default_rng(1).normal(0, 0.4, (50, 4))
    taught = _middle_and_half(centres)
    np.testing.assert_allclose(taught, _middle_and_half(centres[:, [2, 3, 0, 1]]), atol=1e-6)
    half = np.hypot(taught[:, 2], taught[:, 3])
    turn = np.arctan2(taught[:, 3], taught[:, 2]) / 2
    way = half[:, None] * np.column_stack((np.cos(turn), np.sin(turn)))
    back = np.stack((taught[:, :2] - way, taught[:, :2] + way), axis=1)
    wanted = centres.reshape(-1, 2, 2)
    far = np.abs(back[:, :, None] - wanted[:, None]).max(axis=3)
    np.testing.assert_allclose(
        np.minimum(far[:, 0, 0] + far[:, 1, 1], far[:, 0, 1] + far[:, 1, 0]), 0, atol=1e-5
    )


def test_mirrored_crops_keep_their_centres():
    """A crop whose brightest pixels are the two centres: after any mirroring they are where it is told."""
    import torch

    from sporecount.steps.classify.training.twofold import _middle_and_half, _varied

    centres = np.array([[-0.3, 0.2, 0.4, 0.1]])
    crops = torch.zeros(64, 5, 32, 32)
    for along, across in centres.reshape(2, 2):
        crops[:, 3, round(15.5 + 20 * across), round(15.5 + 20 * along)] = 1.0
    taught = torch.from_numpy(np.repeat(_middle_and_half(centres), 64, axis=0))
    torch.manual_seed(0)
    varied, _, told_there = _varied(crops, torch.zeros(64, 6), taught)
    ways = set()
    for crop, answer in zip(varied.numpy(), told_there.numpy(), strict=True):
        rows, cols = np.nonzero(crop[3])
        seen = np.column_stack((cols - 15.5, rows - 15.5)) / 20
        np.testing.assert_allclose(_middle_and_half(seen.reshape(1, 4))[0], answer, atol=0.06)
        ways.add(tuple(np.sign(answer[:2])))
    assert len(ways) == 4


def test_a_fit_learns_to_tell_long_from_short():
    """Crops of one blot or two, the halves of a longer one: a few batches tell most."""
    import torch

    from sporecount.steps.classify.training.twofold import NOT_TWO, TWO, Rows, _fed, fit_twofold

    rng = np.random.default_rng(2)
    count = 400
    label = np.where(rng.random(count) < 0.5, TWO, NOT_TWO).astype(np.int8)
    half = np.where(label == TWO, rng.uniform(0.3, 0.4, count), 0.0)
    rows, cols = (np.indices((32, 32)) - 15.5) / 14
    cover = sum(np.exp(-((cols - way * half[:, None, None]) ** 2 + rows**2) / 0.03) for way in (-1, 1))
    crops = np.zeros((count, 5, 32, 32), np.uint8)
    crops[:, :3] = (60 + 100 * np.minimum(cover, 1))[:, None]
    centres = np.column_stack((-half, 0 * half, half, 0 * half)).astype(np.float32)
    told = Rows(crops, np.zeros((count, 6), np.float32), label, centres, np.ones(count, np.float32))
    network = fit_twofold(told, batches=80, seed=1, batch=64)
    with torch.no_grad():
        answers = network(_fed(torch.from_numpy(crops)), torch.zeros(count, 6)).numpy()
    assert ((answers[:, 0] > 0) == (label == TWO)).mean() > 0.95

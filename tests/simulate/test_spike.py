"""Spiked-in spores darken a photo by the stated density, there and nowhere else."""

import numpy as np
import pytest

from sporecount.simulate.spike import SpikeSpore, spike_in


def test_density_and_place_are_the_stated_ones():
    grey = np.full((90, 130, 3), 200, np.uint8)
    before = grey.copy()
    spore = SpikeSpore(
        amber=(0.1, 0.3, 0.6), density_cv=0.0, wall=(0.0, 0.0), core=(0.0, 0.0), halo=(0.0, 0.0)
    )
    out, truth = spike_in(
        grey, np.array([[60.0, 40.0]]), um_per_px=0.5, blur_um=0.4, rng=np.random.default_rng(1), spore=spore
    )
    assert np.array_equal(grey, before)
    density = -2.2 * np.log10(out / grey.astype(float))
    y, x = np.mgrid[:90, :130]
    weight = density[..., 2]
    # half a pixel of bias from rounding to 8 bits is out of the question over some 300 pixels
    assert (weight * x).sum() / weight.sum() == pytest.approx(truth[0].x_px, abs=0.2)
    assert (weight * y).sum() / weight.sum() == pytest.approx(truth[0].y_px, abs=0.2)
    middle = density[38:43, 58:63].mean((0, 1))
    assert middle[2] == pytest.approx(2 * middle[1], rel=0.06)  # 0.6 over 0.3
    assert middle[2] > middle[1] > middle[0] > 0
    far = np.hypot(x - 60, y - 40) * 0.5 > truth[0].length_um
    assert np.array_equal(out[far], grey[far])
    assert truth[0].countable


def test_blur_lowers_contrast_and_spares_the_noise():
    rng = np.random.default_rng(0)
    noisy = np.clip(180 + rng.normal(0, 4, (120, 120, 3)), 0, 255).astype(np.uint8)
    contrasts, spreads = [], []
    for blur in (0.3, 2.0, 5.0):
        out, truth = spike_in(
            noisy, np.array([[60.0, 60.0]]), um_per_px=0.5, blur_um=blur, rng=np.random.default_rng(3)
        )
        contrasts.append(truth[0].contrast)
        spreads.append(float(np.diff(out[55:65, 55:65, 1].astype(float)).std()))
    assert contrasts[0] > contrasts[1] > contrasts[2]
    assert all(3.5 < s < 9 for s in spreads)  # grain of a difference: 4 times root 2, slopes on top


def test_no_places_and_places_outside():
    grey = np.full((40, 60, 3), 200, np.uint8)
    out, truth = spike_in(grey, np.zeros((0, 2)), um_per_px=0.5, blur_um=1.0, rng=np.random.default_rng(0))
    assert np.array_equal(out, grey)
    assert truth == ()
    out, truth = spike_in(
        grey, np.array([[-500.0, 10.0]]), um_per_px=0.5, blur_um=1.0, rng=np.random.default_rng(0)
    )
    assert np.array_equal(out, grey)
    assert not truth[0].countable
    with pytest.raises(ValueError, match="um_per_px"):
        spike_in(grey, np.zeros((1, 2)), um_per_px=0.0, blur_um=1.0, rng=np.random.default_rng(0))

"""Spiked-in spores darken a photo by the stated density, there and nowhere else."""

import numpy as np
import pytest

from sporecount.simulate.spike import SpikeSpore, SporeCut, cut_spore, place_cuts, spike_in
from sporecount.simulate.truth import SporeTruth


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


def cut_of(rgb: np.ndarray, one, um_per_px: float = 0.5) -> SporeCut:
    return cut_spore(
        rgb, one.x_px, one.y_px, length_um=one.length_um, width_um=one.width_um, angle_deg=one.angle_deg,
        blur_um=one.blur_um, um_per_px=um_per_px,
    )  # fmt: skip


def with_spore(ground: np.ndarray, x: float, y: float) -> tuple[np.ndarray, SporeCut]:
    """A drawn spore on even ground, and its cut-out."""
    rgb, (one,) = spike_in(
        ground, np.array([[x, y]]), um_per_px=0.5, blur_um=0.7, rng=np.random.default_rng(4)
    )
    return rgb, cut_of(rgb, one)


def test_a_copy_on_like_ground_is_the_spore_itself_but_for_its_direction():
    grey = np.full((120, 160, 3), (210, 200, 180), np.uint8)
    rgb, cut = with_spore(grey, 50.0, 60.0)
    around = np.s_[35:86, 25:76]
    for seed in range(6):
        out, (one,) = place_cuts(
            grey, np.array([[50.0, 60.0]]), [cut], um_per_px=0.5, blur_um=np.array([0.7]),
            rng=np.random.default_rng(seed),
        )  # fmt: skip
        ways = [np.rot90(part, turns) for part in (out[around], out[around][:, ::-1]) for turns in range(4)]
        assert min(np.abs(way.astype(int) - rgb[around]).max() for way in ways) <= 2
        assert (one.x_px, one.y_px, one.length_um) == (50.0, 60.0, cut.length_um)


def test_a_copy_darkens_other_ground_by_the_same_share_and_a_blurred_place_blurs_it():
    grey = np.full((120, 160, 3), 200, np.uint8)
    _, cut = with_spore(grey, 50.0, 60.0)

    def placed(level: int, blur: float) -> np.ndarray:
        ground = np.full((120, 160, 3), level, np.uint8)
        rng = np.random.default_rng(0)
        out, _ = place_cuts(
            ground, np.array([[80.0, 60.0]]), [cut], um_per_px=0.5, blur_um=np.array([blur]), rng=rng
        )
        return out / level

    sharp, dim, blurred = placed(200, 0.7), placed(100, 0.7), placed(200, 3.0)
    assert np.abs(sharp - dim).max() < 0.012  # a level of 100
    assert blurred.min() > sharp.min() + 0.1
    assert (1 - blurred).sum() == pytest.approx((1 - sharp).sum(), rel=0.05)


def test_a_copy_keeps_its_size_on_other_pixels_and_its_neighbour_stays_behind():
    grey = np.full((120, 160, 3), 200, np.uint8)
    alone, cut = with_spore(grey, 60.0, 60.0)
    both, _ = spike_in(
        alone, np.array([[60.0, 92.0]]), um_per_px=0.5, blur_um=0.7, rng=np.random.default_rng(5)
    )
    of_both = cut_of(
        both, SporeTruth(60.0, 60.0, cut.length_um, cut.width_um, cut.angle_deg, 1, 0.7, 0, False, 1, True)
    )
    assert np.abs(of_both.gain - cut.gain).max() < 0.03
    out, _ = place_cuts(
        grey,
        np.array([[80.0, 60.0]]),
        [cut],
        um_per_px=0.25,
        blur_um=np.array([0.7]),
        rng=np.random.default_rng(0),
    )
    assert (200 - out.astype(float)).sum() == pytest.approx(4 * (200 - alone.astype(float)).sum(), rel=0.06)


def test_a_copy_from_the_edge_of_a_photo_and_to_another_edge():
    grey = np.full((60, 60, 3), 200, np.uint8)
    rgb, cut = with_spore(grey, 3.0, 30.0)
    out, _ = place_cuts(
        rgb,
        np.array([[58.0, 1.0]]),
        [cut],
        um_per_px=0.5,
        blur_um=np.array([0.7]),
        rng=np.random.default_rng(0),
    )
    assert out.shape == rgb.shape
    assert (out != rgb).any()

"""Copies of a spore look like it, wherever they are placed."""

import numpy as np
import pytest

from sporecount.simulate.copies import SporeCut, cut_spore, place_cuts
from sporecount.simulate.spike import spike_in
from sporecount.simulate.truth import SporeTruth


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


def test_on_coarse_pixels_a_spore_still_has_ground_around_it():
    grey = np.full((40, 40, 3), 200, np.uint8)
    for um_per_px in (2.0, 5.0):
        rgb, (one,) = spike_in(
            grey, np.array([[20.0, 20.0]]), um_per_px=um_per_px, blur_um=0.7, rng=np.random.default_rng(4)
        )
        assert cut_of(rgb, one, um_per_px).gain.min() < 0.95

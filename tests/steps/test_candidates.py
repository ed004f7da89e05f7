"""Candidates: discs and a grating whose answers are known on paper."""

import numpy as np
import pytest

from sporecount.settings import CountSettings
from sporecount.steps.candidates import find_candidates
from tests.steps.drawn import as_flat, as_work, disc_cover, ellipse_cover

SHAPE = (260, 380)
UM_PER_PX = 1.1
SETTINGS = CountSettings()


def search(density, um_per_px=UM_PER_PX, seen=None, noise=0.001):
    work = as_work(np.full((*density.shape, 3), 200, np.uint8), um_per_px, seen)
    return find_candidates(work, as_flat(density, noise), SETTINGS)


def strongest_near(found, x, y, reach):
    near = np.flatnonzero(np.hypot(found.col - x, found.row - y) < reach)
    assert near.size, f"nothing at {x}, {y}"
    return near[np.argmax(found.score[near])]


@pytest.mark.parametrize("um_per_px", [0.8, 1.1, 1.6])
@pytest.mark.parametrize("diameter_um", [7.0, 9.5, 13.0])
def test_disc_is_found_at_its_centre_and_size(um_per_px, diameter_um):
    x, y = 171.3, 96.8
    found = search(0.4 * disc_cover(SHAPE, x, y, diameter_um / um_per_px), um_per_px)
    best = strongest_near(found, x, y, 3 / um_per_px)
    assert best == 0  # strongest first, and nothing else in the picture is stronger
    assert np.hypot(found.col[best] - x, found.row[best] - y) * um_per_px < 0.3
    # sizes are tried in steps of sqrt 2
    assert found.size_um[best] == pytest.approx(diameter_um, rel=0.42)


@pytest.mark.parametrize("density", [0.06, 0.3, 1.2])
def test_answer_grows_with_the_density(density):
    cover = disc_cover(SHAPE, 171.3, 96.8, 9)
    assert search(density * cover).score[0] == pytest.approx(density * search(cover).score[0], rel=1e-3)


@pytest.mark.parametrize(
    ("x", "y"), [(-0.5, 96.0), (379.5, 96.0), (171.0, -0.5), (171.0, 259.5), (-0.5, -0.5)]
)
def test_disc_cut_in_half_by_the_edge_answers_as_a_whole_one(x, y):
    """Beyond its edge the picture is taken to go on as in a mirror, where half a disc is a whole one."""
    whole = search(0.4 * disc_cover(SHAPE, 171.5, 96.0, 9)).score[0]
    found = search(0.4 * disc_cover(SHAPE, x, y, 9))
    assert found.score[0] == pytest.approx(whole, rel=0.05)  # peaks fall between pixels
    assert np.hypot(found.col[0] - x, found.row[0] - y) < 1.0


@pytest.mark.parametrize("shape", [(97, 131), (34, 33), (9, 300)])
def test_places_lie_in_the_picture(shape):
    """Halved twice, an odd side is a pixel too long there."""
    density = np.random.default_rng(3).uniform(0, 0.5, shape)
    density[-6:], density[:, -6:] = 0.9, 0.9
    found = search(density, um_per_px=0.5)
    assert len(found.row) > 0
    assert ((found.row >= 0) & (found.row <= shape[0] - 1)).all()
    assert ((found.col >= 0) & (found.col <= shape[1] - 1)).all()


def test_empty_picture_gives_zero_rows():
    found = search(np.zeros(SHAPE))
    assert [len(column) for column in (found.row, found.col, found.size_um, found.score, found.density)] == [
        0
    ] * 5
    assert found.answers.ndim == 2
    assert found.answers.shape[0] == 0


def test_noise_gives_few():
    """At three standard deviations of the answer about one place in a thousand passes."""
    noise = np.random.default_rng(5).normal(0, 0.02, SHAPE)
    found = search(noise, noise=0.02)
    assert len(found.row) < 0.004 * noise.size


@pytest.mark.parametrize("gap_um", [0.0, 1.5])
@pytest.mark.parametrize("angle_deg", [0.0, 35.0, 90.0])
def test_two_that_touch_side_by_side_are_two(gap_um, angle_deg):
    """Two ovals of 11 x 7 um, flank to flank."""
    turn = np.radians(angle_deg + 90)
    half = (7.0 + gap_um) / 2 / UM_PER_PX
    centres = [(180 + s * half * np.cos(turn), 120 + s * half * np.sin(turn)) for s in (-1, 1)]
    density = sum(
        0.4 * ellipse_cover(SHAPE, x, y, 11 / UM_PER_PX, 7 / UM_PER_PX, angle_deg) for x, y in centres
    )
    found = search(density)
    for x, y in centres:
        assert np.hypot(found.col - x, found.row - y).min() * UM_PER_PX < 2.0


def test_on_a_scale_as_on_card():
    """A step under the spore adds nothing to the answer at its centre."""
    spore = 0.35 * ellipse_cover(SHAPE, 180, 120, 11 / UM_PER_PX, 7 / UM_PER_PX, 20)
    scale = 0.6 * ellipse_cover(SHAPE, 180, 120, 150 / UM_PER_PX, 80 / UM_PER_PX, 70)
    on_card, on_scale = search(spore), search(spore + scale)
    at = strongest_near(on_scale, 180, 120, 2)
    assert on_scale.answers[at] == pytest.approx(on_card.answers[0], rel=0.08)


def test_the_middle_of_a_scale_answers_nothing():
    found = search(0.7 * ellipse_cover(SHAPE, 190, 130, 160 / UM_PER_PX, 90 / UM_PER_PX, 20))
    inside = ellipse_cover(SHAPE, 190, 130, 120 / UM_PER_PX, 55 / UM_PER_PX, 20) > 0.5
    assert not inside[np.round(found.row).astype(int), np.round(found.col).astype(int)].any()


@pytest.mark.parametrize("period_um", [14.0, 20.0])
def test_grating_of_two_waves(period_um):
    """cos kx cos ky: a peak at each crest, with the answer of a difference of Gaussians.

    A Gaussian of standard deviation s multiplies such a wave by exp(-(2 k^2) s^2 / 2) (Fourier transform of a
    Gaussian), so the answer at a crest is exp(-k^2 s^2) - exp(-2 k^2 s^2).
    """
    k = 2 * np.pi / (period_um / UM_PER_PX)
    rows, cols = np.indices(SHAPE)
    found = search(0.5 * np.cos(k * (cols - 11.3)) * np.cos(k * (rows - 7.7)))
    away = (found.row > 40) & (found.row < SHAPE[0] - 40) & (found.col > 40) & (found.col < SHAPE[1] - 40)
    half = np.pi / k
    across, down = (found.col[away] - 11.3) / half, (found.row[away] - 7.7) / half
    assert away.sum() > 40
    assert np.abs(across - np.round(across)).max() * half < 0.15
    assert np.abs(down - np.round(down)).max() * half < 0.15
    assert ((np.round(across) + np.round(down)) % 2 == 0).all()  # crests, never troughs
    area = (SHAPE[0] - 80) * (SHAPE[1] - 80)
    assert away.sum() == pytest.approx(area / (2 * half**2), rel=0.08)
    finest_um = SETTINGS.spore_length_min_um / 1.8 / (2 * np.sqrt(2))
    s = finest_um / UM_PER_PX
    expected = 0.5 * (np.exp(-((k * s) ** 2)) - np.exp(-2 * (k * s) ** 2))
    # sampled kernels of a pixel or two are a few percent off the continuous ones
    assert np.median(found.answers[away, 0]) == pytest.approx(expected, rel=0.06)


def test_outside_the_view_nothing_is_sought():
    seen = np.zeros(SHAPE, bool)
    seen[:, :150] = True
    density = 0.4 * (disc_cover(SHAPE, 80, 100, 9) + disc_cover(SHAPE, 300, 100, 9))
    found = search(density, seen=seen)
    assert len(found.row) > 0
    assert (found.col < 150).all()


def test_inputs_are_left_as_they_were():
    density = (0.4 * disc_cover(SHAPE, 80, 100, 9)).astype(np.float32)
    before = density.copy()
    search(density)
    assert (density == before).all()

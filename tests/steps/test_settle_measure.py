"""From candidates to measured objects: amber ovals whose places, axes and angles are known."""

import numpy as np
import pytest

from sporecount.chain import count_field
from sporecount.settings import CountSettings
from tests.steps.drawn import as_photo, given_scale, lemon_cover, spore_field

SHAPE = (420, 560)
PLACES = [(60.0 + 75 * i + 7 * (j % 3), 55.0 + 70 * j + 5 * (i % 2)) for i in range(4) for j in range(3)]
"""Centres in um, far enough apart that no oval touches another."""


def count(rgb, um_per_px=0.6, **settings):
    return count_field(as_photo(rgb), given_scale(um_per_px), CountSettings(**settings))[0]


def ovals(length_um=11.0, ratio=1.5, seed=0):
    angles = np.random.default_rng(seed).uniform(0, 180, len(PLACES))
    return [
        (x, y, length_um, length_um / ratio, float(angle))
        for (x, y), angle in zip(PLACES, angles, strict=True)
    ]


def matched(result, spores, um_per_px=0.6):
    """Row of the counted object at each oval; each oval has exactly one, and no other is counted."""
    rows = np.flatnonzero(result.counted)
    at = np.column_stack((result.objects.x_px, result.objects.y_px))[rows] * um_per_px
    truth = np.array([one[:2] for one in spores])
    far = np.hypot(at[:, None, 0] - truth[None, :, 0], at[:, None, 1] - truth[None, :, 1])
    nearest = far.argmin(axis=1)
    assert sorted(nearest) == list(range(len(spores)))
    return rows[np.argsort(nearest)], far.min(axis=1)


@pytest.mark.parametrize("um_per_px", [0.4, 0.6, 0.9])
def test_each_oval_once_at_its_place(um_per_px):
    shape = tuple(round(side * 0.6 / um_per_px) for side in SHAPE)
    spores = ovals()
    result = count(spore_field(shape, spores, um_per_px), um_per_px)
    _, far_um = matched(result, spores, um_per_px)
    assert np.median(far_um) < 0.8
    assert far_um.max() < 2.0


@pytest.mark.parametrize(("inside_um", "counts"), [(3.0, 1), (0.6, 1), (-3.0, 0)])
def test_what_hangs_over_the_edge_from_outside_does_not_count(inside_um, counts):
    """As with a counting chamber: a thing belongs to the field in which its centre lies."""
    spores = [*ovals(), (inside_um, 130.0, 11.0, 7.3, 90.0)]
    result = count(spore_field(SHAPE, spores, 0.6))
    at_edge = result.counted & (result.objects.x_px < 15) & (np.abs(result.objects.y_px * 0.6 - 130) < 6)
    assert at_edge.sum() == counts
    assert result.tally.spores == len(PLACES) + counts


@pytest.mark.parametrize("length_um", [9.5, 11.0, 13.0])
def test_axes_angle_and_area(length_um):
    spores = ovals(length_um, seed=3)
    result = count(spore_field(SHAPE, spores, 0.6, cover=lemon_cover))
    rows, _ = matched(result, spores)
    objects = result.objects
    # a flat shape without a rim reads a tenth too long; of rendered spores of two recipes that the networks did
    # not see, the middle ratio of read to true length is 0.99 and 1.04
    assert np.median(objects.length_um[rows]) == pytest.approx(length_um, rel=0.15)
    assert np.median(objects.width_um[rows]) == pytest.approx(length_um / 1.5, rel=0.15)
    turn = (objects.angle_deg[rows] - [one[4] for one in spores] + 90) % 180 - 90
    assert np.median(np.abs(turn)) < 5
    assert np.abs(turn).max() < 20
    lemon = np.pi / 4 * 0.94 * objects.length_um * objects.width_um
    assert objects.area_um2 == pytest.approx(lemon)
    assert (objects.clump[rows] == 1).all()
    assert not objects.on_scale[rows].any()


def test_longer_is_longer():
    lengths = [
        np.median(result.objects.length_um[result.counted])
        for result in (count(spore_field(SHAPE, ovals(length), 0.6)) for length in (9.5, 11.0, 12.5, 14.0))
    ]
    assert lengths == sorted(lengths)


def test_um_do_not_depend_on_the_pixels():
    """The same print at two camera resolutions."""
    typical = []
    for um_per_px in (0.45, 0.9):
        shape = tuple(round(side * 0.6 / um_per_px) for side in SHAPE)
        result = count(spore_field(shape, ovals(seed=5), um_per_px), um_per_px)
        rows, _ = matched(result, ovals(seed=5), um_per_px)
        typical.append(
            [np.median(column[rows]) for column in (result.objects.length_um, result.objects.width_um)]
        )
    assert typical[0] == pytest.approx(typical[1], rel=0.06)


def test_amber_and_density_are_measured():
    """Amber absorbs blue more than red; twice the density measures about twice."""
    pale = count(spore_field(SHAPE, ovals(), 0.6, density=0.35))
    dark = count(spore_field(SHAPE, ovals(), 0.6, density=0.70))
    assert np.median(pale.objects.amber[pale.counted]) > 1.5
    ratio = np.median(dark.objects.optical_density[dark.counted]) / np.median(
        pale.objects.optical_density[pale.counted]
    )
    assert ratio == pytest.approx(2.0, rel=0.15)


def test_sharp_edges_measure_sharper():
    sharp, soft = (
        np.median(result.objects.sharpness[result.counted])
        for result in (count(spore_field(SHAPE, ovals(), 0.6, blur_um=blur)) for blur in (0.8, 1.6))
    )
    assert sharp > soft


@pytest.mark.parametrize("angle_deg", [0.0, 50.0])
def test_two_side_by_side_are_two_and_a_clump(angle_deg):
    turn = np.radians(angle_deg + 90)
    spores = []
    for x, y in PLACES[::3]:
        spores += [
            (x + s * 3.9 * np.cos(turn), y + s * 3.9 * np.sin(turn), 11.0, 7.3, angle_deg) for s in (-1, 1)
        ]
    result = count(spore_field(SHAPE, spores, 0.6))
    assert abs(int(result.counted.sum()) - len(spores)) <= 1  # one of a touching pair may stay in doubt
    assert (result.objects.clump[result.counted] == 2).mean() >= 0.7


def test_far_apart_are_no_clump():
    result = count(spore_field(SHAPE, ovals(), 0.6))
    assert (result.objects.clump[result.counted] == 1).all()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_empty_card_gives_no_spore(seed):
    result = count(spore_field(SHAPE, [], 0.6, seed=seed))
    assert result.tally.spores == 0
    assert not result.counted.any()
    assert result.tally.spores_low == 0
    assert np.isnan(result.tally.spore_length_um)


@pytest.mark.parametrize("level", [0, 128, 255])
def test_a_plain_picture_gives_zero_rows(level):
    result = count(np.full((*SHAPE, 3), level, np.uint8))
    assert len(result.objects) == 0
    assert result.kinds.probability.shape[0] == 0
    assert result.counted.shape == (0,)
    assert result.tally.spores == 0


def test_probabilities_are_probabilities():
    result = count(spore_field(SHAPE, ovals(), 0.6))
    assert result.kinds.probability.sum(axis=1) == pytest.approx(1.0, abs=1e-5)
    assert (result.kinds.probability >= 0).all()
    assert (result.counted == (result.kinds.spore >= 0.5)).all()


def test_the_same_photo_gives_the_same_answer():
    rgb = spore_field(SHAPE, ovals(), 0.6)
    before = rgb.copy()
    one, two = count(rgb), count(rgb.copy())
    assert (rgb == before).all()
    assert one.tally == two.tally
    for name in ("x_px", "y_px", "length_um", "angle_deg", "sharpness"):
        assert (getattr(one.objects, name) == getattr(two.objects, name)).all()


def test_answers_are_read_only():
    result = count(spore_field(SHAPE, ovals(), 0.6))
    with pytest.raises(ValueError, match="read-only"):
        result.objects.x_px[0] = 0
    with pytest.raises(ValueError, match="read-only"):
        result.kinds.probability[0, 0] = 0

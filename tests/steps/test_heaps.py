"""Spores that lie upon each other: how many are hidden is known, since they were laid there."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from sporecount.chain import count_field
from sporecount.records import Clutter, Objects
from sporecount.settings import CountSettings
from sporecount.simulate.spike import spike_in
from sporecount.steps.heaps import hidden_in_heaps
from tests.steps.drawn import as_flat, as_photo, as_work, ellipse_cover, given_scale, picture, spore_field

UM_PER_PX = 1.2
SHAPE = (190, 260)
LENGTH_UM, WIDTH_UM, DENSITY = 11.0, 7.5, 0.3
HEAP = [(90.0 + 11.5 * i, 80.0 + 8.0 * j) for i in range(4) for j in range(3)]
"""Centres in um of twelve outlines that touch."""

ALONE = [(40.0 + 55 * i, 180.0) for i in range(4)] + [(230.0, 60.0), (240.0, 120.0)]


def drawn(layers, blur_um=0.8, ground=0.0):
    """Density of the heap, outline k lying `layers[k]` deep, and of the spores by themselves, on a ground."""
    density = np.zeros(SHAPE)
    for (x, y), deep in zip(HEAP + ALONE, [*layers, *[1] * len(ALONE)], strict=True):
        density += (
            deep
            * DENSITY
            * ellipse_cover(SHAPE, x / UM_PER_PX, y / UM_PER_PX, LENGTH_UM / UM_PER_PX, WIDTH_UM / UM_PER_PX)
        )
    return cv2.GaussianBlur(density, (0, 0), blur_um / UM_PER_PX) + ground


def objects(places):
    count, in_heap = len(places), np.isin(np.arange(len(places)), np.arange(len(HEAP)))
    at = np.reshape(places, (count, 2)) / UM_PER_PX
    known = {
        "x_px": at[:, 0],
        "y_px": at[:, 1],
        "length_um": np.full(count, LENGTH_UM),
        "width_um": np.full(count, WIDTH_UM),
        "area_um2": np.full(count, np.pi / 4 * LENGTH_UM * WIDTH_UM),
        "clump": np.where(in_heap, len(HEAP), 1),
        "on_scale": in_heap,  # neighbours make the surroundings dark
    }
    columns = {name: known.get(name, np.zeros(count)) for name in Objects.__dataclass_fields__}
    return Objects(**columns)


def hidden(density, places=HEAP + ALONE, counted=None, unexamined=None, negative=False):
    examined = np.ones(SHAPE, bool)
    if unexamined is not None:
        examined[unexamined] = False
    clutter = Clutter(np.zeros(SHAPE, np.uint8), examined)
    work = replace(as_work(picture(density), UM_PER_PX), negative=negative)
    counted = np.ones(len(places), bool) if counted is None else counted
    return hidden_in_heaps(work, as_flat(density), clutter, objects(places), counted)


@pytest.mark.parametrize("blur_um", [0.3, 0.8, 1.6])
@pytest.mark.parametrize("layers", [[2] * 12, [3] * 12, [1, 2, 3] * 4, [1, 1, 4] * 4])
def test_what_lies_beneath_is_told_by_its_density(layers, blur_um):
    """To a tenth, from the number beneath to a quarter more, which is allowed for what blur takes."""
    beneath = sum(layers) - len(HEAP)
    assert 0.9 * beneath <= hidden(drawn(layers, blur_um)) <= 1.1 * 1.25 * beneath


@pytest.mark.parametrize("blur_um", [0.3, 0.8, 1.6])
def test_a_group_that_touches_and_shows_all_its_spores_hides_none(blur_um):
    assert hidden(drawn([1] * 12, blur_um)) == 0


def test_a_scale_under_all_of_a_heap_or_half_of_it_is_not_taken_for_spores():
    wide = np.zeros(SHAPE)
    wide[40:120, 40:140] = 0.5
    half = wide.copy()
    half[:, 91:] = 0
    for scale in (wide, half):
        assert hidden(drawn([1] * 12, ground=scale)) == 0
        assert hidden(drawn([3] * 12, ground=scale)) == pytest.approx(1.25 * 24, rel=0.15)


def test_grain_adds_none():
    rng = np.random.default_rng(3)
    for _ in range(5):
        grain = rng.normal(0, 0.03, SHAPE)
        assert hidden(drawn([1] * 12) + grain) == 0
        assert hidden(drawn([2] * 12) + grain) == pytest.approx(1.25 * 12, rel=0.2)


def test_without_a_spore_by_itself_the_faintest_outlines_stand_for_one():
    density = drawn([1, 1, 4] * 4)
    told = hidden(density, HEAP)
    assert 12 <= told <= 30
    assert hidden(drawn([1] * 12), HEAP) < 5


def test_fewer_than_ten_are_no_heap_nor_is_what_was_not_examined():
    counted = np.arange(len(HEAP) + len(ALONE)) >= 3
    assert hidden(drawn([3] * 12), counted=counted) == 0
    assert hidden(drawn([3] * 12), unexamined=np.s_[40:120, 40:140]) == 0
    assert hidden(np.zeros(SHAPE), places=[], counted=np.zeros(0, bool)) == 0


def test_an_opaque_thing_that_is_not_examined_adds_none():
    opaque, place = drawn([1] * 12), np.s_[82:85, 80:92]
    opaque[place] += 2.0
    assert hidden(opaque) > 5
    assert hidden(opaque, unexamined=place) == 0


def test_a_negative_tells_nothing():
    assert hidden(drawn([3] * 12), negative=True) == 0


def heaped(spores, radius_um, seed, um_per_px=0.6):
    """Simulated: spores within a disc upon drawn things on card, and a dozen by themselves."""
    rng = np.random.default_rng(seed)
    things = [(150.0, 174.0, 90.0, 45.0, 20.0), (420.0, 120.0, 95.0, 48.0, 70.0)]
    rgb = spore_field((700, 900), things, um_per_px, density=0.5)
    far, way = radius_um * np.sqrt(rng.uniform(0, 1, spores)), rng.uniform(0, 2 * np.pi, spores)
    heap = np.stack((450 + far * np.cos(way) / um_per_px, 370 + far * np.sin(way) / um_per_px), axis=1)
    alone = np.stack((70 + 70 * np.arange(12), 620 + 15 * (np.arange(12) % 2)), axis=1)
    for place in np.concatenate((heap, alone)):
        rgb, _ = spike_in(rgb, place[None], um_per_px=um_per_px, blur_um=0.8, rng=rng)
    return rgb, spores + len(alone)


@pytest.mark.parametrize(("spores", "radius_um"), [(40, 30), (200, 50), (400, 60)])
def test_a_heap_too_dense_to_resolve_has_a_wide_interval_and_a_reason(spores, radius_um):
    rgb, truth = heaped(spores, radius_um, seed=spores)
    tally = count_field(as_photo(rgb), given_scale(0.6), CountSettings())[0].tally
    assert tally.spores < 0.9 * truth
    assert tally.spores_low <= truth <= tally.spores_high <= 1.5 * truth
    assert "crowded" in tally.reasons


def test_resolved_spores_side_by_side_are_not_crowded():
    """Twelve that touch by their sides, three times over, and some by themselves."""
    rows = [(60 + 130 * k + 11.5 * i, 80.0 + 8.3 * j) for k in range(3) for i in range(4) for j in range(3)]
    ovals = [(x, y, 11.0, 7.3, 0.0) for x, y in rows + [(60.0 + 60 * i, 200.0) for i in range(7)]]
    tally = count_field(as_photo(spore_field((420, 800), ovals, 0.6)), given_scale(0.6), CountSettings())[
        0
    ].tally
    assert tally.spores == len(ovals)
    assert tally.hidden_in_heaps == 0

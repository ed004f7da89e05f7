"""Two spores under one lemon: pairs drawn so that their overlap is known, and crops reckoned point by point."""

from types import SimpleNamespace

import numpy as np
import pytest

import sporecount.chain
from sporecount.chain import count_field
from sporecount.settings import CountSettings
from sporecount.steps.lemon import along_and_across, x_and_y
from sporecount.steps.twofold import _lemons, part_twofold
from tests.benchmarks.scorecard import detect
from tests.recipes.scoring import score_photo
from tests.recipes.trekker import draw_photo
from tests.steps.drawn import as_photo, given_scale, lemon_cover, spore_field
from tests.steps.test_settle_measure import PLACES, SHAPE

EVERY_OTHER = PLACES[::2]


def pairs_and_singles(length_um, apart_in_lengths, seed):
    """Twelve places: at every other one two spores, whose centres lie so far apart in any direction."""
    rng = np.random.default_rng(seed)
    spores = []
    for x, y in PLACES:
        half = apart_in_lengths * length_um / 2 if (x, y) in EVERY_OTHER else 0.0
        turn = rng.uniform(0, 2 * np.pi)
        for way in (-1, 1) if half else (1,):
            place = x + way * half * np.cos(turn), y + way * half * np.sin(turn)
            spores.append((*place, length_um, length_um / 1.5, float(rng.uniform(0, 180))))
    return spores


@pytest.mark.parametrize(
    ("length_um", "apart_in_lengths"),
    [(9.5, 0.5), (9.5, 0.6), (11.0, 0.4), (11.0, 0.5), (13.0, 0.4), (13.0, 0.5)],
)
def test_spores_that_overlap_by_half_are_two(length_um, apart_in_lengths):
    spores = pairs_and_singles(length_um, apart_in_lengths, seed=3)
    result, _ = count_field(
        as_photo(spore_field(SHAPE, spores, 0.6, cover=lemon_cover)), given_scale(0.6), CountSettings()
    )
    at = np.column_stack((result.objects.x_px, result.objects.y_px))[result.counted] * 0.6
    near = [int((np.hypot(*(at - place).T) < length_um).sum()) for place in PLACES]
    wanted = [2 if place in EVERY_OTHER else 1 for place in PLACES]
    # one that is doubtful may stay uncounted; before, up to six of the six pairs counted as one
    assert sum(abs(one - other) for one, other in zip(near, wanted, strict=True)) <= 1
    assert len(at) == sum(near)


def test_alone_nothing_is_parted(monkeypatch):
    """Lemons far apart, long and round ones among them, stay one each."""
    spores = [
        (x, y, 11.0, 11.0 / ratio, 40.0 * number)
        for number, ((x, y), ratio) in enumerate(zip(PLACES, np.linspace(1.3, 2.0, len(PLACES)), strict=True))
    ]
    got = []

    def noted(*arguments):
        got.append((arguments[2], part_twofold(*arguments)[0]))
        return part_twofold(*arguments)

    monkeypatch.setattr(sporecount.chain, "part_twofold", noted)
    count_field(
        as_photo(spore_field(SHAPE, spores, 0.6, cover=lemon_cover)), given_scale(0.6), CountSettings()
    )
    ((before, after),) = got
    assert len(before.row) >= len(PLACES)
    assert after is before


def test_in_heaps_more_is_found_and_hardly_more_that_is_none(monkeypatch):
    """A recipe that the network never saw, with the step and without."""
    photos = [
        draw_photo(np.random.default_rng(seed), width_px=700, height_px=560, preset="heavy")
        for seed in range(5)
    ]

    def hits_and_false():
        scores = [score_photo(photo, detect(photo.rgb, photo.um_per_px, photo.objective)) for photo in photos]
        return sum(one.hits for one in scores), sum(one.false for one in scores)

    hits, false = hits_and_false()
    monkeypatch.setattr(sporecount.chain, "part_twofold", lambda *arguments: arguments[2:5])
    hits_without, false_without = hits_and_false()
    assert hits > hits_without
    assert false - false_without < (hits - hits_without) / 2


def test_crops_show_the_lemons_that_lie_in_them():
    """Laid in by one step for the columns and one for the rows; here each point by itself."""
    rng, count, step_um, um_per_px = np.random.default_rng(0), 60, 0.6, 1.4
    looks = SimpleNamespace(
        length_um=rng.uniform(6, 12, count).astype(np.float32),
        width_um=rng.uniform(4, 6, count).astype(np.float32),
        angle_deg=rng.uniform(0, 180, count).astype(np.float32),
    )
    things = SimpleNamespace(row=rng.uniform(0, 30, count), col=rng.uniform(0, 30, count), looks=looks)
    side = (np.arange(32) - 15.5) * step_um
    along, across = np.meshgrid(side, side)
    wanted = np.zeros((count, 2, 32, 32))
    for own in range(count):
        x, y = x_and_y(along, across, looks.angle_deg[own])
        for other in range(count):
            from_x = x + (things.col[own] - things.col[other]) * um_per_px
            from_y = y + (things.row[own] - things.row[other]) * um_per_px
            on, off = along_and_across(from_x, from_y, looks.angle_deg[other])
            axes = np.hypot(on / looks.length_um[other] * 2, off / looks.width_um[other] * 2)
            channel = wanted[own, int(own != other)]
            np.maximum(channel, np.clip(3 - 2 * axes, 0, 1), out=channel)
    np.testing.assert_allclose(_lemons(things, step_um, um_per_px), wanted, atol=1e-4)

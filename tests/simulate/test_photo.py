"""Truth of the physical simulator of prints: it repeats, agrees with its own picture, its sizes are right."""

import json
from dataclasses import replace

import numpy as np
import pytest

from sporecount.simulate.canvas import Canvas, View
from sporecount.simulate.painters import paint
from sporecount.simulate.photo import draw_photo, truth_to_json
from sporecount.simulate.print_photos import draw_session
from sporecount.simulate.ranges import PRESETS
from sporecount.simulate.shapes import lemon_area_um2
from sporecount.simulate.things import KIND, LOW, Thing
from sporecount.simulate.truth import KIND_NAMES

SPORE = KIND_NAMES.index("spore")

BARE = replace(
    PRESETS["good_focus"],
    spores=(1, 1),
    no_spore_share=0.0,
    amber_density=(0.7, 0.8),
    clumped_share=(0.0, 0.0),
    scale_cover=(0.0, 0.0),
    piece_rate=(1e-9, 1e-9),
    hair_rate=(1e-9, 1e-9),
    fibre_rate=(1e-9, 1e-9),
    bubble_rate=(1e-9, 1e-9),
    microbubble_rate=(1e-9, 1e-9),
    oval_bubble_rate=(1e-9, 1e-9),
    conidia_rate=(1e-9, 1e-9),
    yellow_rate=(1e-9, 1e-9),
    flake_rate=(1e-9, 1e-9),
    pollen_rate=(1e-9, 1e-9),
    dust_rate=(1e-9, 1e-9),
    mould_rate=(1e-9, 1e-9),
    droplet_rate=(1e-9, 1e-9),
    ridge_rate=(1e-9, 1e-9),
    ink_share=0.0,
    card_share=0.0,
    focus_blur_um=(0.0, 0.1),
    focus_spread_um=(0.0, 0.1),
    card_wave_um=(0.0, 0.0),
    round_view_share=0.0,
    shade=(0.0, 0.0),
    dirt_share=0.0,
    distortion_k1=(0.0, 0.0),
    noise=(0.002, 0.003),
    sharpen=(0.0, 0.0),
    contrast=(1.0, 1.0),
    saturation=(1.0, 1.0),
    level=(0.6, 0.7),
    jpeg_quality=(95, 97),
)
"""A bare print: spores on clear film, in focus, an honest phone."""


@pytest.mark.parametrize("preset", sorted(PRESETS))
def test_the_same_seed_gives_the_same_photo(preset):
    first, second = (
        draw_photo(np.random.default_rng(7), width_px=180, height_px=140, preset=preset) for _ in range(2)
    )
    assert np.array_equal(first.rgb, second.rgb)
    assert np.array_equal(first.kind_map, second.kind_map)
    assert first.spores == second.spores
    other = draw_photo(np.random.default_rng(8), width_px=180, height_px=140, preset=preset)
    assert not np.array_equal(first.rgb, other.rgb)


def test_an_unhidden_spore_lies_on_spore_pixels_of_its_own_area():
    checked = 0
    for seed in range(8):
        photo = draw_photo(
            np.random.default_rng(seed), width_px=420, height_px=300, um_per_px=0.5, objective=10, spores=40
        )
        for spore in photo.spores:
            if spore.visible == 1.0:
                assert photo.kind_map[round(spore.y_px), round(spore.x_px)] == SPORE
                checked += 1
            assert 0 <= spore.visible <= 1
            assert 0 <= spore.angle_deg < 180
            assert spore.length_um >= spore.width_um
            assert not spore.countable or spore.visible >= 0.5
    assert checked > 60


def test_the_area_on_the_map_is_the_area_of_the_outline():
    # Some 400 pixels inside the outline: rounding its edge to whole pixels moves the area by less than 3 %;
    # the slightly pointed ends that an ellipse may get take up to 3 % more.
    table = replace(BARE, spore_pointed=(0.0, 0.0))
    checked = 0
    for seed in range(10):
        photo = draw_photo(
            np.random.default_rng(seed),
            width_px=210,
            height_px=150,
            um_per_px=0.4,
            objective=10,
            spores=1,
            ranges=table,
        )
        spore = photo.spores[0]
        if spore.visible == 1.0:
            expected = lemon_area_um2(spore.length_um, spore.width_um, 0.0)
            assert expected == pytest.approx(np.pi / 4 * spore.length_um * spore.width_um, rel=1e-3)
            assert (photo.kind_map == SPORE).sum() * 0.4**2 == pytest.approx(expected, rel=0.06)
            checked += 1
    assert checked >= 6


def test_an_isolated_dark_blob_has_the_area_and_colour_of_its_spore():
    """Blue density above 0.3 of its peak: half of the step at the rim, where the body starts at about 0.6.

    Within 25 % of the ellipse: rim, core and pointed ends move the edge by up to half a micrometre.
    """
    checked = 0
    for seed in range(12):
        photo = draw_photo(
            np.random.default_rng(seed),
            width_px=500,
            height_px=380,
            um_per_px=0.4,
            objective=10,
            spores=5,
            ranges=BARE,
        )
        empty = np.median(photo.rgb.reshape(-1, 3), axis=0) / 255
        for spore in photo.spores:
            x, y = round(spore.x_px), round(spore.y_px)
            reach = int(0.8 * spore.length_um / photo.um_per_px)
            if (
                not (reach < x < 500 - reach and reach < y < 380 - reach)
                or spore.clump > 1
                or spore.visible < 1
            ):
                continue
            near = [
                s for s in photo.spores if s is not spore and np.hypot(s.x_px - x, s.y_px - y) < 2.5 * reach
            ]
            if near:
                continue
            part = photo.rgb[y - reach : y + reach, x - reach : x + reach] / 255
            density = -np.log10(np.maximum(part, 1 / 255) / empty)
            blue = density[..., 2]
            inside = blue > 0.3 * np.percentile(blue, 97)
            area = inside.sum() * photo.um_per_px**2
            assert area == pytest.approx(np.pi / 4 * spore.length_um * spore.width_um, rel=0.25)
            assert density[inside, 2].mean() > density[inside, 1].mean() > density[inside, 0].mean()
            checked += 1
    assert checked >= 15


@pytest.mark.parametrize(("um_per_px", "objective"), [(0.14, 40), (0.5, 10), (1.3, 4)])
def test_places_are_exact_at_each_objective_and_under_distortion(um_per_px, objective):
    """A spore's shadow has its centroid within 0.25 um and a quarter pixel of the truth (noise, JPEG)."""
    table = replace(BARE, distortion_k1=(0.02, 0.02), lateral_colour=(1e-9, 1e-9), fringe=(1e-3, 1e-3))
    worst: list[float] = []
    for seed in range(40):
        if len(worst) == 5:
            break
        photo = draw_photo(
            np.random.default_rng(seed),
            width_px=330,
            height_px=250,
            um_per_px=um_per_px,
            objective=objective,
            spores=1,
            ranges=table,
        )
        spore = photo.spores[0]
        reach = round((0.6 * spore.length_um + 3 * spore.blur_um) / um_per_px)
        x, y = round(spore.x_px), round(spore.y_px)
        if spore.visible < 1 or not (reach < x < 329 - reach and reach < y < 249 - reach):
            continue
        rows, cols = np.mgrid[y - reach : y + reach + 1, x - reach : x + reach + 1]
        green = photo.rgb[rows, cols, 1].astype(float)
        dark = np.clip(np.median(photo.rgb[..., 1]) - green - 8, 0, None)
        at = np.array([(dark * cols).sum(), (dark * rows).sum()]) / dark.sum()
        worst.append(np.hypot(*(at - (spore.x_px, spore.y_px))))
    assert len(worst) == 5
    assert max(worst) < 0.25 / um_per_px + 0.25


def test_within_sample_spread_and_shape_follow_the_ranges():
    photo = draw_photo(
        np.random.default_rng(1),
        width_px=900,
        height_px=700,
        um_per_px=1.1,
        objective=10,
        spores=400,
        ranges=BARE,
    )
    lengths = np.array([s.length_um for s in photo.spores])
    ratio = lengths / [s.width_um for s in photo.spores]
    assert 8 < np.median(lengths) < 16
    assert 0.03 < np.percentile(lengths, 75) / np.percentile(lengths, 25) - 1 < 0.25
    assert 1.2 < np.median(ratio) < 1.9


def test_spores_outside_the_round_view_are_not_countable():
    table = replace(BARE, round_view_share=1.0)
    photo = draw_photo(
        np.random.default_rng(4),
        width_px=400,
        height_px=300,
        um_per_px=1.0,
        objective=10,
        spores=250,
        ranges=table,
    )
    cx, cy, radius = photo.notes["round_view"]
    away = [
        np.hypot(s.x_px - 199.5 - cx * 300, s.y_px - 149.5 - cy * 300) / (radius * 300) for s in photo.spores
    ]
    assert max(away) > 1.2
    assert not any(s.countable for s, r in zip(photo.spores, away, strict=True) if r > 1.05)
    assert any(s.countable for s in photo.spores)


def test_a_session_shows_the_same_spores_where_its_photos_overlap_or_repeat():
    made = draw_session(
        np.random.default_rng(11),
        photos=4,
        width_px=300,
        height_px=220,
        um_per_px=0.8,
        spores_per_mm2=900,
        overlap_share=0.6,
        refocus_share=0.4,
        ranges=replace(BARE, distortion_k1=(0.0, 0.0)),
    )
    everywhere = set()
    for photo, place in zip(made.photos, made.places_um, strict=True):
        for spore in photo.spores:
            x = place[0] + (spore.x_px - 149.5) * 0.8
            y = place[1] + (spore.y_px - 109.5) * 0.8
            everywhere.add((round(x, 3), round(y, 3)))
    assert len(everywhere) == pytest.approx(made.spores_in_view, abs=2)  # centres on the very edge
    assert len(everywhere) < sum(len(p.spores) for p in made.photos)
    assert 0.8**2 * 300 * 220 * 1e-6 < made.covered_mm2 < 4 * 0.8**2 * 300 * 220 * 1e-6


def test_truth_is_json_and_says_that_it_is_simulated():
    photo = draw_photo(np.random.default_rng(2), width_px=120, height_px=90, spores=3)
    table = json.loads(json.dumps(truth_to_json(photo, "a_1.jpg")))
    assert table["simulated"] is True
    assert table["schema_version"] == 1
    assert (table["width_px"], table["height_px"]) == (120, 90)
    assert len(table["spores"]) == len(photo.spores)


def test_an_unknown_preset_is_refused_with_the_known_ones():
    with pytest.raises(ValueError, match="ordinary"):
        draw_photo(np.random.default_rng(0), width_px=50, height_px=50, preset="nice")


@pytest.mark.parametrize("light", ["below", "above"])
def test_a_glue_ridge_of_which_one_row_lies_in_the_photo_is_drawn(light):
    """A slope needs two pixels; what only grazes the border shows none."""
    view = View(80, 60, 1.0, 0.0, 0.0, 0.0, 80, 60)
    line = np.column_stack([np.linspace(-20, 20, 9), np.zeros(9)])
    look = {
        "width_um": 14.0, "taper": 0.0, "density": np.zeros(3), "edge": 0.1, "core": 0.0, "index": 0.1,
        "tilt": 0.3,
    }  # fmt: skip
    shown = []
    for y_um in np.arange(-40.0, 40.0, 0.5):
        canvas = Canvas(view, above=light == "above")
        ridge = Thing("strand", KIND["bubble"], LOW, 0.0, float(y_um), 0.0, line, look)
        if (drawn := paint(canvas, ridge)) is not None:
            shown.append(drawn[0][3] - drawn[0][1])
            assert all(np.isfinite(one).all() for one in canvas.density)
    assert min(shown) == 1

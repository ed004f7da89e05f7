"""The collage style of simulated photos: its truth must be what the picture shows, however that is rendered."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.simulate.collage import colours, draw_photo, laws, outlines, textures, truths
from sporecount.simulate.collage.canvas import Canvas
from sporecount.simulate.collage.recipe import PRESETS
from sporecount.simulate.collage.surroundings import Surroundings
from sporecount.simulate.collage.things import PAINTERS
from sporecount.simulate.truth import KIND_NAMES

SPORE = KIND_NAMES.index("spore")


def photo(seed, preset="ordinary", **more):
    size = {"width_px": 420, "height_px": 340} | more
    return draw_photo(np.random.default_rng(seed), preset=preset, **size)


def test_same_state_gives_the_same_photo_and_another_another():
    first, again, other = photo(5), photo(5), photo(6)
    np.testing.assert_array_equal(first.rgb, again.rgb)
    np.testing.assert_array_equal(first.kind_map, again.kind_map)
    assert first.spores == again.spores
    assert first.notes == again.notes
    assert not np.array_equal(first.rgb, other.rgb)


@pytest.mark.parametrize("preset", PRESETS)
def test_record_holds_to_its_contract(preset):
    for seed in range(3):
        p = photo([seed, 12], preset)
        assert p.rgb.shape == (340, 420, 3)
        assert p.rgb.dtype == np.uint8
        assert p.kind_map.shape == (340, 420)
        assert p.kind_map.dtype == np.uint8
        assert p.notes["style"] == "collage"
        assert p.notes["preset"] == preset
        if preset == "no_spores":
            assert p.spores == ()
            assert not (p.kind_map == SPORE).any()
        for s in p.spores:
            assert 0.0 <= s.visible <= 1.0
            assert 0.0 <= s.angle_deg < 180.0
            assert 1.2 <= s.length_um / s.width_um <= 2.0
            assert s.clump >= 1
            assert -0.5 <= s.x_px < 419.5
            assert -0.5 <= s.y_px < 339.5
            if s.countable:
                assert s.visible > 0.5
                assert s.blur_um <= 0.261 * s.length_um


def test_outline_of_a_fully_visible_spore_is_where_the_map_says():
    """Pixels that the map calls spore against the truth's ellipse; a lemon fills 0.75 to 1 of its ellipse."""
    checked = []
    for seed in range(10):
        p = photo([seed, 22], "good_focus", um_per_px=0.6)
        y, x = np.mgrid[:340, :420]
        for s in p.spores:
            reach = s.length_um / p.um_per_px
            if (
                s.visible < 0.999
                or s.clump > 1
                or not reach < s.x_px < 419 - reach
                or not reach < s.y_px < 339 - reach
            ):
                continue
            turn = np.radians(s.angle_deg)
            along = (
                ((x - s.x_px) * np.cos(turn) + (y - s.y_px) * np.sin(turn)) * 2 / s.length_um * p.um_per_px
            )
            across = (
                ((y - s.y_px) * np.cos(turn) - (x - s.x_px) * np.sin(turn)) * 2 / s.width_um * p.um_per_px
            )
            far = np.hypot(along, across)
            checked.append(
                (
                    (p.kind_map == SPORE)[far < 1].mean(),
                    (p.kind_map == SPORE)[(far > 1.15) & (far < 1.5)].mean(),
                )
            )
    inside, outside = np.array(checked).T
    assert len(checked) > 20
    assert inside.min() > 0.7
    assert np.median(outside) == 0.0


def test_spores_are_seen_by_their_contrast_whatever_the_noise_hides():
    """Equal ellipses in white noise of 8 levels: 3 levels nobody sees, 60 everybody; darker means denser."""
    rng = np.random.default_rng(4)
    depths = np.repeat([0.0, 3.0, 60.0, 90.0], 6)
    grey = np.full((200, 300), 170.0)
    owner = np.full(grey.shape, -1)
    y, x = np.mgrid[:200, :300]
    laid = np.array([(25.0 + 50 * (k % 6), 25.0 + 50 * (k // 6), 10.0, 6.5, 0.5 * k) for k in range(24)])
    for number, (cx, cy, long, wide, turn) in enumerate(laid):
        along = (x - cx) * np.cos(turn) + (y - cy) * np.sin(turn)
        across = (y - cy) * np.cos(turn) - (x - cx) * np.sin(turn)
        inside = np.hypot(along / long, across / wide) < 1
        owner[inside] = number
        grey[inside] -= depths[number]
    noisy = np.clip(grey + rng.normal(0, 8, grey.shape), 0, 255).astype(np.uint8)
    photo_like = np.repeat(noisy[..., None], 3, axis=2)
    density, seen = truths.stands_out(photo_like, owner, laid, np.ones(24))
    assert not seen[depths < 10].any()
    assert seen[depths > 50].all()
    means = [density[depths == depth].mean() for depth in (0.0, 60.0, 90.0)]
    assert abs(means[0]) < 0.02
    assert means[0] < means[1] < means[2]


def test_countable_spores_differ_from_what_lies_around():
    """Mean of the outline against its surroundings, in display values, all ways of rendering together."""
    differ = []
    for seed in range(8):
        p = photo([seed, 32], "hard", um_per_px=0.6)
        grey = p.rgb.astype(float).mean(axis=2)
        for s in p.spores:
            half = round(1.1 * s.length_um / p.um_per_px)
            row, col = round(s.y_px), round(s.x_px)
            if not s.countable or min(row, col) < half or row + half > 339 or col + half > 419:
                continue
            box = np.s_[row - half : row + half + 1, col - half : col + half + 1]
            spore = p.kind_map[box] == SPORE
            differ.append(abs(grey[box][spore].mean() - np.median(grey[box][~spore])))
    assert len(differ) > 50
    assert np.median(differ) > 12


def test_every_kind_and_every_way_of_rendering_occurs():
    photos = [photo([seed, 43], um_per_px=0.9) for seed in range(36)]
    kinds = {KIND_NAMES[k] for p in photos for k in np.unique(p.kind_map)}
    assert kinds == set(KIND_NAMES)
    assert {p.notes["rendering"] for p in photos} >= set(laws.FAMILIES) - {"any"}
    assert {p.notes["light"] for p in photos} == {"above", "below"}
    named = {p.notes["open_picture"] for p in photos if p.notes["backdrop"] == "open picture"}
    assert named
    assert named <= set(textures.OPEN_PICTURES.values())
    assert all(p.notes["open_picture"] == "" for p in photos if p.notes["backdrop"] != "open picture")


@pytest.mark.parametrize("name", textures.OPEN_PICTURES)
def test_open_picture_is_a_real_texture_from_a_package(name):
    field = textures.open_picture(name)
    assert min(field.shape) >= 90
    assert abs(field.mean()) < 0.2
    assert 0.6 < field.std() < 1.1


@pytest.mark.parametrize("name", PAINTERS)
def test_each_look_alike_marks_the_picture_under_an_honest_kind(name):
    changed = 0.0
    for seed in range(4):
        rng = np.random.default_rng([seed, 52])
        canvas = Canvas(
            np.full((260, 300, 3), 0.8, np.float32), 0.4, rng.standard_normal((64, 64)).astype(np.float32)
        )
        pair = np.array([0.4, 0.2, 0.1], np.float32), np.array([0.9, 0.7, 0.5], np.float32)
        around = Surroundings(laws.random_law(rng, 1.0, True, 12.0), pair, 12.0, 1.0, True, 0.5, 0.5)
        PAINTERS[name](rng, canvas, around, 60.0, 52.0)
        assert not np.isin(canvas.kind, (SPORE, KIND_NAMES.index("scale"))).any()
        assert np.isfinite(canvas.rgb).all()
        changed = max(changed, float(np.abs(canvas.rgb - 0.8).max()))
    assert changed > 0.1


def test_angular_things_keep_away_from_the_size_of_a_spore_where_blur_would_round_them():
    rng = np.random.default_rng(3)
    law = laws.random_law(rng, 1.0, True, 12.0)
    pair = np.zeros(3, np.float32), np.ones(3, np.float32)
    sharp, blurred = (Surroundings(law, pair, 12.0, 1.0, True, 0.5, fine) for fine in (0.4, 2.0))
    in_sharp = np.array([sharp.odd_length(rng, 3.0, 30.0) for _ in range(200)]) / 12.0
    in_blurred = np.array([blurred.odd_length(rng, 3.0, 30.0) for _ in range(200)]) / 12.0
    assert ((in_sharp > 0.5) & (in_sharp < 1.9)).mean() > 0.3
    assert not ((in_blurred > 0.46) & (in_blurred < 1.99)).any()


@pytest.mark.parametrize(("point", "area"), [(0.0, np.pi / 4), (1.0, 2 / 3)])
def test_oval_runs_from_an_ellipse_to_two_parabolas(point, area):
    """Areas in the box of the axes: pi/4 for an ellipse, 2/3 for two parabolic arcs (Archimedes)."""
    one = outlines.Outline(0, 0, 6.0, 4.0, 0.3, outlines.oval(point))
    assert outlines.area_um2(one) == pytest.approx(area * 12 * 8, rel=0.01)


@pytest.mark.parametrize("base", [(0.9, 0.9, 0.9), (0.55, 0.5, 0.4), (0.6, 0.62, 0.6)])
def test_spores_keep_their_brown_against_any_card_and_mould_has_none(base):
    base = np.array(base, np.float32)
    for seed in range(60):
        rng = np.random.default_rng(seed)
        for one in colours.kept_brown(colours.brown_pair(rng), base):
            red, green, blue = one / base
            assert red > green >= blue
            assert blue <= 0.81 * red
        red, green, _ = colours.mould_pair(rng)[0]
        assert green >= 0.99 * red


def test_relative_depth_is_one_on_the_outline():
    one = outlines.Outline(5.0, -2.0, 6.0, 4.0, 0.7, np.ones(outlines.DIRECTIONS))
    t = np.linspace(0, 2 * np.pi, 50)
    x = 5 + 6 * np.cos(t) * np.cos(0.7) - 4 * np.sin(t) * np.sin(0.7)
    y = -2 + 6 * np.cos(t) * np.sin(0.7) + 4 * np.sin(t) * np.cos(0.7)
    depth, reach, _, _ = outlines.relative_places(one, x, y)
    np.testing.assert_allclose(depth, 1.0, atol=1e-4)
    np.testing.assert_allclose(reach, np.hypot(x - 5, y + 2), rtol=1e-4)


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"preset": "easy"}, "preset must be one of"),
        ({"um_per_px": 0.0}, "um_per_px must lie between"),
        ({"width_px": 10}, "must be at least 64"),
    ],
)
def test_refuses_bad_calls(given, message):
    with pytest.raises(ValueError, match=message):
        photo(1, **given)

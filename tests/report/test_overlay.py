"""The picture of a field: what must be visible where, on bright card and on dark scales."""

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image

from sporecount.records import CLUTTER_KINDS, FieldPreview, RoundView, Scale
from sporecount.report.drawing import cased_lines, ellipse_arcs, hatch_tile, nice_length, paint_tile
from sporecount.report.lettering import plain, shorten, text_mask, text_width, wrap
from sporecount.report.overlay import overlay_jpeg
from sporecount.report.sorts import objects_to_show, sort_objects
from sporecount.settings import CountSettings
from tests.report.examples import make_field, make_kinds, make_objects, make_photo, make_preview


def decode(data):
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)


def empty_preview(field, zoom=1.0):
    shape = (round(field.height_px * zoom), round(field.width_px * zoom))
    return FieldPreview(
        np.zeros((*shape, 3), np.uint8), np.zeros(shape, np.uint8), np.zeros(shape, bool), zoom
    )


def one_object(x_px, y_px, *, spore=0.99, ground=230, size=(1200, 900), angle=30.0):
    """A field without a seen edge, one object of 40 x 20 px drawn on an even ground, 1 µm per px."""
    field = make_field(1, doubtful=0, size=size, um_per_px=1.0)
    objects = make_objects(np.random.default_rng(0), 1, *size)
    columns = {name: getattr(objects, name).copy() for name in objects.__dataclass_fields__}
    columns["x_px"][:], columns["y_px"][:], columns["angle_deg"][:] = x_px, y_px, angle
    columns["length_um"][:], columns["width_um"][:] = 40.0, 20.0
    field = replace(
        field,
        objects=type(objects)(**columns),
        kinds=make_kinds(np.array([spore])),
        counted=np.array([spore >= 0.5]),
        view=RoundView(size[0] / 2, size[1] / 2, 750.0, False),
    )
    return field, np.full((size[1], size[0], 3), ground, np.uint8)


@pytest.mark.parametrize("ground", [20, 128, 245])
@pytest.mark.parametrize("spore", [0.99, 0.6, 0.3])
def test_an_outline_lies_around_its_object_and_stands_out_on_any_ground(ground, spore):
    field, photo = one_object(700, 300, spore=spore, ground=ground)
    drawn = decode(overlay_jpeg(photo, field, empty_preview(field)))[:900]
    changed = np.abs(drawn - ground).max(axis=-1)
    # WCAG 2.2, 1.4.11, asks graphics for 3:1; a light and a dark line together pass it on every grey
    near = drawn[250:350, 640:760].mean(axis=-1)
    luminance = [
        ((np.clip(v / 255, 0, 1) + 0.055) / 1.055) ** 2.4 + 0.05 for v in (near.min(), near.max(), ground)
    ]
    assert max(luminance[1] / luminance[2], luminance[2] / luminance[0]) > 3
    assert changed[300, 700] < 12, "the object itself must stay visible"
    along = np.radians(30)
    for side in (1, -1):  # just outside each tip of the long axis
        x, y = 700 + side * 24 * np.cos(along), 300 + side * 24 * np.sin(along)
        assert changed[round(y) - 4 : round(y) + 5, round(x) - 4 : round(x) + 5].max() > 40


def test_spores_that_touch_end_to_end_keep_both_their_inside_and_the_place_where_they_meet():
    """12 by 8 um at 1 px per um: outlines as wide as of a single spore would cover what lies between them."""
    field, photo = one_object(400, 400, ground=128, angle=0.0)
    columns = {
        name: np.repeat(getattr(field.objects, name), 3) for name in field.objects.__dataclass_fields__
    }
    columns["x_px"][:] = 400, 412, 800
    columns["length_um"][:], columns["width_um"][:] = 12.0, 8.0
    field = replace(
        field,
        objects=type(field.objects)(**columns),
        kinds=make_kinds(np.full(3, 0.99)),
        counted=np.ones(3, bool),
    )
    drawn = decode(overlay_jpeg(photo, field, empty_preview(field)))[:900]
    changed = np.abs(drawn - 128).max(axis=-1) > 40
    for x in (400, 412, 800):
        assert not changed[399:402, x - 2 : x + 3].any()
    assert changed[380:420, 390:425].any(axis=1).sum() < changed[380:420, 790:811].any(axis=1).sum()


def test_sure_is_a_closed_line_and_doubtful_a_broken_one():
    """Told apart in grey, by the line alone."""
    closed = {}
    for spore in (0.99, 0.3):
        field, photo = one_object(700, 300, spore=spore, ground=128)
        grey = decode(overlay_jpeg(photo, field, empty_preview(field))).mean(axis=-1)
        bright = (grey[200:400, 600:800] > 165).astype(np.uint8)
        _, _, stats, _ = cv2.connectedComponentsWithStats(bright)
        closed[spore] = (
            int((stats[1:, cv2.CC_STAT_WIDTH] > 30).sum()),
            int((stats[1:, cv2.CC_STAT_AREA] > 8).sum()),
        )
    assert closed[0.99] == (1, 1)
    assert closed[0.3][0] == 0
    assert closed[0.3][1] >= 5


def test_counted_and_open_doubt_differ_by_a_filled_and_a_hollow_mark():
    centres = []
    for spore in (0.6, 0.3):
        field, photo = one_object(700, 300, spore=spore, ground=128)
        grey = decode(overlay_jpeg(photo, field, empty_preview(field))).mean(axis=-1)
        solid = cv2.erode((grey[240:300, 700:760] > 180).astype(np.uint8), np.ones((4, 4), np.uint8))
        centres.append(int(solid.sum()))
    assert centres[0] > 0
    assert centres[1] == 0


@pytest.mark.parametrize("size", [(4032, 3024), (3024, 4032), (800, 600), (90, 60)])
def test_the_picture_is_never_wider_than_planned(size):
    field = make_field(5, size=size, um_per_px=1800 / min(size))
    photo = make_photo(field)
    drawn = decode(overlay_jpeg(photo, field, make_preview(photo, field)))
    assert 400 <= drawn.shape[1] <= 1800


def test_the_same_input_gives_the_same_bytes_and_leaves_the_photo_alone():
    field = make_field(30, flag="recheck", reasons=("ambiguous-objects",))
    photo = make_photo(field)
    preview = make_preview(photo, field)
    before = photo.copy()
    assert overlay_jpeg(photo, field, preview) == overlay_jpeg(photo, field, preview)
    np.testing.assert_array_equal(photo, before)


def test_left_out_parts_are_hatched_where_they_are_and_nowhere_else():
    field, photo = one_object(1000, 800, ground=128)
    preview = empty_preview(field, 0.5)
    left_out = preview.left_out.copy()
    left_out[100:200, 100:200] = 1 + CLUTTER_KINDS.index("bubble")
    drawn = decode(overlay_jpeg(photo, field, FieldPreview(preview.rgb, left_out, preview.blurred, 0.5)))
    touched = np.abs(drawn[:900] - 128).max(axis=-1) > 30
    assert 0.15 < touched[205:395, 205:395].mean() < 0.7
    assert touched[100:190, 210:390].mean() == 0
    assert touched[205:395, 410:500].mean() == 0


def test_blurred_parts_are_dotted_lightly():
    field, photo = one_object(1000, 800, ground=128)
    preview = empty_preview(field, 0.5)
    blurred = preview.blurred.copy()
    blurred[100:200, 100:200] = True
    drawn = decode(overlay_jpeg(photo, field, FieldPreview(preview.rgb, preview.left_out, blurred, 0.5)))
    touched = np.abs(drawn[:900] - 128).max(axis=-1) > 30
    assert 0.01 < touched[205:395, 205:395].mean() < 0.2
    assert touched[100:190, 210:390].mean() == 0


def test_scale_bar_has_the_length_it_names():
    field, photo = one_object(1000, 200, ground=128)
    drawn = decode(overlay_jpeg(photo, field, empty_preview(field)))[:900]
    # 1 µm per px, picture as wide as the photo: 22 % of 1200 px, rounded down to a nice length, are 200 µm
    bright = (drawn[600:900, :600].min(axis=-1) > 200).sum(axis=1)
    assert bright.max() == pytest.approx(200, abs=3)  # JPEG smears an edge by a pixel or so


def test_no_objects_no_numbers_and_2000_objects_are_drawn():
    for field in (make_field(0), make_field(2000, doubtful=300, size=(1600, 1200))):
        photo = make_photo(field)
        assert decode(overlay_jpeg(photo, field, make_preview(photo, field))).size
    field = make_field(4, doubtful=2)
    columns = {name: getattr(field.objects, name).copy() for name in field.objects.__dataclass_fields__}
    columns["x_px"][0] = columns["length_um"][1] = columns["angle_deg"][2] = columns["length_um"][3] = np.nan
    columns["y_px"][2] = 1e12
    broken = replace(
        field,
        objects=type(field.objects)(**columns),
        scale=Scale(1.0, source="assumed"),
        sample="",
        photo="",
        tally=replace(
            field.tally, in_focus=float("nan"), examined_mm2=float("nan"), reasons=("not-in-the-list",)
        ),
    )
    photo = make_photo(field)
    assert decode(overlay_jpeg(photo, broken, make_preview(photo, field))).size


def test_a_number_hides_no_spore_beside_its_object():
    """A sure spore lies where the number of the doubtful one would stand: its middle stays as in the photo."""
    field, photo = one_object(600, 300, spore=0.6)
    columns = {
        name: np.repeat(getattr(field.objects, name), 2) for name in field.objects.__dataclass_fields__
    }
    columns["x_px"][1], columns["y_px"][1] = 631, 279
    field = replace(
        field,
        objects=type(field.objects)(**columns),
        kinds=make_kinds(np.array([0.6, 0.99])),
        counted=np.array([True, True]),
    )
    drawn = decode(overlay_jpeg(photo, field, empty_preview(field)))[:900]
    assert np.abs(drawn[278:281, 630:633] - 230).max() < 40  # JPEG smears the lines around it
    assert np.abs(drawn[240:360, 560:720] - 230).max() > 100  # and yet it stands somewhere


def test_a_number_does_not_lie_on_the_word_of_a_left_out_patch():
    """Where the number would stand, the patch's word is: its letters are the same without the object."""
    field, photo = one_object(600, 300, spore=0.6)
    preview = empty_preview(field, 1.0)
    left_out = preview.left_out.copy()
    left_out[270:290, 610:690] = 1 + CLUTTER_KINDS.index("glare")
    preview = FieldPreview(preview.rgb, left_out, preview.blurred, 1.0)
    away, _ = one_object(100, 700, spore=0.6)
    with_object, without = (
        decode(overlay_jpeg(photo, one, preview))[268:292, 628:668] for one in (field, away)
    )
    changed = np.abs(with_object - without).max(axis=-1) > 60
    assert changed.mean() < 0.02  # the lines beside it smear in a JPEG


@pytest.mark.parametrize(
    "name", ["a\nb\tc", "\ud800 broken", "x" * 500, "Ünïcødé ✓ 漢字", "\u202eright to left", ""]
)
def test_any_name_can_be_drawn(name):
    field = make_field(3, sample=name, photo=f"{name}.jpg")
    photo = make_photo(field)
    assert decode(overlay_jpeg(photo, field, make_preview(photo, field))).size
    assert text_mask(name, 14).shape[0] == 18


def test_below_the_picture_the_cause_of_the_flag_stands_first_however_the_reasons_came():
    field = make_field(3, flag="unusable")
    photo = make_photo(field)
    preview = make_preview(photo, field)
    captions = {
        overlay_jpeg(photo, replace(field, tally=replace(field.tally, reasons=reasons)), preview)
        for reasons in (("low-power", "out-of-focus"), ("out-of-focus", "low-power"))
    }
    assert len(captions) == 1


def test_every_kind_has_a_hatching_of_its_own():
    tiles = [hatch_tile(index, 16) for index in range(len(CLUTTER_KINDS))]
    for light, dark in tiles:
        assert not (light & dark).any()
        assert 0.05 < (light > 0).mean() < 0.4
    for one in range(len(tiles)):
        for other in range(one):
            assert (tiles[one][0] != tiles[other][0]).mean() > 0.05


def test_hatchings_differ_by_their_directions_not_by_their_spacing_alone():
    """In a patch of two periods nobody tells a spacing; a line that runs along, down or aslant, anybody."""
    ways = set()
    for index in range(len(CLUTTER_KINDS)):
        light = hatch_tile(index, 16)[0] > 0
        ways.add((light.all(axis=1).any(), light.all(axis=0).any()))
    assert len(ways) == len(CLUTTER_KINDS)


def test_painting_stays_inside_its_mask():
    picture = np.full((50, 70, 3), 128, np.uint8)
    where = np.zeros((50, 70), np.uint8)
    where[10:30, 20:60] = 1
    paint_tile(picture, where, hatch_tile(1, 8))
    changed = (picture != 128).any(axis=-1)
    assert changed[10:30, 20:60].any()
    assert not changed[where == 0].any()


def test_arcs_lie_on_the_ellipse():
    for arcs, gap in ((1, 0.0), (5, 0.4)):
        curves = ellipse_arcs(
            np.array([[10.0, 20.0]]), np.array([[8.0, 5.0]]), np.array([30.0]), arcs=arcs, gap=gap
        )
        assert len(curves) == arcs
        x, y = (curves.reshape(-1, 2) - (10, 20)).T
        turn = np.radians(30)
        along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
        np.testing.assert_allclose((along / 8) ** 2 + (across / 5) ** 2, 1, atol=1e-12)


def test_lines_far_outside_do_no_harm():
    picture = np.zeros((20, 30, 3), np.uint8)
    cased_lines(picture, [np.array([[-1e15, -1e15], [1e15, 1e15]])], (255, 255, 255))
    cased_lines(picture, np.zeros((0, 3, 2)), (255, 255, 255))
    assert picture.any()


@pytest.mark.parametrize(
    ("wanted", "nice"), [(1, 1), (1.99, 1), (2, 2), (4.9, 2), (5, 5), (99, 50), (0.3, 0.2), (720, 500)]
)
def test_nice_lengths(wanted, nice):
    assert nice_length(wanted) == pytest.approx(nice)


def test_text_is_cut_to_its_room():
    long = "a-very-long-name-of-a-photo-in-a-folder/IMG_000123.jpg"
    assert text_width(shorten(long, 16, 150), 16) <= 150
    assert shorten(long, 16, 150).endswith("jpg")
    assert shorten("short", 16, 150) == "short"
    lines = wrap("one two three four five six seven eight nine ten " * 4, 16, 160, 3)
    assert len(lines) == 3
    assert all(text_width(line, 16) <= 160 for line in lines)
    assert plain("a\nb\x00\ud800") == "a b??"


def test_sorts_are_disjoint_and_follow_the_bounds():
    field = make_field(60, doubtful=20)
    sorts = sort_objects(field)
    groups = [set(sorts.sure), set(sorts.doubtful_counted), set(sorts.doubtful_open)]
    assert sum(map(len, groups)) == len(set.union(*groups))
    assert (field.kinds.spore[sorts.sure] >= 0.85).all()
    assert set(np.flatnonzero(field.counted)) == groups[0] | groups[1]
    doubtful, sure = objects_to_show(field)
    from_line = np.abs(field.kinds.spore[doubtful] - CountSettings().count_from)
    assert (np.diff(from_line) >= 0).all()
    assert len(sure) == 12

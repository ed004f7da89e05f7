"""Area of a print from overview photos: figures whose area is known on paper, and what must be refused."""

from dataclasses import replace
from math import pi

import cv2
import numpy as np
import pytest

from sporecount.records import Photo, RoundView, Scale
from sporecount.settings import CountSettings
from sporecount.stats.captured import PrintArea
from sporecount.steps.extent import PrintExtent, extent_of
from sporecount.steps.overview import Overview, find_scales
from sporecount.steps.print_area import area_of, at_least_examined, print_area
from sporecount.steps.print_tally import tally_print
from tests.steps.drawn import OVERVIEW_SIZE, drawn_print, picture
from tests.steps.drawn import OVERVIEW_UM_PER_PX as UM_PER_PX
from tests.steps.made_fields import make_field

WIDTH, HEIGHT = OVERVIEW_SIZE
SCALE = Scale(UM_PER_PX, 0.002 * UM_PER_PX, "profile", 4.0)


def looked_at(rgb: np.ndarray, name: str = "overview_4x.jpg", scale: Scale = SCALE) -> Overview:
    height, width = rgb.shape[:2]
    whole = RoundView((width - 1) / 2, (height - 1) / 2, float(np.hypot(width, height) / 2), found=False)
    return find_scales(Photo(rgb, name), whole, scale)


def polygon_mm2(outlines) -> float:
    return abs(sum(cv2.contourArea(np.asarray(one, np.float32), oriented=True) for one in outlines)) * 1e-6


@pytest.mark.parametrize(
    ("half_um", "cover", "angle_deg"),
    [((900, 900), 0.35, 0), ((1500, 600), 0.35, 30), ((1300, 1000), 0.12, 0), ((700, 500), 0.6, 70)],
)
def test_area_of_an_ellipse(half_um, cover, angle_deg):
    """Within the stated range, and within a seventh: a scale's length is that share of such a print."""
    true_mm2 = pi * half_um[0] * half_um[1] * 1e-6
    extent = extent_of([looked_at(drawn_print(half_um, cover=cover, angle_deg=angle_deg))])
    assert extent.reason == ""
    assert extent.low_mm2 < true_mm2 < extent.high_mm2
    assert extent.area_mm2 == pytest.approx(true_mm2, rel=0.15)
    assert extent.high_mm2 / extent.low_mm2 < 2.25  # narrower than the default
    assert polygon_mm2(extent.outlines_um) == pytest.approx(extent.area_mm2, rel=0.05)


def test_area_grows_with_the_square_of_the_scale_and_a_turn_changes_little():
    photo = drawn_print((900, 700))
    first = extent_of([looked_at(photo)])
    turned = extent_of([looked_at(np.ascontiguousarray(np.rot90(photo)))])
    assert turned.area_mm2 == pytest.approx(first.area_mm2, rel=0.03)
    finer = extent_of([looked_at(photo, scale=replace(SCALE, um_per_px=3.6, um_per_px_u=0.0072))])
    assert finer.area_mm2 == pytest.approx(0.81 * first.area_mm2, rel=0.08)


def test_an_uncertain_scale_widens_the_range():
    photo = drawn_print((900, 700))
    sure = extent_of([looked_at(photo)])
    unsure = extent_of([looked_at(photo, scale=replace(SCALE, um_per_px_u=0.08 * UM_PER_PX))])
    assert unsure.high_mm2 / unsure.low_mm2 > 1.2 * sure.high_mm2 / sure.low_mm2
    assert unsure.area_mm2 == sure.area_mm2


def test_a_print_that_reaches_beyond_the_photo_is_not_measured_but_known_to_be_larger():
    extent = extent_of([looked_at(drawn_print((2600, 900)))])
    assert extent.reason == "overview-too-narrow"
    assert np.isnan(extent.area_mm2)
    shown = pi * 2600 * 900 * 1e-6 * 0.79  # the photo is 4.4 mm wide: 2200 of the 2600 um to each side
    assert 0.7 * shown < extent.at_least_mm2 < 1.25 * shown


def test_two_overlapping_photos_show_what_neither_shows_alone():
    """A print of 5 mm, of which each photo shows 4.4; the second is moved by 2 mm."""
    wide = drawn_print((2500, 1000), size=(1600, HEIGHT))
    left, right = (np.ascontiguousarray(wide[:, at : at + WIDTH]) for at in (0, 500))
    assert {extent_of([looked_at(one)]).reason for one in (left, right)} == {"overview-too-narrow"}
    joined = extent_of([looked_at(left, "a.jpg"), looked_at(right, "b.jpg")])
    whole = extent_of([looked_at(wide, "wide.jpg")])
    assert set(joined.photos) == {"a.jpg", "b.jpg"}
    assert joined.reason == whole.reason == ""
    assert joined.area_mm2 == pytest.approx(whole.area_mm2, rel=0.06)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_bare_card_has_no_outline(seed):
    extent = extent_of([looked_at(drawn_print((900, 700), cover=1e-9, seed=seed, ground=0.03))])
    assert extent.reason == "overview-unclear"


def test_an_overview_of_a_few_um_shows_no_print():
    tiny = looked_at(np.full((40, 40, 3), 200, np.uint8), scale=Scale(0.3))
    assert extent_of([tiny]).reason == "overview-unclear"


def test_scattered_scales_have_no_outline_that_could_be_trusted():
    extent = extent_of([looked_at(drawn_print((3000, 2500), cover=0.01))])
    assert extent.reason in ("overview-unclear", "overview-too-narrow")


def test_fibres_are_no_print():
    rng = np.random.default_rng(8)
    density = np.zeros((HEIGHT, WIDTH), np.float32)
    for _ in range(25):
        ends = rng.uniform(100, [[WIDTH - 100, HEIGHT - 100]] * 2).astype(int)
        cv2.line(density, tuple(ends[0]), tuple(ends[1]), 0.6, 4, cv2.LINE_AA)  # 16 um wide
    assert extent_of([looked_at(picture(density, 0.7, grain=0.008))]).reason == "overview-unclear"


def test_the_range_reaches_further_than_the_rules_differ():
    """They take in a little too much rather than too little, so most of all downwards."""
    extent = extent_of([looked_at(drawn_print((900, 700)))])
    assert extent.area_mm2 / extent.low_mm2 >= np.exp(1.25 * 0.06) * (1 - 1e-6)
    assert extent.high_mm2 / extent.area_mm2 >= np.exp(0.06) * (1 - 1e-6)


def test_a_guessed_scale_gives_no_area():
    guess = Scale(UM_PER_PX, 0.3 * UM_PER_PX, "assumed", None)
    assert extent_of([looked_at(drawn_print((900, 700)), scale=guess)]).reason == "overview-scale"


MEASURED = PrintExtent(("a.jpg",), 21.0, 17.0, 24.0, 21.0, (np.array([[0.0, 0], [5, 0], [0, 5]]),))
NARROW = replace(MEASURED, area_mm2=np.nan, low_mm2=np.nan, high_mm2=np.nan, reason="overview-too-narrow")


def test_the_more_particular_area_goes_first():
    default, entered = CountSettings(), CountSettings(print_area_mm2=45.0)
    assert print_area(default).source == "default"
    assert print_area(default).area.high / print_area(default).area.low > 2
    assert print_area(entered).area == PrintArea(45.0, 45.0 * 0.9, 45.0 * 1.1)
    assert print_area(entered, MEASURED).area == PrintArea(21.0, 17.0, 24.0)
    assert print_area(entered, MEASURED, 33.0).area.mm2 == 33.0
    assert print_area(entered, MEASURED, 33.0).source == "entered"


def test_what_could_not_be_measured_leaves_the_default_and_says_so():
    known = print_area(CountSettings(), NARROW)
    assert known.area == print_area(CountSettings()).area  # 21 mm2 in view tell nothing new
    assert known.reasons == ("overview-too-narrow",)
    larger = print_area(CountSettings(), replace(NARROW, at_least_mm2=75.0))
    assert (larger.area.mm2, larger.area.low) == (75.0, 75.0)
    assert larger.area.high > 90


def test_more_examined_than_there_is_is_a_contradiction():
    known = print_area(CountSettings(), MEASURED)
    assert at_least_examined(known, 23.0) == known
    raised = at_least_examined(known, 30.0)
    assert raised.area.low == 30.0
    assert raised.reasons == ("area-contradicted",)


def test_a_tally_rests_on_the_area_and_keeps_it():
    fields = [make_field([0.99] * 8, number=i, examined_mm2=1.5) for i in (1, 2, 3)]
    small = tally_print(fields, CountSettings(), area=print_area(CountSettings(), MEASURED))
    usual = tally_print(fields, CountSettings())
    assert small.density_per_mm2 == usual.density_per_mm2
    assert small.load_high < 0.6 * usual.load_high
    assert small.could_hide < usual.could_hide
    assert small.print_area_source == "measured"
    assert area_of(small) == print_area(CountSettings(), MEASURED)
    assert tally_print(fields, CountSettings(), area=area_of(small)) == small

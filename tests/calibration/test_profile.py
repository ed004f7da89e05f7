"""Profiles, checks, the guard at count time, and scales without a ruling."""

from __future__ import annotations

import json
from dataclasses import asdict, replace

import cv2
import numpy as np
import pytest

from sporecount.calibration import (
    AdapterProfile,
    approximate_profile,
    build_profile,
    check_drift,
    check_objectives,
    compare_profiles,
    field_diameter_um,
    fingerprint,
    match_profile,
    profile_from_json,
    read_ruling,
    scale_from_length,
    scale_from_view,
    stated,
)
from sporecount.calibration.plausible import check_length
from sporecount.errors import CalibrationError
from sporecount.records import SIMULATED_CAMERA, Photo, RoundView
from sporecount.report.certificate import certificate_html, line_charts, marked_ruling
from sporecount.report.scale_map import scale_map
from tests.calibration.ruling_renderer import Light, Rig, Ruling, render

PROFILE = AdapterProfile(
    "bench", 10.0, 0.5, 0.0002, 4000, 3000, camera="Maker A1", digital_zoom=1.0, view_diameter_px=2800.0
)


@pytest.fixture(scope="module")
def reading():
    photo = render(Rig(480, 360, 1.2, 25), Ruling(10, 2, -15, 15), Light(1.0), np.random.default_rng(1))
    return read_ruling(photo, division_um=10, objective=10)


def test_textbook_field_diameters():
    # textbook relation, field number / magnification: FN 18 gives 4.5, 1.8 and 0.45 mm at 4x, 10x and 40x
    assert [field_diameter_um(18, one) / 1000 for one in (4, 10, 40)] == pytest.approx([4.5, 1.8, 0.45])
    assert scale_from_view(900, objective=10, field_number_mm=18).um_per_px == pytest.approx(1.0)


def test_uncertainty_of_a_scale_from_the_view_agrees_with_monte_carlo():
    rng = np.random.default_rng(2)
    n = 200_000
    radius, objective, number = (
        900 * (1 + 0.01 * rng.normal(size=n)),
        10 * (1 + 0.03 * rng.normal(size=n)),
        18 * (1 + 0.02 * rng.normal(size=n)),
    )
    drawn = 1000 * number / objective / (2 * radius)
    stated = scale_from_view(900, objective=10, field_number_mm=18)
    assert stated.um_per_px_u == pytest.approx(drawn.std(), rel=0.02)  # second order terms are below 1 %
    assert stated.reasons == ("uncalibrated",)


def test_uncertainty_of_a_scale_from_a_length_agrees_with_monte_carlo():
    rng = np.random.default_rng(3)
    ends = np.array([10, 20, 310, 420]) + rng.normal(0, 2.0, (100_000, 4))
    tilt = 1 + 0.01 * rng.normal(size=100_000)
    drawn = (
        (1000 + 5 * rng.normal(size=100_000))
        / np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
        * tilt
    )
    stated = scale_from_length((10, 20, 310, 420), length_um=1000, length_u_um=5)
    assert stated.um_per_px == pytest.approx(2.0)
    assert stated.um_per_px_u == pytest.approx(drawn.std(), rel=0.02)
    assert "approximate-scale" in stated.reasons


@pytest.mark.parametrize("length", [0.0, -1.0, float("nan")])
def test_bad_lengths_give_no_number(length):
    with pytest.raises(CalibrationError) as caught:
        scale_from_length((0, 0, 300, 0), length_um=length)
    assert caught.value.code == "bad-length"


def test_drawing_a_length_again_takes_the_mean_and_adds_its_spread():
    once = scale_from_length((0, 0, 600, 0), length_um=300, thing="a bar")
    assert once.how == "From an object 300 um long (a bar), marked over 600 px."
    lengths = np.array([596.0, 604.0, 606.0])
    lines = [(5.0, 7.0, 5.0 + 0.6 * one, 7.0 + 0.8 * one) for one in lengths]  # any place and direction
    three = scale_from_length(*lines, length_um=300)
    assert three.um_per_px == pytest.approx(300 / lengths.mean())
    # JCGM 100:2008, 4.2.3: the variance of a mean of n is s^2 / n; 2 px an end, and 1 % for the tilt
    relative = np.sqrt(
        2 * (2 / lengths.mean()) ** 2 + lengths.var(ddof=1) / 3 / lengths.mean() ** 2 + 0.01**2
    )
    assert three.um_per_px_u == pytest.approx(three.um_per_px * relative)
    same = scale_from_length((0, 0, 600, 0), (0, 0, 600, 0), length_um=300)
    assert same.um_per_px_u == pytest.approx(once.um_per_px_u)  # the same fault twice is no surer


@pytest.mark.parametrize("drawings", [1, 3])
def test_drawn_lengths_cover_the_truth(drawings):
    # geometry only: true length between two places anywhere in tilted and bent views, ends marked to 2 px
    rng = np.random.default_rng(8)
    far = []
    while len(far) < 600:
        rig = Rig(1600, 1200, 0.8, 0.0, rng.uniform(-0.03, 0.03), *rng.uniform(-0.02, 0.02, 2))
        turn, away = rng.uniform(0, 2 * np.pi, 2), 540 * np.sqrt(rng.uniform(0, 1, 2))
        x, y = 799.5 + away * np.cos(turn), 599.5 + away * np.sin(turn)
        if np.hypot(*np.diff([x, y]).ravel()) < 70:
            continue
        true_um = float(np.hypot(*np.diff(rig.to_um(x, y)).ravel()))
        ends = np.array([x[0], y[0], x[1], y[1]])
        scale = scale_from_length(
            *(tuple(ends + rng.normal(0, 2, 4)) for _ in range(drawings)), length_um=true_um
        )
        far.append((scale.um_per_px - rig.um_per_px) / scale.um_per_px_u)
    # 93 % is the bar for a ruling; 600 draws scatter by 1 %
    assert np.mean(np.abs(far) <= 2) >= 0.95


@pytest.mark.parametrize(
    ("lines", "code"),
    [
        ([], "ends-too-near"),
        ([(10, 10, 40, 49)], "ends-too-near"),
        ([(10, 10, 400, 10), (10, 10, 450, 10)], "drawings-disagree"),
        ([(-0.6, 10, 400, 10)], "end-off-photo"),
        ([(10, 10, 400, 299.6)], "end-off-photo"),
        ([(10, 10, float("nan"), 10)], "end-off-photo"),
    ],
)
def test_drawings_that_give_no_scale(lines, code):
    with pytest.raises(CalibrationError) as caught:
        scale_from_length(*lines, length_um=300, photo_px=(640, 300))
    assert caught.value.code == code
    assert scale_from_length((-0.5, 0, 639.5, 299.5), length_um=300, photo_px=(640, 300)).um_per_px > 0


@pytest.mark.parametrize(("factor", "told"), [(1, "fits"), (1.3, "remark"), (2, "refused"), (0.5, "refused")])
def test_a_length_is_checked_against_the_round_view(factor, told):
    # textbook relation: field number 18 at 10x is 1.8 mm; 900 px across, so 2 um a pixel
    def check(**rig):
        known = {"objective": 10, "field_number_mm": 18, "view_radius_px": 450} | rig
        return check_length(factor * 1000, 500, **known)

    if told == "refused":
        with pytest.raises(CalibrationError, match="about 1000 um long"):
            check()
    else:
        assert len(check()) == (told == "remark")
    for unknown in ({"objective": None}, {"view_radius_px": None}):
        assert "could not be checked" in check(**unknown)[0]


def test_several_readings_join_and_name_the_stray(reading):
    scales = [1.2000, 1.2006, 1.1995, 1.2003, 1.26]
    several = [(f"photo {i}", replace(reading, um_per_px=one)) for i, one in enumerate(scales)]
    profile = build_profile(several, name="bench", date="2026-11-25")
    assert profile.left_out == ("photo 4",)
    assert profile.rulings == 4
    assert profile.um_per_px == pytest.approx(np.mean(scales[:4]), rel=2e-4)
    assert profile.spread == pytest.approx(np.std(scales[:4], ddof=1) / 1.2, rel=0.01)


def test_joined_uncertainty_covers_the_truth():
    # Monte Carlo: 400 calibrations of 4 photos that scatter by more than each photo knows of itself
    rng = np.random.default_rng(4)
    photo = render(Rig(480, 360, 1.2, 25), Ruling(10, 2, -15, 15), Light(1.0), rng)
    base = read_ruling(photo, division_um=10)
    inside = 0
    for _ in range(400):
        scales = 1.2 * (1 + 0.0006 * rng.normal(size=4))
        own = replace(base, um_per_px_u=1.2 * 0.0004)
        joined = build_profile(
            [(str(i), replace(own, um_per_px=s)) for i, s in enumerate(scales)], name="x", date=""
        )
        inside += abs(joined.um_per_px - 1.2) <= 2 * joined.um_per_px_u
    assert inside >= 0.93 * 400


def test_readings_that_do_not_belong_together(reading):
    other = replace(reading, width_px=4000)
    apart = replace(reading, um_per_px=2 * reading.um_per_px)
    for second in (other, apart):
        with pytest.raises(CalibrationError) as caught:
            build_profile([("a", reading), ("b", second)], name="x", date="")
        assert caught.value.code == "readings-disagree"


def test_json_round_trip_and_fingerprint():
    stored = json.loads(json.dumps(asdict(PROFILE)))
    again = profile_from_json(stored)
    assert again == PROFILE
    assert fingerprint(again) == fingerprint(PROFILE)
    assert len(fingerprint(PROFILE)) == 64
    assert fingerprint(replace(PROFILE, um_per_px=0.50001)) != fingerprint(PROFILE)


@pytest.mark.parametrize("change", [{"schema": 99}, {"um_per_px": -1}, {"um_per_px": "much"}, {"shoe": 1}])
def test_strange_profiles_are_refused(change):
    with pytest.raises(CalibrationError) as caught:
        profile_from_json({**asdict(PROFILE), **change})
    assert caught.value.code == "bad-profile"


def test_drift_check_has_a_rule_in_words(reading):
    profile = build_profile([("a", reading)], name="bench", date="2026-11-25")
    same = check_drift(profile, reading)
    moved = check_drift(profile, replace(reading, um_per_px=1.02 * reading.um_per_px))
    assert same.passed
    assert not moved.passed
    assert moved.difference == pytest.approx(0.02)
    assert "0.5 %" in same.rule
    assert "calibrate anew" in moved.words


def test_compare_takes_the_pixel_size_into_account():
    half = replace(PROFILE, um_per_px=1.0, width_px=2000, height_px=1500)
    assert compare_profiles(PROFILE, half).passed
    assert not compare_profiles(PROFILE, replace(half, um_per_px=1.03)).passed


def test_objectives_of_one_adapter_must_fit_their_magnifications():
    ten, forty = PROFILE, replace(PROFILE, objective=40.0, um_per_px=0.127)
    (good,) = check_objectives([forty, ten])
    assert good.passed  # 3.94 for 4, within 7 %
    (bad,) = check_objectives([ten, replace(forty, um_per_px=0.25)])
    assert not bad.passed
    assert "40x to 10x should be 4, is 2.000" in bad.words


def photo(width: int, height: int, **facts) -> Photo:
    return Photo(np.zeros((height, width, 3), np.uint8), "a.jpg", **{"camera": "Maker A1", **facts})


def view(width: int, height: int, diameter: float | None) -> RoundView:
    radius = diameter / 2 if diameter else float(np.hypot(width, height) / 2)
    return RoundView((width - 1) / 2, (height - 1) / 2, radius, found=diameter is not None)


@pytest.mark.parametrize(
    ("size", "diameter", "facts", "um_per_px", "reasons"),
    [
        ((4000, 3000), 2800, {}, 0.5, ()),
        ((3000, 4000), 2810, {}, 0.5, ()),  # held upright
        ((2000, 1500), 1400, {}, 1.0, ()),  # smaller export
        ((2000, 1500), 1400, {"camera": None}, 1.0, ()),  # export without Exif: the view's size is enough
        ((2000, 1500), None, {}, 1.0, ("no-round-view",)),
        ((3000, 3000), 2800, {}, 0.5, ()),  # crop
        ((4000, 3000), 2300, {}, 0.5 * 2800 / 2300, ("view-size-mismatch",)),  # adapter moved or other zoom
        ((4000, 3000), 2800, {"digital_zoom": 2.0}, 0.5, ("view-size-mismatch",)),
        ((4000, 3000), 2800, {"camera": "Maker B2"}, 0.5, ("view-size-mismatch",)),
        ((2000, 1500), 2000, {}, 0.7, ("view-size-mismatch",)),  # not the export that it looks like
        ((2000, 1500), None, {"camera": None}, 1.0, ("view-size-mismatch", "uncalibrated")),
        ((4000, 3000), None, {}, 0.5, ("view-size-mismatch", "uncalibrated")),  # the edge should be in view
    ],
)
def test_guard_at_count_time(size, diameter, facts, um_per_px, reasons):
    scale = match_profile(PROFILE, photo(*size, **facts), view(*size, diameter))
    assert scale.um_per_px == pytest.approx(um_per_px)
    assert scale.reasons == reasons
    assert scale.source == "profile"
    sure = not reasons or reasons == ("no-round-view",)
    assert (scale.um_per_px_u / scale.um_per_px < 0.001) == sure


def test_certificate_holds_the_figures_and_needs_nothing_else(reading):
    picture = render(Rig(480, 360, 1.2, 25), Ruling(10, 2, -15, 15), Light(1.0), np.random.default_rng(1))
    label = "<b>a & b.jpg</b>"
    profile = build_profile([(label, reading)], name="bench <1>", date="2026-11-25")
    marked = marked_ruling(picture, reading)
    assert marked.startswith(b"\xff\xd8")
    page = certificate_html(profile, [(label, reading)], [marked]).decode()
    for text in (
        fingerprint(profile),
        "2026-11-25",
        " ± ".join(stated(profile.um_per_px, profile.um_per_px_u)),
        "bench &lt;1&gt;",
        "screening aid",
    ):
        assert text in page
    assert "<b>a" not in page
    assert "Simulated photos" not in page
    drawn = certificate_html(replace(profile, camera=SIMULATED_CAMERA), [(label, reading)], [marked]).decode()
    assert drawn.count("Simulated photos") == 1
    assert "http://" not in page.replace("http://www.w3.org/2000/svg", "")
    assert line_charts(reading).count("<circle") == 2 * reading.lines
    drawn = scale_map(reading)
    assert drawn.count("<path") == reading.lines
    # the field at the centre of the view tells no change, and every field has a number
    assert ">0.0<" in drawn
    assert drawn.count("<text") == drawn.count("<rect") - 1


def test_marked_picture_shows_the_part_with_the_ruling(reading):
    photo = np.full((360, 480, 3), 200, np.uint8)
    marked = cv2.imdecode(np.frombuffer(marked_ruling(photo, reading, 900), np.uint8), cv2.IMREAD_COLOR)
    assert max(marked.shape[:2]) <= 901
    # the strokes reach into every quarter of the picture's long side, so the ruling fills it
    strokes = np.flatnonzero((marked.max(axis=2).astype(int) - marked.min(axis=2) > 60).any(axis=0))
    assert strokes.min() < 0.25 * marked.shape[1]
    assert strokes.max() > 0.75 * marked.shape[1]


def test_profile_without_a_ruling_carries_its_flag_into_every_photo():
    scale = scale_from_length((0, 0, 600, 0), length_um=300)
    profile = approximate_profile(
        scale, name="loan", date="2026-11-25", objective=10, width_px=4000, height_px=3000
    )
    again = profile_from_json(json.loads(json.dumps(asdict(profile))))
    assert again == profile
    photo = Photo(rgb=np.zeros((3000, 4000, 3), np.uint8), name="a.jpg")
    found = match_profile(again, photo, RoundView(2000, 1500, 2500, found=False, measurable=False))
    assert found.um_per_px == pytest.approx(0.5)
    assert found.um_per_px_u == pytest.approx(scale.um_per_px_u)
    assert "approximate-scale" in found.reasons
    assert "300 um long" in again.how
    with pytest.raises(CalibrationError, match="reasons"):
        profile_from_json({**asdict(profile), "reasons": ["clear"]})


def test_two_digits_of_the_uncertainty_decide_the_places():
    # JCGM 100:2008, 7.2.6, with the figures of its example: a mass of 100.02147 g, standard uncertainty 0.35 mg
    assert stated(100.02147, 0.00035) == ("100.02147", "0.00035")
    assert stated(1.62, 0.00051) == ("1.62000", "0.00051")
    assert stated(3.6018, 0.12) == ("3.60", "0.12")
    assert stated(0.5, 0.0) == ("0.5", "unknown")

"""Reading a ruling: exact truth from formulas, general references, and refusals."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data
from skimage.transform import hough_line, hough_line_peaks

from sporecount.calibration import REFUSALS, read_ruling
from sporecount.calibration.distortion import relative_scale
from sporecount.errors import CalibrationError
from tests.calibration.ruling_renderer import Light, Rig, Ruling, render

BAR = 0.003  # QUALITY: within 0.3 % of the truth


def read(rig: Rig, ruling: Ruling = Ruling(), light: Light = Light(), seed: int = 1, **named):  # noqa: B008
    photo = render(rig, ruling, light, np.random.default_rng(seed))
    return read_ruling(photo, **{"division_um": ruling.division_um, **named})


def angle_gap(one: float, other: float, turn: float = 180.0) -> float:
    return abs((one - other + turn / 2) % turn - turn / 2)


@pytest.mark.parametrize("angle", [0, 45, 77, 90, 163, 211, 300])
def test_any_rotation(angle):
    reading = read(Rig(700, 520, 1.0, angle))
    assert reading.um_per_px == pytest.approx(1.0, rel=2e-4)  # well inside the bar on a clean photo
    assert angle_gap(reading.angle_deg, angle) < 0.05
    assert reading.pattern == "ruler"
    assert reading.longer_every == 5
    assert reading.anisotropy is None


@pytest.mark.parametrize(
    ("ruling", "um_per_px"),
    [
        (Ruling(10, 2, lengths_um=(50, 50, 50)), 0.9),  # no longer ticks
        (Ruling(10, 2, one_sided=True, base_line=True), 1.6),
        (Ruling(10, 2.5, -100, 100), 2.6),  # 3.8 px a division
        (Ruling(10, 2, lengths_um=(60, 90, 120)), 0.25),  # 40 px a division
        (Ruling(100, 15, -20, 20, (300, 450, 600)), 3.0),
        (Ruling(1000, 150, -5, 5, (2000, 3000, 4000)), 13.0),  # a plain ruler in mm
    ],
)
def test_rulers(ruling, um_per_px):
    reading = read(Rig(700, 520, um_per_px, 31), ruling, Light(blur_um=0.9 * um_per_px))
    assert reading.um_per_px == pytest.approx(um_per_px, rel=BAR / 3)
    assert abs(reading.um_per_px - um_per_px) < 2 * reading.um_per_px_u


def test_bad_light_dust_jpeg_and_round_view():
    view = (360.0, 250.0, 230.0)
    rig = Rig(700, 520, 1.2, 118, cx_px=view[0], cy_px=view[1])
    light = Light(1.3, 0.4, 0.7, slope=0.5, noise=0.02, view_px=view, dust=25, jpeg=75)
    reading = read(rig, Ruling(last=100), light, round_view=view)
    assert reading.um_per_px == pytest.approx(1.2, rel=BAR)
    assert (reading.center_x_px, reading.center_y_px) == view[:2]


def test_bright_lines_and_grey_or_16_bit_photos_agree():
    rig = Rig(600, 450, 1.0, 12)
    photo = render(rig, Ruling(), Light(dark=False), np.random.default_rng(2))
    as_colour = read_ruling(photo, division_um=10)
    as_16_bit = read_ruling(photo.astype(np.uint16) * 257, division_um=10)
    as_grey = read_ruling(photo[..., 1], division_um=10)
    assert as_colour.um_per_px == pytest.approx(1.0, rel=BAR / 3)
    assert as_16_bit.um_per_px == pytest.approx(as_colour.um_per_px, rel=1e-4)
    assert as_grey.um_per_px == pytest.approx(as_colour.um_per_px, rel=1e-3)


@pytest.mark.parametrize("kind", ["cross", "grid"])
def test_two_sets_of_lines_tell_the_stretch(kind):
    division = 10.0 if kind == "cross" else 50.0
    ruling = Ruling(division, 0.15 * division, lengths_um=(30, 45, 60), kind=kind)
    reading = read(Rig(700, 520, 0.9, 24, stretch=1.02), ruling)
    assert reading.pattern == kind
    # one axis is stretched by 2 %: the ratio comes back, up to which axis is called the first
    assert abs(np.log(reading.anisotropy)) == pytest.approx(np.log(1.02), rel=0.05)
    assert reading.um_per_px == pytest.approx(0.9 * np.sqrt(1.02), rel=BAR / 3)
    assert min(angle_gap(reading.angle_deg, 24), angle_gap(reading.angle_deg, 114)) < 1.0


@pytest.mark.parametrize("dark", [True, False])
def test_grid_of_a_few_squares_with_thick_lines(dark):
    # lines of a quarter of the distance cover 44 % of the view: which side are the lines?
    view = (350.0, 260.0, 240.0)
    rig = Rig(700, 520, 3.0, 33, k1=0.02, cx_px=view[0], cy_px=view[1])
    light = Light(3.0, 0.35, 0.6, dark=dark, slope=0.3, view_px=view)
    reading = read(rig, Ruling(250, 62, u0_um=125, v0_um=125, kind="grid"), light, round_view=view)
    assert reading.pattern == "grid"
    assert reading.um_per_px == pytest.approx(3.0, rel=BAR / 3)


def test_ticks_of_which_only_five_divisions_fit_the_view():
    view = (350.0, 260.0, 250.0)
    ruling = Ruling(100, 18, 0, 50, (150, 150, 150), u0_um=-230)
    reading = read(Rig(700, 520, 1.2, 63), ruling, Light(1.5, 0.4, dark=False, view_px=view), round_view=view)
    assert 5 <= reading.divisions <= 6
    assert reading.um_per_px == pytest.approx(1.2, rel=BAR)


def test_fine_ruler_that_covers_little_of_a_dusty_photo():
    ruling = Ruling(10, 2, -22, 22, (25, 36, 50), v0_um=500)
    reading = read(Rig(1200, 900, 1.9, 37), ruling, Light(2.0, 0.5, dust=25, slope=0.4), seed=3)
    assert reading.px_per_division == pytest.approx(10 / 1.9, rel=BAR)


def test_distortion_and_perspective_of_known_size_come_back():
    rig = Rig(800, 600, 1.0, 40, k1=0.04, gx=0.03, gy=-0.02)
    reading = read(rig, Ruling(10, 2, -100, 100))
    assert reading.k1 == pytest.approx(0.04, abs=0.002)
    assert reading.tilt == pytest.approx((0.03, -0.02), abs=0.003)
    assert reading.um_per_px == pytest.approx(1.0, rel=5e-4)
    # far from the centre the local length of a division is off by percents: the fit has to know it
    assert np.ptp(reading.line_px_per_division) / reading.px_per_division > 0.05


def test_positions_of_the_lines_are_exact():
    rig = Rig(700, 520, 1.0, 65, k1=0.02, gx=0.02)
    reading = read(rig)
    for x, y in (
        (reading.line_from_x_px, reading.line_from_y_px),
        (reading.line_to_x_px, reading.line_to_y_px),
    ):
        across, _ = rig.to_um(x, y)
        miss = across - np.rint(across / 10) * 10
        assert np.abs(miss).max() < 0.15  # um, here px: single pieces of a line, at its ends, with noise
    assert len(reading.line_number) == reading.lines == reading.divisions + 1
    with pytest.raises(ValueError, match="read-only"):
        reading.line_residual_px[0] = 1.0


def test_period_agrees_with_a_plain_fourier_transform():
    # reference: numpy.fft of the mean row of an upright ruling, peak refined by zero padding
    photo = render(Rig(900, 300, 0.77, 0), Ruling(10, 2, -60, 60), Light(), np.random.default_rng(3))
    row = photo[120:180, :, 1].mean(axis=0)
    power = np.abs(np.fft.rfft((row - row.mean()) * np.hanning(len(row)), 2**18))
    frequency = np.fft.rfftfreq(2**18)
    band = (frequency > 1 / 20) & (frequency < 1 / 8)
    period = 1 / frequency[band][power[band].argmax()]
    assert read_ruling(photo, division_um=10).px_per_division == pytest.approx(period, rel=2e-3)


def test_angle_agrees_with_the_hough_transform():
    # reference: skimage.transform.hough_line on an edge picture; its grid here is 0.1 degrees
    photo = render(Rig(600, 450, 0.5, 17), Ruling(lengths_um=(80, 80, 80)), Light(), np.random.default_rng(4))
    dark = photo[..., 1] < 110
    tested = np.deg2rad(np.arange(-90, 90, 0.1))
    space, angles, offsets = hough_line(dark, tested)
    _, found, _ = hough_line_peaks(space, angles, offsets, num_peaks=9)
    reading = read_ruling(photo, division_um=10)
    assert (
        angle_gap(reading.angle_deg, float(np.median(np.rad2deg(found)) % 180)) < 0.7
    )  # 4 px wide, 320 px long


def test_stated_uncertainty_holds_in_hard_photos():
    rng = np.random.default_rng(11)
    inside, errors = 0, []
    for turn in range(16):
        rig = Rig(520, 400, rng.uniform(1.2, 2.2), rng.uniform(0, 360), k1=rng.uniform(-0.03, 0.03), gx=0.02)
        light = Light(rig.um_per_px, 0.35, noise=0.04, jpeg=70, dust=8)
        reading = read(rig, Ruling(10, 2.5, -30, 40), light, seed=turn)
        error = abs(reading.um_per_px / rig.um_per_px - 1)
        errors.append(error)
        inside += error <= 2 * reading.um_per_px_u / rig.um_per_px
    assert inside >= 14  # 93 % of 16 is 14.9; one fewer allows for chance
    assert np.mean(np.array(errors) < BAR) >= 0.9


def test_short_ruler_far_from_the_centre_is_remarked_on():
    # tilt and distortion between ruler and centre are not seen: the uncertainty says so, and how to do better
    ruler = Ruling(10, 2, 0, 12, u0_um=220, v0_um=80)
    aside = read(Rig(700, 520, 1.0, 30, gx=0.01, k1=0.02), ruler, Light(1.2, 0.4, noise=0.03))
    assert any("through the centre" in text for text in aside.warnings)
    assert abs(aside.um_per_px - 1) < 2 * aside.um_per_px_u
    central = read(Rig(700, 520, 1.0, 30, gx=0.02, k1=0.02))
    assert not any("through the centre" in text for text in central.warnings)
    assert central.um_per_px_u < 0.5 * aside.um_per_px_u


def test_more_noise_is_stated_as_more_uncertainty():
    quiet = read(Rig(600, 450, 1.5, 20), light=Light(1.5, noise=0.005))
    loud = read(Rig(600, 450, 1.5, 20), light=Light(1.5, contrast=0.25, noise=0.07))
    assert loud.um_per_px_u > 1.2 * quiet.um_per_px_u


@pytest.mark.parametrize(
    ("objective", "named", "fits"),
    [(10, 100.0, "10 um"), (40, 10.0, "10x"), (4, 10.0, "10x")],
)
def test_wrong_division_or_objective_is_explained(objective, named, fits):
    # true: 10 um divisions at 10x, round view of 1.8 mm (field number 18) = 500 px
    view = (350.0, 260.0, 250.0)
    photo = render(
        Rig(700, 520, 3.6, 15), Ruling(10, 2, -80, 80), Light(1.5, view_px=view), np.random.default_rng(5)
    )
    with pytest.raises(CalibrationError, match=fits) as caught:
        read_ruling(photo, division_um=named, objective=objective, round_view=view)
    assert caught.value.code == "division-contradiction"
    assert read_ruling(photo, division_um=10, objective=10, round_view=view).um_per_px == pytest.approx(
        3.6, rel=BAR
    )


@pytest.mark.parametrize("field_number", [16, 18, 22])
@pytest.mark.parametrize(("objective", "named"), [(20, 20.0), (20, 5.0), (40, 10.0), (10, 10.0)])
def test_a_factor_of_two_is_noticed_by_the_round_view(field_number, objective, named):
    # true: 10 um divisions at 20x, seen through an eyepiece whose field number is usual but was not named
    view = (350.0, 260.0, 250.0)
    um_per_px = 1000 * field_number / 20 / 500
    photo = render(
        Rig(700, 520, um_per_px, 15),
        Ruling(10, 2, -99, 99),
        Light(1.5, view_px=view),
        np.random.default_rng(5),
    )
    with pytest.raises(CalibrationError) as caught:
        read_ruling(photo, division_um=named, objective=objective, round_view=view)
    assert caught.value.code == "division-contradiction"
    assert (
        "10 um" in str(caught.value) or "20x" in str(caught.value) or "field number is" in str(caught.value)
    )
    right = read_ruling(photo, division_um=10, objective=20, round_view=view)
    assert right.um_per_px == pytest.approx(um_per_px, rel=BAR)
    assert bool(right.warnings) == (field_number != 18)  # off by more than a tenth is worth a remark


def test_a_photo_lit_to_its_corners_shows_no_more_than_the_field():
    # 1.53 mm across the diagonal: within 1.8 mm at 10x, far beyond 0.9 mm at 20x (field number 18)
    photo = render(Rig(700, 520, 1.75, 15), Ruling(10, 2, -80, 80), Light(), np.random.default_rng(5))
    (remark,) = read_ruling(photo, division_um=10, objective=20).warnings
    assert "1.53 mm" in remark
    assert "Check division and objective" in remark
    (remark,) = read_ruling(photo, division_um=10, objective=10).warnings
    assert "roughly only" in remark


def test_division_is_told_from_the_round_view():
    view = (350.0, 260.0, 250.0)
    photo = render(
        Rig(700, 520, 3.6, 15),
        Ruling(100, 15, -8, 8, (300, 450, 600)),
        Light(3.0, view_px=view),
        np.random.default_rng(5),
    )
    reading = read_ruling(photo, objective=10, round_view=view)
    assert reading.division_um == 100
    assert reading.um_per_px == pytest.approx(3.6, rel=BAR)
    with pytest.raises(CalibrationError) as caught:
        read_ruling(photo)
    assert caught.value.code == "division-unknown"


def grating(period: float, angle: float, thin: bool) -> np.ndarray:
    y, x = np.mgrid[:360, :480]
    u = (x * np.cos(np.deg2rad(angle)) + y * np.sin(np.deg2rad(angle))) / period
    return 0.7 - 0.5 * (np.abs(u % 1 - 0.5) < 0.12) if thin else 0.5 + 0.3 * np.sin(2 * np.pi * u)


def halftone(period: float, angle: float) -> np.ndarray:
    y, x = np.mgrid[:360, :480]
    turn = np.deg2rad(angle)
    u, v = (x * np.cos(turn) + y * np.sin(turn)) / period, (y * np.cos(turn) - x * np.sin(turn)) / period
    return 0.7 - 0.5 * ((u % 1 - 0.5) ** 2 + (v % 1 - 0.5) ** 2 < 0.1)


def ridges(period: float, rng: np.random.Generator) -> np.ndarray:
    y, x = np.mgrid[:360, :480]
    bend = cv2.GaussianBlur(rng.normal(0, 1, (360, 480)), (0, 0), 2 * period)
    wave = 0.2 * np.sin(2 * np.pi * (x / period + 0.12 * bend / bend.std()))
    return 0.6 + wave * (np.hypot((x - 240) / 190, (y - 180) / 120) < 1)


def torn_scale(period: float) -> np.ndarray:
    """A piece of a wing scale with perfectly even ridges, as a high objective shows it."""
    x = np.arange(480.0)
    inside = cv2.fillPoly(
        np.zeros((360, 480), np.uint8), [np.array([[150, 60], [330, 120], [300, 290], [170, 230]])], 1
    )
    return 0.75 - inside * (0.25 + 0.12 * np.cos(2 * np.pi * x / period))


def as_photo(gray: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    noisy = gray + rng.normal(0, 0.01, gray.shape)
    return np.repeat(np.clip(noisy * 255, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def weave(period: float, rng: np.random.Generator) -> np.ndarray:
    """Plain weave: threads that go over and under in turn, their places a little uneven."""
    y, x = np.mgrid[:360, :480] / period
    u, v = (
        one + 0.05 * cv2.GaussianBlur(rng.normal(0, 1, (360, 480)), (0, 0), period) * period for one in (x, y)
    )
    over = (np.floor(u) + np.floor(v)) % 2 > 0
    return 0.35 + 0.35 * np.where(over, np.sin(np.pi * (u % 1)), np.sin(np.pi * (v % 1)))


def half_and_half(period: float) -> np.ndarray:
    """A grating with square ends, its lines as wide as its gaps."""
    y, x = np.mgrid[:360, :480] - np.array([180, 240])[:, None, None]
    inside = (np.abs(x) < 6.5 * period) & (np.abs(y) < 4 * period)
    return cv2.GaussianBlur(0.8 - 0.6 * inside * (np.floor(2 * x / period) % 2), (0, 0), 1.0)


def writing(step: int, rng: np.random.Generator) -> np.ndarray:
    """Rows of letters with a straight margin."""
    out = np.full((360, 480), 217, np.uint8)
    for row in range(step, 360, step):
        words = "".join(rng.choice(list("abcdefghilmnoprstu   "), 60))
        cv2.putText(out, words, (30, row), cv2.FONT_HERSHEY_SIMPLEX, step / 40, 38, 1)
    return out / 255


RNG = np.random.default_rng(8)
NO_RULINGS = {
    "blank": as_photo(np.full((360, 480), 0.7), RNG),
    "slope": as_photo(np.tile(np.linspace(0.3, 0.8, 480), (360, 1)), RNG),
    "sine grating": as_photo(grating(14, 20, False), RNG),
    "line grating": as_photo(grating(16, 70, True), RNG),
    "halftone": as_photo(halftone(18, 15), RNG),
    "upright halftone": as_photo(halftone(15, 0), RNG),
    "wing scale ridges": as_photo(ridges(12, RNG), RNG),
    "torn scale": as_photo(torn_scale(13), RNG),
    "weave": as_photo(weave(14, RNG), RNG),
    "half line, half gap": as_photo(half_and_half(26), RNG),
    "rows of writing": as_photo(writing(25, RNG), RNG),
    "brick": data.brick(),
    "grass": data.grass(),
    "text": data.text(),
    "page": data.page(),
    "coins": data.coins(),
    "checkerboard": data.checkerboard(),
    "astronaut": data.astronaut(),
    "camera": data.camera(),
    "cell": data.cell(),
    "stains": data.immunohistochemistry(),
}


@pytest.mark.parametrize("name", NO_RULINGS)
def test_what_is_no_ruling_gives_no_number(name):
    # open pictures of skimage.data, and patterns drawn here
    with pytest.raises(CalibrationError) as caught:
        read_ruling(NO_RULINGS[name], division_um=10)
    assert caught.value.code in (
        "no-ruling",
        "not-a-ruling",
        "too-few-divisions",
        "too-blurred",
        "picture-unfit",
    )
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("ruling", "light", "um_per_px", "codes"),
    [
        (Ruling(), Light(blur_um=6), 0.8, {"too-blurred", "no-ruling"}),
        (Ruling(), Light(blur_um=14), 0.8, {"too-blurred", "no-ruling"}),
        (
            Ruling(lengths_um=(50, 50, 90)),
            Light(blur_um=9),
            0.8,
            {"too-blurred", "no-ruling", "not-a-ruling"},
        ),
        (Ruling(100, 10, 0, 4, (150, 150, 150), u0_um=-200), Light(), 0.8, {"too-few-divisions"}),
        (Ruling(100, 10, 0, 3, (150, 150, 150), u0_um=-150), Light(), 0.8, {"too-few-divisions"}),
        (Ruling(10, 2, -100, 100), Light(1.5), 4.2, {"aliased", "no-ruling", "not-a-ruling"}),
    ],
)
def test_unfit_rulings_are_refused_with_a_reason(ruling, light, um_per_px, codes):
    with pytest.raises(CalibrationError) as caught:
        read(Rig(700, 520, um_per_px, 20), ruling, light)
    assert caught.value.code in codes


def test_longer_ticks_alone_are_never_taken_for_divisions():
    # every 5th tick is exact and long, those between are set unevenly: reading only the former is 5 times off
    rng = np.random.default_rng(4)
    y, x = np.mgrid[:420, :640].astype(float)
    ink = np.zeros(x.shape)
    for n in range(-25, 26):
        place = 320 + 11 * n + (0 if n % 5 == 0 else rng.normal(0, 1.6))
        tall = 90 if n % 5 == 0 else 45
        ink = np.maximum(ink, np.exp(-(((x - place) / 1.8) ** 2)) * (np.abs(y - 210) < tall))
    with pytest.raises(CalibrationError) as caught:
        read_ruling(as_photo(0.75 - 0.5 * ink, rng), division_um=10)
    assert caught.value.code == "not-a-ruling"


def test_lines_as_wide_as_the_gaps_are_a_ruler_where_each_fifth_is_longer():
    # sharpened photos of real stage micrometers look so: half line, half gap
    reading = read(Rig(700, 520, 0.5, 8), Ruling(10, 5, -12, 14), Light(0.4))
    assert reading.longer_every == 5
    assert reading.um_per_px == pytest.approx(0.5, rel=BAR / 3)


def test_five_divisions_are_enough():
    ruling = Ruling(100, 10, 0, 5, (150, 150, 150), u0_um=-250)
    reading = read(Rig(700, 520, 0.9, 20), ruling)
    assert reading.divisions == 5
    assert reading.um_per_px == pytest.approx(0.9, rel=BAR)


def test_every_refusal_says_what_to_do():
    for code, refusal in REFUSALS.items():
        assert code == refusal.code
        assert len(refusal.words) > 20
        assert len(refusal.remedy) > 20


def test_local_scale_agrees_with_the_geometry_that_was_drawn():
    # truth: the area of a small square of the photo on the ruling's plane, by the renderer's own formulas
    rig = Rig(800, 600, 1.0, 40, k1=0.04, gx=0.03, gy=-0.02)
    reading = read(rig, Ruling(10, 2, -100, 100))
    x, y = np.meshgrid(np.linspace(20, 780, 7), np.linspace(20, 580, 5))
    east, west = rig.to_um(x + 1, y), rig.to_um(x - 1, y)
    south, north = rig.to_um(x, y + 1), rig.to_um(x, y - 1)
    area = (east[0] - west[0]) * (south[1] - north[1]) - (east[1] - west[1]) * (south[0] - north[0])
    truth = np.sqrt(np.abs(area) / 4) / rig.um_per_px
    assert np.ptp(truth) > 0.1
    assert relative_scale(reading, x, y) == pytest.approx(
        truth, abs=0.004
    )  # the fit's own uncertainty at the rim
    assert relative_scale(reading, np.array(reading.center_x_px), np.array(reading.center_y_px)) == 1

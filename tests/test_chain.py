"""Laws that hold for every photo, on simulated ones: what may change a count, and what may not."""

from __future__ import annotations

import io
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from PIL import Image

from sporecount.chain import count_field, count_print
from sporecount.records import FieldResult, Photo, Scale
from sporecount.settings import CountSettings
from sporecount.simulate.photo import draw_photo
from sporecount.simulate.ranges import PRESETS
from sporecount.simulate.spike import spike_in
from tests.steps.drawn import linear, spore_field, srgb

UM_PER_PX = 0.6
WIDTH, HEIGHT = 620, 460
SEEDS = st.integers(0, 2)
FEW = settings(
    max_examples=5,
    deadline=None,
    derandomize=True,
    database=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow],
)
AMBER = replace(
    PRESETS["good_focus"],
    spore_length_um=(10.5, 12.5),
    amber_density=(0.5, 0.9),
    clumped_share=(0.0, 0.3),
    round_view_share=0.0,
    noise=(0.003, 0.010),
    level=(0.55, 0.75),
    contrast=(0.95, 1.1),
)
"""A plain day: natural amber, in focus, neither dim nor blown out."""


@cache
def simulated(seed: int) -> np.ndarray:
    """A simulated print with some 25 spores, in focus, lit from below."""
    return draw_photo(
        np.random.default_rng([2026, seed]),
        width_px=WIDTH,
        height_px=HEIGHT,
        um_per_px=UM_PER_PX,
        objective=10,
        spores=25,
        light="below",
        ranges=AMBER,
    ).rgb


def count(rgb: np.ndarray, um_per_px: float = UM_PER_PX) -> FieldResult:
    scale = Scale(um_per_px, 0.001, "given", 10.0)
    return count_field(Photo(np.ascontiguousarray(rgb), "s.jpg"), scale, CountSettings())[0]


@cache
def as_drawn(seed: int) -> FieldResult:
    return count(simulated(seed))


def close(one: int, other: int, share: float, number: int = 3) -> bool:
    """Within a share, or a few: objects whose probability lies near the threshold tip over with the sampling."""
    return abs(one - other) <= max(number, share * max(one, other))


@FEW
@given(seed=SEEDS, turns=st.integers(0, 3), mirrored=st.booleans())
def test_turning_and_mirroring_change_no_count(seed, turns, mirrored):
    """Within one in twenty: the working grid falls on other pixels, so doubtful objects may change sides."""
    rgb = np.rot90(simulated(seed), turns)
    turned = count(rgb[:, ::-1] if mirrored else rgb)
    assert close(turned.tally.spores, as_drawn(seed).tally.spores, 0.05)
    assert turned.tally.examined_mm2 == pytest.approx(as_drawn(seed).tally.examined_mm2, rel=0.02)


@FEW
@given(seed=SEEDS, gain=st.floats(0.6, 1.2))
def test_brightness_changes_it_little(seed, gain):
    assert close(count(srgb(gain * linear(simulated(seed)))).tally.spores, as_drawn(seed).tally.spores, 0.08)


@FEW
@given(seed=SEEDS, red=st.floats(0.85, 1.1), blue=st.floats(0.85, 1.1))
def test_tint_changes_it_little(seed, red, blue):
    tinted = srgb(linear(simulated(seed)) * (red, 1.0, blue))
    assert close(count(tinted).tally.spores, as_drawn(seed).tally.spores, 0.08)


@FEW
@given(seed=SEEDS, edge_um=st.floats(2.5, 4.0), outwards=st.booleans())
def test_lateral_colour_changes_it_little(seed, edge_um, outwards):
    """Red larger and blue smaller than green, or the other way round, by so much at the sides of the view."""
    rgb = simulated(seed).copy()
    for channel, sign in ((0, 1), (2, -1)):
        zoom = 1 + (sign if outwards else -sign) * edge_um / (WIDTH / 2 * UM_PER_PX)
        about = np.array([[zoom, 0, (1 - zoom) * (WIDTH - 1) / 2], [0, zoom, (1 - zoom) * (HEIGHT - 1) / 2]])
        plane = np.ascontiguousarray(rgb[..., channel])
        rgb[..., channel] = cv2.warpAffine(plane, about, (WIDTH, HEIGHT), borderMode=cv2.BORDER_REPLICATE)
    assert close(count(rgb).tally.spores, as_drawn(seed).tally.spores, 0.08)


PALE = 0.1
PALE_SPORES = [(60 + 70 * i, 50 + 60 * j, 11.0, 7.3, 40.0 * i) for i in range(6) for j in range(5)]


def pale_spores() -> np.ndarray:
    """Thirty ovals that let four fifths of the light through, and a scale seven times as dense."""
    scale = (250.0, 290.0, 90.0, 45.0, 20.0)
    return spore_field((600, 800), [*PALE_SPORES, *[scale] * 7], 0.6, density=PALE)


@pytest.mark.parametrize("veil", [0.0, 0.3, 0.5, 0.7])
def test_stray_light_hides_no_pale_spores(veil):
    """So much of the empty light, all over the photo: at 0.7 a spore takes 7 % of it away; 8 bits show that."""
    clean = linear(pale_spores())
    tally = count(srgb((1 - veil) * clean + veil * np.median(clean, axis=(0, 1))), 0.6).tally
    assert abs(tally.spores - len(PALE_SPORES)) <= 1
    assert ("stray-light" in tally.reasons) == (veil >= 0.5)


@pytest.mark.parametrize("number", [3, 20])
@pytest.mark.parametrize("density", [0.3, 0.6])
def test_few_spores_and_nothing_else_are_no_veil(number, density):
    """Clean card, and on it spores alone: counted right, in focus, and told to have hardly any scales."""
    places = np.random.default_rng(number).uniform((30, 30), (830, 610), (number, 2))
    tally = count(
        spore_field((1080, 1440), [(x, y, 11.0, 7.3, x) for x, y in places], 0.6, density=density), 0.6
    ).tally
    assert abs(tally.spores - number) <= 1
    assert tally.in_focus > 0.9
    assert tally.flag != "unusable"
    assert "too-few-scales" in tally.reasons  # spores do not vouch for the tape


def pale_picture(name: str) -> np.ndarray:
    """A picture without a thing in it, as JPEG."""
    shape, rng = (1080, 1440), np.random.default_rng(5)
    y, x = np.meshgrid(*(np.linspace(-1, 1, side) for side in shape), indexing="ij")
    shade = (1 - 0.35 * (x**2 + y**2))[..., None]

    def blots(px: float, strength: float) -> np.ndarray:
        noise = cv2.GaussianBlur(rng.normal(0, 1, shape), (0, 0), px)
        return (1 + strength * noise / noise.std())[..., None]

    light = {
        "card": 0.6 * shade,
        "paper": 0.6 * shade * blots(6, 0.02),
        "sky": np.array([0.25, 0.45, 0.8]) * (0.75 + 0.25 * y)[..., None],
        "clouds": 0.5 * blots(60, 0.2) * blots(20, 0.06),
        "out of focus": 0.55 * shade * blots(80, 0.06) + rng.normal(0, 0.012, (*shape, 3)),
        "wall": 1.0 * shade + rng.normal(0, 0.004, (*shape, 3)),
    }[name]
    packed = cv2.imencode(".jpg", srgb(np.broadcast_to(light, (*shape, 3))), [cv2.IMWRITE_JPEG_QUALITY, 85])[
        1
    ]
    return cv2.imdecode(packed, cv2.IMREAD_COLOR)


@pytest.mark.parametrize("name", ["card", "paper", "sky", "clouds", "out of focus", "wall"])
def test_a_pale_picture_of_nothing_is_unusable(name):
    """Contrast is raised in pale photos: where there is no thing in them, not so far that they seem sharp."""
    tally = count(pale_picture(name), 0.6).tally
    assert tally.flag == "unusable"
    assert tally.spores == 0


@pytest.mark.parametrize(("amplitude", "blot_px"), [(8, 1), (11, 2), (11, 3)])
def test_noise_in_colour_alone_hides_hardly_a_pale_spore(amplitude, blot_px):
    """Such as dim light leaves: blots of more code values than the spores' own, where grey is as it was."""
    rgb = pale_spores()
    noise = cv2.GaussianBlur(np.random.default_rng(1).normal(0, 1, rgb.shape), (0, 0), blot_px)
    noise *= amplitude / noise.std()
    noise -= (noise @ (0.299, 0.587, 0.114))[..., None]  # ITU-R BT.601
    tally = count(np.clip(np.round(rgb + noise), 0, 255).astype(np.uint8), 0.6).tally
    assert tally.spores == pytest.approx(len(PALE_SPORES), abs=4)


@FEW
@given(seed=SEEDS, card=st.floats(0.05, 0.12), slope=st.floats(-0.4, 0.4))
def test_on_dark_card_what_gives_back_light_counts_as_what_takes_it_away_on_white(seed, card, slope):
    """One in ten: on the dark ground 8 bits resolve a tenth of what they do on white. Lit from one side, too."""
    light = np.median(linear(simulated(seed)), axis=(0, 1))
    lamp = card * 10 ** (slope * np.linspace(-1, 1, WIDTH))[:, None]
    on_dark = count(srgb(lamp * (light / np.maximum(linear(simulated(seed)), 1e-3))[..., ::-1]))
    assert close(on_dark.tally.spores, as_drawn(seed).tally.spores, 0.10)
    assert "dark-ground" in on_dark.tally.reasons
    assert on_dark.tally.flag == "recheck"


def test_a_ground_that_only_seems_dark_is_counted_as_it_is(monkeypatch):
    monkeypatch.setattr("sporecount.steps.prepare.is_dark_ground", lambda work: True)
    seems_dark = count(simulated(0)).tally
    assert seems_dark.spores == as_drawn(0).tally.spores
    assert "dark-ground" in seems_dark.reasons


@FEW
@given(seed=SEEDS, quality=st.integers(75, 95))
def test_jpeg_quality_changes_it_little(seed, quality):
    out = io.BytesIO()
    Image.fromarray(simulated(seed)).save(out, "JPEG", quality=quality)
    saved = np.asarray(Image.open(io.BytesIO(out.getvalue())))
    assert close(count(saved).tally.spores, as_drawn(seed).tally.spores, 0.08)


@FEW
@given(seed=SEEDS, zoom=st.floats(0.75, 1.4))
def test_um_do_not_depend_on_the_pixels(seed, zoom):
    size = (round(WIDTH * zoom), round(HEIGHT * zoom))
    way = cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC
    other = count(cv2.resize(simulated(seed), size, interpolation=way), UM_PER_PX / zoom)
    here = as_drawn(seed)
    assert close(other.tally.spores, here.tally.spores, 0.20)
    assert other.tally.examined_mm2 == pytest.approx(here.tally.examined_mm2, rel=0.03)
    lengths = [np.median(one.objects.length_um[one.counted]) for one in (other, here)]
    assert lengths[0] == pytest.approx(lengths[1], rel=0.08)


@FEW
@given(seed=SEEDS, share=st.floats(0.35, 0.65), upright=st.booleans())
def test_two_halves_sum_to_the_whole(seed, share, upright):
    """Besides those that the cut goes through, which both parts may count or miss, and those about even."""
    rgb = simulated(seed)
    whole = as_drawn(seed)
    cut = round(share * (WIDTH if upright else HEIGHT))
    parts = (rgb[:, :cut], rgb[:, cut:]) if upright else (rgb[:cut], rgb[cut:])
    at = whole.objects.x_px if upright else whole.objects.y_px
    near = np.abs(at - cut) * UM_PER_PX < 16
    about_even = np.abs(whole.kinds.spore - 0.5) < 0.1
    doubtful = int(((near & (whole.kinds.spore > 0.1)) | about_even).sum())
    halves = [count(part) for part in parts]
    total = sum(one.tally.spores for one in halves)
    assert close(total, whole.tally.spores, 0.06, 3 + doubtful)
    area = sum(one.tally.examined_mm2 for one in halves)
    assert area == pytest.approx(whole.tally.examined_mm2, rel=0.04)


@FEW
@given(seed=SEEDS, added=st.integers(1, 12))
def test_adding_spores_never_lowers_a_count(seed, added):
    rng = np.random.default_rng([seed, added])
    places = rng.uniform((20, 20), (WIDTH - 20, HEIGHT - 20), (added, 2))
    rgb, _ = spike_in(simulated(seed), places, um_per_px=UM_PER_PX, blur_um=0.9, rng=rng)
    assert count(rgb).tally.spores >= as_drawn(seed).tally.spores


@settings(FEW, max_examples=8)
@given(
    number=st.integers(0, 14),
    length_um=st.floats(9.5, 13.5),
    ratio=st.floats(1.35, 1.65),
    density=st.floats(0.35, 0.7),
    seed=st.integers(0, 99),
)
def test_plain_ovals_are_all_counted_and_nothing_else(number, length_um, ratio, density, seed):
    """What is known on paper: ovals apart from each other, on plain card."""
    rng = np.random.default_rng(seed)
    places = [
        (50 + 60 * i + rng.uniform(-12, 12), 45 + 60 * j + rng.uniform(-12, 12))
        for i in range(5)
        for j in range(3)
    ]
    rng.shuffle(places)
    ovals = [(x, y, length_um, length_um / ratio, rng.uniform(0, 180)) for x, y in places[:number]]
    result = count(spore_field((360, 560), ovals, UM_PER_PX, density=density, seed=seed))
    assert result.tally.spores == number
    assert result.tally.spores_low <= number <= result.tally.spores_high


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_records_hold_together(seed):
    result = as_drawn(seed)
    rows = len(result.objects)
    assert result.kinds.probability.shape == (rows, 9)
    assert result.counted.sum() == result.tally.spores
    assert result.tally.spores_low <= result.tally.spores <= result.tally.spores_high
    assert (result.objects.x_px > -0.5).all()
    assert (result.objects.x_px < WIDTH - 0.5).all()
    assert (result.objects.y_px > -0.5).all()
    assert (result.objects.y_px < HEIGHT - 0.5).all()
    assert (result.objects.angle_deg >= 0).all()
    assert (result.objects.angle_deg < 180).all()
    # the working grid's height is rounded to whole pixels, here to half a percent
    assert result.tally.examined_mm2 <= WIDTH * HEIGHT * (UM_PER_PX / 1000) ** 2 * 1.005


def test_a_print_is_the_sum_of_fields_that_share_nothing():
    fields, previews = [], {}
    for seed in (0, 1, 2):
        photo = Photo(simulated(seed), f"s{seed}.jpg")
        field, preview = count_field(
            photo, Scale(UM_PER_PX, 0.001, "given", 10.0), CountSettings(), sample="MH-09", field=seed + 1
        )
        fields.append(field)
        previews[photo.name] = preview
    tally = count_print(fields, previews.__getitem__, CountSettings())
    assert tally.fields == tally.photos == 3
    assert tally.spores == sum(one.tally.spores for one in fields)
    assert tally.examined_mm2 == pytest.approx(sum(one.tally.examined_mm2 for one in fields), rel=1e-6)
    assert tally.density_low <= tally.density_per_mm2 <= tally.density_high


@pytest.mark.parametrize(
    "rgb",
    [
        np.full((3, 200, 3), 200, np.uint8),
        np.full((200, 3, 3), 200, np.uint8),
        np.zeros((240, 310, 3), np.uint8),
        np.full((240, 310, 3), 255, np.uint8),
        np.random.default_rng(1).integers(0, 256, (240, 310, 3), np.uint8),
    ],
    ids=["wide", "high", "black", "white", "noise"],
)
def test_absurd_pictures_are_never_clear(rgb):
    tally = count(rgb).tally
    assert tally.flag != "clear"
    assert tally.spores == 0 or tally.flag == "unusable"

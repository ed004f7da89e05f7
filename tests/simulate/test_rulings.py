"""A ruling's picture has the period and direction that its truth says."""

import numpy as np
import pytest

from sporecount.simulate.rulings import draw_ruling


def period_px(rgb: np.ndarray, angle_deg: float, expected_px: float) -> float:
    """Period along a direction: peak of the Fourier sum at frequencies around the expected one."""
    grey = rgb.astype(float).mean(2)
    y, x = np.mgrid[: grey.shape[0], : grey.shape[1]]
    window = np.hanning(grey.shape[0])[:, None] * np.hanning(grey.shape[1])[None, :]
    values = (grey - grey.mean()) * window
    turn = np.deg2rad(angle_deg)
    along = (x - grey.shape[1] / 2) * np.cos(turn) + (y - grey.shape[0] / 2) * np.sin(turn)
    bins = np.bincount(np.round((along - along.min()) * 8).astype(int).ravel(), weights=values.ravel())
    place = np.arange(bins.size) / 8
    tries = expected_px * np.linspace(0.97, 1.03, 241)
    power = [abs(np.sum(bins * np.exp(-2j * np.pi * place / p))) for p in tries]
    return float(tries[int(np.argmax(power))])


@pytest.mark.parametrize(
    ("pattern", "um_per_px", "objective", "seed"),
    [
        ("stage-10um", 0.62, 10, 1),
        ("stage-10um", 0.21, 40, 5),
        ("stage-100um", 1.9, 4, 3),
        ("stage-10um", 0.45, 20, 4),
    ],
)
def test_period_is_the_division_over_the_scale(pattern, um_per_px, objective, seed):
    # Within 0.4 %: the window holds some 15 to 40 divisions and the peak is found to a few hundredths of one.
    rgb, truth = draw_ruling(
        np.random.default_rng(seed),
        pattern=pattern,
        width_px=640,
        height_px=420,
        um_per_px=um_per_px,
        objective=objective,
        k1=0.0,
        tilt=0.0,
        blur_um=0.3,
        cross=False,
        longer_ticks=False,
    )
    expected = truth["division_um"] / um_per_px
    assert period_px(rgb, truth["angle_deg"], expected) == pytest.approx(expected, rel=0.004)


def test_divisions_in_the_view_follow_its_size():
    rgb, truth = draw_ruling(
        np.random.default_rng(0), width_px=700, height_px=200, um_per_px=0.5, angle_deg=0.0, k1=0.0, tilt=0.0
    )
    assert rgb.shape == (200, 700, 3)
    assert 5 <= truth["divisions"] <= 35  # 350 um of 10 um divisions, less what the round view hides


def test_the_same_seed_gives_the_same_ruling_and_a_wrong_name_is_refused():
    one, two = (
        draw_ruling(np.random.default_rng(5), width_px=90, height_px=60, um_per_px=1.0) for _ in range(2)
    )
    assert np.array_equal(one[0], two[0])
    assert one[1] == two[1]
    with pytest.raises(ValueError, match="stage-10um"):
        draw_ruling(np.random.default_rng(5), pattern="inches", width_px=90, height_px=60, um_per_px=1.0)

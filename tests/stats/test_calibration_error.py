import numpy as np
import pytest

from sporecount.errors import SettingsError
from sporecount.stats.calibration_error import expected_calibration_error, reliability


def test_error_by_hand():
    p = np.array([0.1, 0.1, 0.9, 0.9])
    # bins at 0.1: seen 0.5, off 0.4; at 0.9: seen 1, off 0.1
    assert expected_calibration_error(p, [0, 1, 1, 1]) == pytest.approx(0.25)
    assert expected_calibration_error(p, [False, False, True, True]) == pytest.approx(0.1)


def test_honest_probabilities_have_little_error_and_shifted_ones_their_shift():
    rng = np.random.default_rng(81)
    p = rng.uniform(0.2, 0.8, 20_000)
    truth = rng.random(20_000) < p
    assert expected_calibration_error(p, truth) < 0.4 * np.sqrt(10 / 20_000)
    assert expected_calibration_error(p + 0.15, truth) == pytest.approx(0.15, abs=0.01)


def test_table_leaves_empty_bins_out_and_counts_everything():
    got = reliability(np.array([0.0, 1.0, 1.0, 0.55]), np.array([0, 1, 0, 1]), bins=4)
    assert got.n.tolist() == [1, 1, 2]
    assert got.said == pytest.approx([0, 0.55, 1])
    assert got.seen == pytest.approx([0, 1, 0.5])
    assert (got.seen_low <= got.seen).all()
    assert (got.seen <= got.seen_high).all()


def test_no_object_is_no_number():
    assert np.isnan(expected_calibration_error(np.zeros(0), np.zeros(0)))
    assert reliability(np.zeros(0), np.zeros(0)).n.size == 0


def test_unequal_lengths_are_named():
    with pytest.raises(SettingsError, match="number of truth"):
        reliability(np.array([0.5]), np.array([1, 0]))

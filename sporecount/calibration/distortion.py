"""How the scale changes over the photo, from the tilt and the radial distortion that a reading found."""

from __future__ import annotations

import numpy as np

from sporecount.calibration.records import RulingReading


def relative_scale(reading: RulingReading, x_px: np.ndarray, y_px: np.ndarray) -> np.ndarray:
    """Give the local um per px over that at the centre of the view.

    Parameters
    ----------
    reading : RulingReading
    x_px, y_px : ndarray of one shape
        Places in the photo.

    Returns
    -------
    ndarray of the same shape
        Root of the ratio of the areas, 1 at the centre.

    Notes
    -----
    With x, y in half diagonals from the centre of the view, X = x (1 + k1 r^2) and Y likewise, the plane of the
    ruling is (X, Y) / (1 + g X + h Y): the determinants of the two steps are (1 + k1 r^2) (1 + 3 k1 r^2) and
    (1 + g X + h Y)^-3.
    """
    half = float(np.hypot(reading.width_px, reading.height_px)) / 2
    x = (np.asarray(x_px, float) - reading.center_x_px) / half
    y = (np.asarray(y_px, float) - reading.center_y_px) / half
    bend = reading.k1 * (x * x + y * y)
    tilt = 1 + reading.tilt[0] * x * (1 + bend) + reading.tilt[1] * y * (1 + bend)
    return np.sqrt((1 + bend) * (1 + 3 * bend) / tilt**3)

"""A spore's outline, an ellipse that lies at some angle: from the picture's directions to its own and back."""

from __future__ import annotations

import numpy as np


def along_and_across(
    x: np.ndarray, y: np.ndarray, angle_deg: np.ndarray | float
) -> tuple[np.ndarray, np.ndarray]:
    """Tell how far places are along a lemon's long axis, and across it.

    Parameters
    ----------
    x, y : ndarray
        From the lemon's centre, in any unit of length; the arrays are broadcast.
    angle_deg : ndarray or float
        Of the long axis, from x towards y.

    Returns
    -------
    along, across : ndarray
        In the same unit.
    """
    angle = np.radians(angle_deg)
    cos, sin = np.cos(angle), np.sin(angle)
    return x * cos + y * sin, -x * sin + y * cos


def x_and_y(
    along: np.ndarray, across: np.ndarray, angle_deg: np.ndarray | float
) -> tuple[np.ndarray, np.ndarray]:
    """Undo `along_and_across`."""
    angle = np.radians(angle_deg)
    cos, sin = np.cos(angle), np.sin(angle)
    return along * cos - across * sin, along * sin + across * cos

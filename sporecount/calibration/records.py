"""What calibration hands over. No algorithms here; arrays are read-only."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np


@dataclass(frozen=True)
class RulingReading:
    """What one photo of a ruling says.

    Parameters
    ----------
    um_per_px : float
        At the centre of the view, along the ruling; with two sets of lines the root of the area scale.
    um_per_px_u : float
        Standard uncertainty: scatter of the lines, model, and the ruling's own accuracy.
    angle_deg : float
        Direction in which the ruling runs (across its ticks), from +x towards +y (down), in [0, 180).
    anisotropy, anisotropy_u : float or None
        Scale along the first set of lines over scale along the second; None with one set.
    k1, k1_u : float
        Radial distortion: true radius = r (1 + k1 r^2), r in half diagonals of the photo from the centre of
        the view.
    tilt : tuple of float
        Perspective g, h: the scale grows by 2 g (to the right) and 2 h (downwards) within a half diagonal.
    divisions : int
        Divisions between the first and the last line used; of two sets the larger number.
    lines : int
        Lines used in the fit.
    division_um : float
    division_source : str
        "named", or how it was told.
    pattern : {"ruler", "cross", "grid"}
    longer_every : int
        Longer ticks stand at each so-manieth line: 5 or 10; 0 where all are alike.
    width_px, height_px : int
        Of the photo.
    center_x_px, center_y_px : float
        The centre of the view.
    view_radius_px : float or None
        Of the round view, when it was known.
    objective : float or None
    field_number_mm : float
    residual_px : float
        Root mean square of the lines' mean residuals.
    line_axis, line_number : ndarray of shape (n,), int
    line_from_x_px, line_from_y_px, line_to_x_px, line_to_y_px : ndarray of shape (n,)
        Ends of the piece of each line that was measured.
    line_residual_px : ndarray of shape (n,)
        Mean residual of the line along the ruling.
    line_px_per_division : ndarray of shape (n,)
        Local length of a division there.
    warnings : tuple of str
        Remarks in plain words.
    """

    um_per_px: float
    um_per_px_u: float
    angle_deg: float
    anisotropy: float | None
    anisotropy_u: float | None
    k1: float
    k1_u: float
    tilt: tuple[float, float]
    divisions: int
    lines: int
    division_um: float
    division_source: str
    pattern: str
    longer_every: int
    width_px: int
    height_px: int
    center_x_px: float
    center_y_px: float
    view_radius_px: float | None
    objective: float | None
    field_number_mm: float
    residual_px: float
    line_axis: np.ndarray
    line_number: np.ndarray
    line_from_x_px: np.ndarray
    line_from_y_px: np.ndarray
    line_to_x_px: np.ndarray
    line_to_y_px: np.ndarray
    line_residual_px: np.ndarray
    line_px_per_division: np.ndarray
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for one in fields(self):
            value = getattr(self, one.name)
            if isinstance(value, np.ndarray) and value.flags.writeable:
                value.flags.writeable = False

    @property
    def px_per_division(self) -> float:
        """Length of a division at the centre of the view."""
        return self.division_um / self.um_per_px

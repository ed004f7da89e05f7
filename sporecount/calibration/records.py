"""What calibration hands over. No algorithms here; arrays are read-only."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TypedDict

import numpy as np

RULING_ACCURACY = 0.0003
"""Relative standard uncertainty of an engraved scale's own length, added to what the lines say: about 0.5 um
in 1 mm at most (common practice for ordinary stage micrometers). More photos of one ruling do not average
it out."""


class LineTable(TypedDict):
    """The columns of `RulingReading` that have a row a line, with their count and scatter."""

    lines: int
    residual_px: float
    line_axis: np.ndarray
    line_number: np.ndarray
    line_from_x_px: np.ndarray
    line_from_y_px: np.ndarray
    line_to_x_px: np.ndarray
    line_to_y_px: np.ndarray
    line_residual_px: np.ndarray
    line_px_per_division: np.ndarray


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


SCHEMA = 1
"""Version of the profile's JSON."""


@dataclass(frozen=True)
class AdapterProfile:
    """One adapter with one objective: what its photos are scaled with. JSON-ready by `dataclasses.asdict`.

    Parameters
    ----------
    name : str
        Given by the user.
    objective : float or None
    um_per_px, um_per_px_u : float
        At the centre of the view, with standard uncertainty.
    width_px, height_px : int
        Of the photos it was made from, upright.
    k1 : float
        Radial distortion, as in `RulingReading`.
    camera : str or None
    focal_length_mm, digital_zoom : float or None
        From Exif.
    view_diameter_px : float or None
        Of the round view.
    field_number_mm : float or None
    rulings : int
        Readings that went in.
    spread : float
        Relative standard deviation between the readings; 0 for one.
    spread_across_view : float
        Relative difference between the largest and the smallest local scale along the lines read.
    division_um : float
    left_out : tuple of str
        Readings that disagreed with the others, by name.
    date : str
        ISO 8601, given by the caller.
    how : str
        For a profile without a ruling: what it was told from, in plain words.
    reasons : tuple of str
        What it adds to the flag of every field counted with it; empty for a profile from rulings.
    schema : int
    """

    name: str
    objective: float | None
    um_per_px: float
    um_per_px_u: float
    width_px: int
    height_px: int
    k1: float = 0.0
    camera: str | None = None
    focal_length_mm: float | None = None
    digital_zoom: float | None = None
    view_diameter_px: float | None = None
    field_number_mm: float | None = None
    rulings: int = 1
    spread: float = 0.0
    spread_across_view: float = 0.0
    division_um: float = 10.0
    left_out: tuple[str, ...] = ()
    date: str = ""
    how: str = ""
    reasons: tuple[str, ...] = ()
    schema: int = SCHEMA

    def __post_init__(self) -> None:
        object.__setattr__(self, "left_out", tuple(self.left_out))
        object.__setattr__(self, "reasons", tuple(self.reasons))


@dataclass(frozen=True)
class ApproximateScale:
    """A scale without a ruling.

    Parameters
    ----------
    um_per_px, um_per_px_u : float
    how : str
        In plain words.
    reasons : tuple of str
        What it adds to the flag of every field counted with it.
    """

    um_per_px: float
    um_per_px_u: float
    how: str
    reasons: tuple[str, ...] = ("approximate-scale",)


@dataclass(frozen=True)
class CalibrationCheck:
    """Outcome of a check of two scales against each other.

    Parameters
    ----------
    passed : bool
    difference : float
        Relative, found over expected minus 1.
    allowed : float
        Largest relative difference that passes.
    rule : str
        The rule in words.
    words : str
        The outcome in words, with what to do.
    """

    passed: bool
    difference: float
    allowed: float
    rule: str
    words: str

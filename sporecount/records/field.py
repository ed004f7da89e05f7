"""What flows from a photo to the tally of its field."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Literal

import numpy as np

from sporecount.reasons import Flag

KINDS = ("spore", "scale", "scale piece", "hair", "fibre", "bubble", "dust", "pollen", "other")
"""What an object can be, in the order of the columns of `Kinds.probability`."""

ScaleSource = Literal["profile", "given", "table", "view", "assumed"]
"""Where a photo's scale came from: adapter profile, command line, session.csv, size of the round view
with field number and objective, or a mere assumption."""


SIMULATED_CAMERA = "Simulated phone"
"""What simulated photos give as their camera in Exif."""


class _ReadOnlyArrays:
    """Makes the arrays of a frozen dataclass read-only as soon as it is made."""

    def __post_init__(self) -> None:
        for one in fields(self):  # type: ignore[arg-type]
            value = getattr(self, one.name)
            if isinstance(value, np.ndarray) and value.flags.writeable:
                value.flags.writeable = False


@dataclass(frozen=True)
class Photo(_ReadOnlyArrays):
    """A decoded photo.

    Parameters
    ----------
    rgb : ndarray of shape (H, W, 3), uint8
        sRGB, upright. 16-bit files are reduced to 8 bits, where the sensor's noise is far above a step.
    name : str
        File name, with the folder below the session's folder, `/` between them.
    sha256 : str
        Of the file's bytes.
    taken_at : str or None
        Time of the photo, ISO 8601, as the camera's clock had it.
    camera : str or None
        Maker and model from Exif.
    focal_length_mm, digital_zoom : float or None
        From Exif.
    halved : bool
        Whether `rgb` has half as many rows and columns as the photo; see `steps.halved`.
    """

    rgb: np.ndarray
    name: str
    sha256: str = ""
    taken_at: str | None = None
    camera: str | None = None
    focal_length_mm: float | None = None
    digital_zoom: float | None = None
    halved: bool = False

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of the photo, whole."""
        height, width = self.rgb.shape[:2]
        return width * (1 + self.halved), height * (1 + self.halved)


@dataclass(frozen=True)
class Scale:
    """Scale of a photo.

    Parameters
    ----------
    um_per_px : float
        At the centre of the view, photo pixels.
    um_per_px_u : float
        Standard uncertainty, same unit.
    source : str
        One of `ScaleSource`.
    objective : float or None
        Magnification, such as 10.
    k1 : float
        Radial distortion: true radius = r (1 + k1 r^2), r in units of half the photo's diagonal.
    reasons : tuple of str
        Codes that this scale adds to the flag of a field, such as "uncalibrated".
    """

    um_per_px: float
    um_per_px_u: float = 0.0
    source: ScaleSource = "given"
    objective: float | None = None
    k1: float = 0.0
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True)
class RoundView:
    """The eyepiece's circle in the photo.

    Parameters
    ----------
    center_x_px, center_y_px, radius_px : float
        In photo pixels. Without a visible edge: the photo's centre and the radius that reaches its corners.
    found : bool
        Whether an edge was seen; what lies beyond it is no part of the view.
    measurable : bool
        Whether enough of the edge was seen to trust its diameter.
    """

    center_x_px: float
    center_y_px: float
    radius_px: float
    found: bool
    measurable: bool = True


@dataclass(frozen=True)
class WorkImage(_ReadOnlyArrays):
    """The view on two grids: a coarse one on which everything is sought, a finer one for a close look.

    Parameters
    ----------
    rgb : ndarray of shape (h, w, 3), uint8
        On the working grid.
    seen : ndarray of shape (h, w), bool
        Inside the round view and the photo.
    um_per_px : float
        Of the working grid.
    zoom, zoom_down : float
        Working pixels per photo pixel, across and down, at most 1: grids have whole pixels, so the two differ.
        `x_px = (col + 0.5) / zoom - 0.5 + left_px`, `y_px = (row + 0.5) / zoom_down - 0.5 + top_px`.
    left_px, top_px : int
        Photo pixel at which both grids begin.
    close : ndarray of shape (h2, w2, 3), uint8
        The same part of the photo on the finer grid.
    close_zoom : float
        Pixels of `close` per photo pixel, at most 1.
    negative : bool
        Whether `rgb` and `close` are the photo's negative, since things on it are lighter than a dark ground.
    """

    rgb: np.ndarray
    seen: np.ndarray
    um_per_px: float
    zoom: float
    zoom_down: float
    left_px: int
    top_px: int
    close: np.ndarray
    close_zoom: float
    negative: bool = False


@dataclass(frozen=True)
class FlatField(_ReadOnlyArrays):
    """Optical density after division by the empty light, on the working grid.

    Parameters
    ----------
    density : ndarray of shape (h, w), float32
        -log10(I / I0), mean of the channels weighted for amber. 0 is empty card.
    log_light : ndarray of shape (h3, w3, 3), float32
        log10 of the empty light I0 of red, green, blue, in linear units of 0 to 1, on a coarse grid.
    noise : float
        Standard deviation of the density on empty card at the scale of a pixel.
    """

    density: np.ndarray
    log_light: np.ndarray
    noise: float


@dataclass(frozen=True)
class Clutter(_ReadOnlyArrays):
    """What hides the print.

    Parameters
    ----------
    kind : ndarray of shape (h, w), uint8
        0 nothing, else 1 + index in `CLUTTER_KINDS`.
    examined : ndarray of shape (h, w), bool
        Seen, sharp or not, and not hidden.
    """

    kind: np.ndarray
    examined: np.ndarray


CLUTTER_KINDS = ("bubble", "dark", "glare")


@dataclass(frozen=True)
class Candidates(_ReadOnlyArrays):
    """Places that could be a spore, on the working grid, sub-pixel.

    Parameters
    ----------
    row, col : ndarray of shape (n,), float64
    size_um : ndarray of shape (n,), float64
        Diameter of the disc that answers best.
    score : ndarray of shape (n,), float32
        Scale-normalised answer of the detector at that size, in units of density.
    answers : ndarray of shape (n, sizes), float32
        The answers at all sizes, finest first, at the same place.
    density : ndarray of shape (n,), float32
        Density there, at the finest size.
    """

    row: np.ndarray
    col: np.ndarray
    size_um: np.ndarray
    score: np.ndarray
    answers: np.ndarray
    density: np.ndarray


@dataclass(frozen=True)
class Objects(_ReadOnlyArrays):
    """Measured objects, one row each; columns of shape (n,).

    Parameters
    ----------
    x_px, y_px : ndarray, float64
        Centre, in the upright photo.
    length_um, width_um : ndarray, float64
        Axes of the outline that fits best.
    angle_deg : ndarray, float64
        Long axis, from +x towards +y (down), in [0, 180).
    area_um2 : ndarray, float64
    optical_density : ndarray, float64
        Mean over the object, green channel, over its surroundings.
    amber : ndarray, float64
        Density in blue over density in red; above 1 for amber.
    sharpness : ndarray, float64
        Mean slope of the density across the outline, per um, over the object's density.
    clump : ndarray, int64
        Objects in its touching group, 1 for a single one.
    on_scale : ndarray, bool
        Lies on or under a scale.
    """

    x_px: np.ndarray
    y_px: np.ndarray
    length_um: np.ndarray
    width_um: np.ndarray
    angle_deg: np.ndarray
    area_um2: np.ndarray
    optical_density: np.ndarray
    amber: np.ndarray
    sharpness: np.ndarray
    clump: np.ndarray
    on_scale: np.ndarray

    def __len__(self) -> int:
        return len(self.x_px)


@dataclass(frozen=True)
class Kinds(_ReadOnlyArrays):
    """What the objects are.

    Parameters
    ----------
    probability : ndarray of shape (n, len(KINDS)), float32
        Rows sum to 1.
    """

    probability: np.ndarray

    @property
    def spore(self) -> np.ndarray:
        """Probability of being a spore, shape (n,)."""
        return self.probability[:, 0]

    @property
    def likeliest(self) -> np.ndarray:
        """Index into `KINDS`, shape (n,)."""
        return self.probability.argmax(axis=1)


@dataclass(frozen=True)
class FieldTally:
    """Count of a field.

    Parameters
    ----------
    spores : int
        Objects that count as spores.
    spores_low, spores_high : int
        95 % interval of the true number in the examined area.
    examined_mm2 : float
    in_focus : float
        Share of the examined area that is sharp enough, 0 to 1.
    scales : int
        Butterfly scales seen.
    flag : Flag
    reasons : tuple of str
        Codes of `reasons.REASONS`.
    recall, recall_u : float
        Share of countable spores expected to be found under this field's conditions, and its standard
        uncertainty.
    spore_length_um : float
        Median length of the sure spores; nan without any.
    hidden_in_heaps : float
        Spores that heaps could hold beyond those counted, by their density; the interval's upper end holds them.
    """

    spores: int
    spores_low: int
    spores_high: int
    examined_mm2: float
    in_focus: float
    scales: int
    flag: Flag
    reasons: tuple[str, ...]
    recall: float
    recall_u: float
    spore_length_um: float
    hidden_in_heaps: float = 0.0


@dataclass(frozen=True)
class FieldResult(_ReadOnlyArrays):
    """All that is known of one photo after counting.

    Parameters
    ----------
    photo : str
        Name, as in `Photo.name`.
    sample : str
        The print.
    field : int
        Number of the field within its print, from 1.
    width_px, height_px : int
        Of the upright photo.
    scale : Scale
    view : RoundView
    objects : Objects
    kinds : Kinds
    counted : ndarray of shape (n,), bool
        The objects that the count is made of.
    tally : FieldTally
    taken_at, camera, sha256 : str
        Empty when unknown.
    """

    photo: str
    sample: str
    field: int
    width_px: int
    height_px: int
    scale: Scale
    view: RoundView
    objects: Objects
    kinds: Kinds
    counted: np.ndarray
    tally: FieldTally
    taken_at: str = ""
    camera: str = ""
    sha256: str = ""


@dataclass(frozen=True)
class FieldPreview(_ReadOnlyArrays):
    """A small picture of a field, for display and for finding overlaps.

    Parameters
    ----------
    rgb : ndarray of shape (h, w, 3), uint8
        The upright photo, reduced.
    left_out : ndarray of shape (h, w), uint8
        0 examined, else 1 + index in `CLUTTER_KINDS`; 255 outside the view.
    blurred : ndarray of shape (h, w), bool
        Too blurred to tell a spore.
    zoom : float
        Preview pixels per photo pixel.
    """

    rgb: np.ndarray
    left_out: np.ndarray
    blurred: np.ndarray
    zoom: float

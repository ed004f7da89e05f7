"""What a simulated photo truly shows.

Every renderer of simulated photos, whatever its style, hands over the same record, so that
training, tests and scoring read one kind of truth.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

KIND_NAMES = (
    "background",
    "spore",
    "scale",
    "scale piece",
    "hair",
    "fibre",
    "bubble",
    "dust",
    "pollen",
    "other",
)
"""Kinds of the map `SimulatedPhoto.kind_map`, by their number. "other": mould, droplets, ink, ruled lines, ..."""


@dataclass(frozen=True)
class SporeTruth:
    """One simulated spore, in pixels of the finished upright photo (integer = pixel centre).

    Parameters
    ----------
    x_px, y_px : float
        Centre of the spore's outline.
    length_um, width_um : float
        Long and short axis of the true outline, before blur.
    angle_deg : float
        Direction of the long axis, from +x towards +y (down), in [0, 180).
    visible : float
        Share of the outline not hidden beneath other things and inside the view, 0 to 1.
    blur_um : float
        Standard deviation of the blur at its place, objective and defocus together.
    contrast : float
        Mean optical density of the drawn spore over its surroundings, after blur.
    on_scale : bool
        Lies on or under a butterfly scale.
    clump : int
        Number of spores in its touching group, 1 for a single one.
    countable : bool
        A careful person could count it. False for a spore that is hidden, hopelessly blurred or outside
        the view: such a spore is neither a hit nor a miss.
    """

    x_px: float
    y_px: float
    length_um: float
    width_um: float
    angle_deg: float
    visible: float
    blur_um: float
    contrast: float
    on_scale: bool
    clump: int
    countable: bool


@dataclass(frozen=True)
class SimulatedPhoto:
    """A simulated photo with its truth.

    Parameters
    ----------
    rgb : ndarray of shape (H, W, 3), uint8
        sRGB, upright.
    um_per_px : float
        True scale at the centre of the photo.
    objective : float
        Magnification of the simulated objective, such as 10.
    spores : tuple of SporeTruth
    kind_map : ndarray of shape (H, W), uint8
        Topmost kind at each pixel, numbers as in `KIND_NAMES`; from the undistorted scene, before blur.
    scales : int
        Butterfly scales, whole or nearly so, in the view.
    notes : dict
        Free facts about how it was drawn (style, light from above or below, defocus, ...), JSON-ready.
    """

    rgb: np.ndarray
    um_per_px: float
    objective: float
    spores: tuple[SporeTruth, ...]
    kind_map: np.ndarray
    scales: int
    notes: dict = field(default_factory=dict)

"""What lies on the print besides spores: large objects, and what hides the print from view.

Two masks, two meanings. Large objects (scales, hairs, fibres) lie on the print and a spore on them can be
seen. What hides the print (bubble rims, opaque things, glare) takes area out of what was examined.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.records import CLUTTER_KINDS, Clutter, FlatField, WorkImage
from sporecount.settings import CountSettings
from sporecount.steps.rescale import reduced, seen_at, size_at

_COARSE_UM = 3.0
"""Grid for large things: three spore widths across the finest hair, a tenth of the cost."""

_OPAQUE_DENSITY = 1.05
"""Less than a tenth of the light gets through: a spore on it (some 0.3 more) can no longer be told in 8 bits."""

_GLARE = 250
"""Code value from which a phone's pixel tells nothing any more."""


@dataclass(frozen=True)
class LargeObjects:
    """Things clearly larger than a spore, n rows.

    Parameters
    ----------
    label : ndarray of shape (h, w), int32
        On the coarse grid: 0, or 1 + number of the object.
    zoom : float
        Coarse pixels per working pixel.
    row, col : ndarray of shape (n,)
        Centres on the working grid.
    area_um2, length_um, width_um, angle_deg, density : ndarray of shape (n,)
        Length and width of the smallest rectangle around it.
    solidity : ndarray of shape (n,)
        Area over that of the convex hull (ISO 9276-6).
    """

    label: np.ndarray
    zoom: float
    row: np.ndarray
    col: np.ndarray
    area_um2: np.ndarray
    length_um: np.ndarray
    width_um: np.ndarray
    angle_deg: np.ndarray
    density: np.ndarray
    solidity: np.ndarray


def find_clutter(work: WorkImage, flat: FlatField, settings: CountSettings) -> tuple[Clutter, LargeObjects]:
    """Mark what hides the print, and list the large objects.

    Bubbles in the adhesive refract: a bright and a dark edge side by side. Opaque and blown-out places tell
    nothing. Fibres and hairs are large objects, and what lies on them is examined.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField
    settings : CountSettings

    Returns
    -------
    clutter : Clutter
        On the working grid.
    large : LargeObjects
    """
    height, width = work.seen.shape
    size = size_at(work, _COARSE_UM)
    coarse_um = work.um_per_px * width / size[0]
    density = reduced(flat.density, size)
    seen = seen_at(work, size)
    kind = np.zeros((size[1], size[0]), np.uint8)

    large = _large_objects(density, seen, coarse_um, work, settings)
    _mark(kind, _refracting(density, coarse_um), "bubble")
    _mark(kind, _opaque(density, coarse_um), "glare" if work.negative else "dark")
    red, green, blue = cv2.split(reduced(work.rgb, size))
    darkest_channel = cv2.min(cv2.min(red, green), blue)
    _mark(
        kind,
        cv2.morphologyEx((darkest_channel >= _GLARE).astype(np.uint8), cv2.MORPH_OPEN, _disc(2)) > 0,
        "dark" if work.negative else "glare",
    )
    full = cv2.resize(kind, (width, height), interpolation=cv2.INTER_NEAREST)
    return Clutter(kind=full, examined=work.seen & (full == 0)), large


def _mark(kind: np.ndarray, where: np.ndarray, name: str) -> None:
    kind[where & (kind == 0)] = 1 + CLUTTER_KINDS.index(name)


def _disc(radius: int) -> np.ndarray:
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))


def _opaque(density: np.ndarray, coarse_um: float) -> np.ndarray:
    """Larger than a clump of spores and darker than a spore could show on."""
    dark = (density > _OPAQUE_DENSITY).astype(np.uint8)
    return cv2.morphologyEx(dark, cv2.MORPH_OPEN, _disc(max(1, round(12 / coarse_um)))) > 0


def _refracting(density: np.ndarray, coarse_um: float) -> np.ndarray:
    """Rims where clearly more light than the empty card's and clearly less lie within some 8 um of each other."""
    reach = max(1, round(8 / coarse_um))
    bright = cv2.dilate((density < -0.10).astype(np.uint8), _disc(reach))
    dark = cv2.dilate((density > 0.15).astype(np.uint8), _disc(reach))
    rims = cv2.bitwise_and(bright, dark)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(rims, connectivity=8)
    long_enough = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]) * coarse_um > 45
    long_enough[0] = False
    return long_enough[labels] if count > 1 else np.zeros(density.shape, bool)


def _large_objects(
    density: np.ndarray, seen: np.ndarray, coarse_um: float, work: WorkImage, settings: CountSettings
) -> LargeObjects:
    smooth = cv2.GaussianBlur(density, (0, 0), 0.8)
    dark = ((smooth > 0.07) & seen).astype(np.uint8)
    _, labels, stats, centres = cv2.connectedComponentsWithStats(dark, connectivity=4)
    largest_spore_um2 = np.pi / 4 * settings.spore_length_max_um**2
    keep = stats[:, cv2.CC_STAT_AREA] * coarse_um**2 > 2.0 * largest_spore_um2
    keep[0] = False
    numbers = np.cumsum(keep) * keep
    label = numbers[labels].astype(np.int32)
    rows = []
    for old in np.flatnonzero(keep):
        left, top, box_width, box_height, area = stats[old]
        box = (slice(top, top + box_height), slice(left, left + box_width))
        mask = (labels[box] == old).astype(np.uint8)
        outlines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        outline = max(outlines, key=len)
        (_, _), (side_1, side_2), turn = cv2.minAreaRect(outline)
        side_1, side_2 = side_1 + 1, side_2 + 1
        hull_area = max(cv2.contourArea(cv2.convexHull(outline)), float(area))
        rows.append(
            (
                centres[old][1],
                centres[old][0],
                area * coarse_um**2,
                max(side_1, side_2) * coarse_um,
                min(side_1, side_2) * coarse_um,
                (turn if side_1 >= side_2 else turn + 90) % 180.0,
                float(density[box][mask > 0].mean()),
                area / hull_area,
            )
        )
    table = np.array(rows, float).reshape(-1, 8)
    zoom = density.shape[1] / work.seen.shape[1]
    return LargeObjects(
        label=label,
        zoom=zoom,
        row=(table[:, 0] + 0.5) / zoom - 0.5,
        col=(table[:, 1] + 0.5) / zoom - 0.5,
        area_um2=table[:, 2],
        length_um=table[:, 3],
        width_um=table[:, 4],
        angle_deg=table[:, 5],
        density=table[:, 6],
        solidity=table[:, 7],
    )

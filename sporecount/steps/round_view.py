"""The eyepiece's circle: where it lies and what part of the photo it lets through."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.records import Photo, RoundView

_COARSE_PX = 256
"""Longer side of the reduced picture on which the circle is sought; its edge is then good to about
a five-hundredth of the diameter, finer than the softness of the edge itself."""

_BRIDGED = 11
"""Dark lines up to this width on the reduced picture are bridged before a circle is given up: the lines of a
counting grid cut the lit region into squares."""

_EDGE_PX = 3.0
"""Half of the width on the reduced picture within which an edge falls that is no sharper than the eyepiece's."""

_MEASURABLE_ARC = 0.22
"""Share of the circle that must be in the photo before its diameter is trusted."""

_FEWEST_POINTS = 14

_DARK_SHARE = 0.42
"""Outside the circle it is darker than this share of the brightness inside (common practice: the tube is black,
stray light of the phone's lens lifts it)."""

_LIFTED_SHARE = 0.7
_LIFTED_SPREAD, _LIFTED_EDGE, _LIFTED_ARC = 0.1, 0.8, 0.5
"""Where stray light lifts the surround above that: linear light of the surround over that of the view, the
spread of the surround over the step between them, the share of the step that the edge takes, and the share of
the circle that must show. A surround has no light of its own and holds no things, so it is even from the edge
on; card, sky and wall in the lamp's shade are not (chosen). Such a view is never measured: a plate or coverslip
looks like one."""


def find_round_view(photo: Photo) -> RoundView:
    """Find the round view.

    The lit region is cut out by brightness; a circle is fitted to the points of its convex hull that do
    not lie on the photo's own border, dropping the points that do not fit (scales and hairs at the rim
    only dent the region inwards, so the hull forgets them).

    Parameters
    ----------
    photo : Photo

    Returns
    -------
    RoundView
        `found` is False where no dark surround with a circular edge is seen: then the whole photo counts
        as the view.
    """
    height, width = photo.rgb.shape[:2]
    step = max(1, round(max(height, width) / _COARSE_PX))
    bright = cv2.GaussianBlur(photo.rgb[::step, ::step].max(axis=2).astype(np.float32), (0, 0), 1.2)
    whole = RoundView((width - 1) / 2, (height - 1) / 2, float(np.hypot(width, height) / 2), False, False)
    if min(bright.shape) < 24:
        return whole
    dark, lit = np.percentile(bright, (1.0, 80.0))
    if lit < 8:
        return whole
    bridged = cv2.morphologyEx(bright, cv2.MORPH_CLOSE, _bridge())
    circles = []
    for picture in (bright, bridged):
        for level in (0.5, 0.3):
            circle = _fit_lit_region(picture > dark + level * (lit - dark))
            if circle is None:
                continue
            if _outside_is_dark(bright, *circle[:3]):
                return _view(circle, step, measurable=circle[3] > _MEASURABLE_ARC)
            circles.append(circle)
    for circle in circles:
        if circle[3] > _LIFTED_ARC and _outside_is_lifted(bright, *circle[:3]):
            return _view(circle, step, measurable=False)
    return whole


def _view(circle: tuple[float, float, float, float], step: int, *, measurable: bool) -> RoundView:
    x, y, radius = (value * step for value in circle[:3])
    return RoundView(x, y, radius, True, measurable=measurable)


def _bridge() -> np.ndarray:
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_BRIDGED, _BRIDGED))


def view_mask(view: RoundView, width_px: int, height_px: int, *, margin: float = 0.985) -> np.ndarray:
    """Pixels inside the view, the soft rim left out.

    Parameters
    ----------
    view : RoundView
    width_px, height_px : int
        Grid of the mask; `view` is given on the same grid.
    margin : float
        Share of the radius that is kept.

    Returns
    -------
    ndarray of shape (height_px, width_px), bool
    """
    if not view.found:
        return np.ones((height_px, width_px), bool)
    rows = np.arange(height_px)[:, None] - view.center_y_px
    cols = np.arange(width_px)[None, :] - view.center_x_px
    return np.asarray(cols**2 <= (margin * view.radius_px) ** 2 - rows**2)


def dark_corners(rgb: np.ndarray) -> np.ndarray:
    """Pixels of a corner that the eyepiece cuts off, where too little of the circle shows to fit one.

    Parameters
    ----------
    rgb : ndarray of shape (h, w, 3), uint8

    Returns
    -------
    ndarray of shape (h, w), bool
        What is nearly black and reaches into a corner of the picture, and a rim around it.
    """
    height, width = rgb.shape[:2]
    step = max(1, round(max(height, width) / _COARSE_PX))
    bright = cv2.GaussianBlur(rgb[::step, ::step].max(axis=2).astype(np.float32), (0, 0), 1.0)
    black = (bright < 0.22 * np.percentile(bright, 80)).astype(np.uint8)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(black, connectivity=4)
    corners = {int(labels[i, j]) for i in (0, -1) for j in (0, -1) if black[i, j]}
    cut = np.isin(labels, [one for one in corners if stats[one, cv2.CC_STAT_AREA] > 12])
    wider = cv2.dilate(cut.astype(np.uint8), np.ones((7, 7), np.uint8))
    return cv2.resize(wider, (width, height), interpolation=cv2.INTER_NEAREST) > 0


def _fit_lit_region(lit: np.ndarray) -> tuple[float, float, float, float] | None:
    """Centre, radius and the share of the circle that was seen."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(lit.astype(np.uint8), connectivity=4)
    if count < 2:
        return None
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    if stats[largest, cv2.CC_STAT_AREA] < 0.08 * lit.size:
        return None
    contours, _ = cv2.findContours(
        (labels == largest).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    outline = max(contours, key=len)
    hull = cv2.convexHull(outline)
    outline = outline[:, 0, :].astype(float)
    near_hull = np.array([cv2.pointPolygonTest(hull, tuple(point), True) < 1.5 for point in outline])
    height, width = lit.shape
    inner = (
        (outline[:, 0] > 1) & (outline[:, 0] < width - 2) & (outline[:, 1] > 1) & (outline[:, 1] < height - 2)
    )
    points = outline[near_hull & inner]
    if len(points) < _FEWEST_POINTS:
        return None
    for _ in range(8):
        x, y, radius = _algebraic_circle(points)
        miss = np.hypot(points[:, 0] - x, points[:, 1] - y) - radius
        keep = np.abs(miss) <= max(1.0, 2.0 * float(np.median(np.abs(miss))))
        if keep.all() or keep.sum() < _FEWEST_POINTS:
            break
        points = points[keep]
    spread = float(np.median(np.abs(np.hypot(points[:, 0] - x, points[:, 1] - y) - radius)))
    angles = np.arctan2(points[:, 1] - y, points[:, 0] - x)
    covered = np.unique(np.floor((angles + np.pi) / (2 * np.pi) * 36)).size / 36
    plausible = 0.15 * min(lit.shape) < radius < 2.0 * max(lit.shape)
    if not plausible or spread > min(0.012 * radius + 0.5, 1.5):
        return None
    return x, y, radius, covered


def _algebraic_circle(points: np.ndarray) -> tuple[float, float, float]:
    """Least-squares circle x^2 + y^2 + ax + by + c = 0 (Kasa 1976, IEEE Trans. Instrum. Meas. 25:8-14)."""
    x, y = points[:, 0], points[:, 1]
    design = np.column_stack((x, y, np.ones_like(x)))
    a, b, c = np.linalg.lstsq(design, -(x**2 + y**2), rcond=None)[0]
    return -a / 2, -b / 2, float(np.sqrt(max(a * a / 4 + b * b / 4 - c, 0.0)))


def _outside_is_dark(bright: np.ndarray, x: float, y: float, radius: float) -> bool:
    away = _from_centre(bright, x, y) / radius
    outside, rim = bright[away > 1.03], bright[(away < 0.94) & (away > 0.6)]
    if outside.size < 0.002 * bright.size or rim.size == 0:
        return False
    return bool(np.percentile(outside, 75) < _DARK_SHARE * np.percentile(rim, 60))


def _outside_is_lifted(bright: np.ndarray, x: float, y: float, radius: float) -> bool:
    """Whether the surround is dark but for stray light.

    It is then even, less bright than the view, parted from it by an edge, and nothing in the view is darker.
    """
    away = _from_centre(bright, x, y)
    outside, rim = bright[away > radius + _EDGE_PX], bright[(away < 0.94 * radius) & (away > 0.6 * radius)]
    just_outside = bright[(away > radius + _EDGE_PX) & (away < radius + 2 * _EDGE_PX)]
    just_inside = bright[(away < radius - _EDGE_PX) & (away > radius - 2 * _EDGE_PX)]
    if outside.size < 0.02 * bright.size or not (rim.size and just_outside.size and just_inside.size):
        return False
    low, middle, high = np.percentile(outside, (0.5, 50, 99.5))
    lit, darkest = np.percentile(rim, 60), np.percentile(bright[away < 0.94 * radius], 0.1)
    edge = np.percentile(just_inside, 60) - np.percentile(just_outside, 60)
    spread = _LIFTED_SPREAD * (lit - middle)
    dark = (middle / lit) ** 2.2 < _LIFTED_SHARE  # code values are about the 1/2.2 power of light
    return bool(
        dark and high - low < spread and edge > _LIFTED_EDGE * (lit - middle) and darkest > low - spread
    )


def _from_centre(bright: np.ndarray, x: float, y: float) -> np.ndarray:
    rows, cols = np.indices(bright.shape)
    return np.hypot(cols - x, rows - y)

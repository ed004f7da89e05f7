"""Whether two photos show a common part of a print, and how one lies on the other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np

from sporecount.records import FieldPreview, FieldResult, Scale

_LONG_SIDE_PX = 480
"""Of the picture in which marks are sought: scales, fibres and clumps are 5 to 50 pixels there."""
_MARKS = 700
_LEADING_MARKS = 250
"""Marks of a first look, which spares most pairs of different places the close one."""
_LEAST_VOTES = 3
_SAME_MARK = 0.8
"""Largest distance to the best mark over that to the second best: Lowe 2004, Int. J. Comput. Vision
60:91-110."""
_LEAST_INLIERS = 8
_SCALE_TOLERANCE = 0.03
_NEAR_SHARE = 0.006
"""How far a mark may lie from its place, as a share of the view's longer side: tilt, distortion, blur."""
_LEAST_OVERLAP = 0.06
"""Share of the smaller view below which a common part is too small to be judged."""


class InPhoto(Protocol):
    """What has a place in a photo of known scale: a field, or an overview."""

    @property
    def width_px(self) -> int: ...  # noqa: D102
    @property
    def height_px(self) -> int: ...  # noqa: D102
    @property
    def scale(self) -> Scale: ...  # noqa: D102


@dataclass(frozen=True)
class Look:
    """A field made ready for comparison. Positions in um from the photo's centre, distortion taken out.

    Parameters
    ----------
    band : ndarray of shape (h, w), float32
        Optical density without slow changes (light, shade) and without the finest detail (focus, noise).
    inside : ndarray of shape (h, w), uint8
        1 inside the round view.
    grid_um : float
        Pixel of both.
    marks_um : ndarray of shape (n, 2), float32
    marks_deg : ndarray of shape (n,), float32
        Direction of each mark.
    description : ndarray of shape (n, 128), float32
        Of unit length each.
    scale_rel_u : float
        Relative standard uncertainty of the photo's scale.
    """

    band: np.ndarray
    inside: np.ndarray
    grid_um: float
    marks_um: np.ndarray
    marks_deg: np.ndarray
    description: np.ndarray
    scale_rel_u: float

    @property
    def long_um(self) -> float:
        """Longer side of the photo."""
        return max(self.band.shape) * self.grid_um


@dataclass(frozen=True)
class Fit:
    """How one field lies on another.

    Parameters
    ----------
    matrix : ndarray of shape (2, 3)
        Similarity from um of the first to um of the second.
    bent : ndarray of shape (2, 3)
        The same as an affine map, for tilt, where the marks bear it; else the similarity.
    marks : int
        Marks that agree.
    likeness : float
        Correlation of the two pictures over the common part, -1 to 1.
    overlap : float
        Common part as a share of the smaller view.
    certainty : float
        Probability that both show the same part of a print.
    """

    matrix: np.ndarray
    bent: np.ndarray
    marks: int
    likeness: float
    overlap: float
    certainty: float


def to_um(field: InPhoto, x_px: np.ndarray, y_px: np.ndarray) -> np.ndarray:
    """Positions in um from the centre of the photo, radial distortion taken out; shape (n, 2)."""
    dx = np.asarray(x_px, float) - (field.width_px - 1) / 2
    dy = np.asarray(y_px, float) - (field.height_px - 1) / 2
    half = np.hypot(field.width_px, field.height_px) / 2
    stretch = field.scale.um_per_px * (1 + field.scale.k1 * (dx**2 + dy**2) / half**2)
    return np.stack([dx * stretch, dy * stretch], axis=1)


def move(matrix: np.ndarray, points_um: np.ndarray) -> np.ndarray:
    """Apply a (2, 3) map to points of shape (n, 2)."""
    return points_um @ matrix[:, :2].T + matrix[:, 2]


def objects_um(field: FieldResult) -> np.ndarray:
    """Positions of a field's objects, as `to_um` gives them."""
    return to_um(field, field.objects.x_px, field.objects.y_px)


def corners_um(field: InPhoto) -> np.ndarray:
    """Corners of the photo, shape (4, 2)."""
    x, y = field.width_px - 1.0, field.height_px - 1.0
    return to_um(field, np.array([0, x, x, 0]), np.array([0, 0, y, y]))


def inverse(matrix: np.ndarray) -> np.ndarray:
    """Inverse of a (2, 3) map."""
    return np.linalg.inv(np.vstack([matrix, [0, 0, 1]]))[:2]


def after(outer: np.ndarray, inner: np.ndarray) -> np.ndarray:
    """Map that does `inner` and then `outer`."""
    return (np.vstack([outer, [0, 0, 1]]) @ np.vstack([inner, [0, 0, 1]]))[:2]


def make_look(field: InPhoto, preview: FieldPreview) -> Look:
    """Flatten a preview and find its marks. Cost some 60 ms."""
    height, width = preview.left_out.shape
    shrink = min(1.0, _LONG_SIDE_PX / max(height, width))
    size = (max(2, round(width * shrink)), max(2, round(height * shrink)))
    gray = cv2.resize(cv2.cvtColor(preview.rgb, cv2.COLOR_RGB2GRAY), size, interpolation=cv2.INTER_AREA)
    inside = cv2.resize((preview.left_out != 255).astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    density = -np.log10(np.maximum(gray, 4).astype(np.float32) / 255)
    slow = max(size) / 24
    weight = np.maximum(cv2.GaussianBlur(inside.astype(np.float32), (0, 0), slow), 1e-3)
    level = cv2.GaussianBlur(density * inside, (0, 0), slow) / weight
    rim = max(3, round(max(size) / 60))
    inside = cv2.erode(inside, np.ones((rim, rim), np.uint8), borderValue=0)
    flat = (density - level) * inside
    spread = float(np.quantile(np.abs(flat[inside > 0]), 0.9)) if inside.any() else 0.0
    gain = 50 / max(spread, 0.02)  # bare card is not blown up until its noise looks like a print
    picture = np.clip(128 + gain * flat, 0, 255).astype(np.uint8)
    found, description = cv2.SIFT.create(nfeatures=_MARKS, contrastThreshold=0.02).detectAndCompute(
        picture, inside
    )
    order = sorted(range(len(found)), key=lambda i: -found[i].response * found[i].size)
    zoom = preview.zoom * shrink
    at = np.array([found[i].pt for i in order], np.float64).reshape(-1, 2)
    describe = (
        np.zeros((0, 128), np.float32) if description is None else description[order].astype(np.float32)
    )
    describe = np.sqrt(describe / np.maximum(describe.sum(axis=1, keepdims=True), 1e-6))
    limit = max(4 * spread, 0.05)
    return Look(
        band=cv2.GaussianBlur(np.clip(flat, -limit, limit), (0, 0), 1.2),
        inside=inside,
        grid_um=field.scale.um_per_px / zoom,
        marks_um=to_um(field, (at[:, 0] + 0.5) / zoom - 0.5, (at[:, 1] + 0.5) / zoom - 0.5),
        marks_deg=np.array([found[i].angle for i in order], np.float32),
        description=describe,
        scale_rel_u=field.scale.um_per_px_u / field.scale.um_per_px,
    )


def fit_pair(first: Look, second: Look) -> Fit | None:
    """Fit one field to another.

    Marks that look alike (scale-invariant features, root-normalised) propose a similarity whose scale is
    that of both calibrations; what it makes of the two pictures is then compared over the whole common
    part. Both must agree: dirt on the eyepiece stands still in all photos and gives marks that fit,
    but no likeness around them.

    Returns
    -------
    Fit or None
        None where nothing speaks for a common part.
    """
    a, b = alike(first, second, _LEADING_MARKS)
    if _votes(first, second, a, b) < _LEAST_VOTES:
        return None
    a, b = alike(first, second, _MARKS)
    if len(a) < _LEAST_INLIERS:
        return None
    near = _NEAR_SHARE * max(first.long_um, second.long_um)
    cv2.setRNGSeed(1)
    matrix, chosen = cv2.estimateAffinePartial2D(
        first.marks_um[a], second.marks_um[b], ransacReprojThreshold=near, maxIters=1000, confidence=0.995
    )
    if matrix is None:
        return None
    good = chosen.ravel().astype(bool)
    grown = float(np.hypot(matrix[0, 0], matrix[1, 0]))
    tolerance = _SCALE_TOLERANCE + 3 * np.hypot(first.scale_rel_u, second.scale_rel_u)
    if good.sum() < _LEAST_INLIERS or abs(grown - 1) > tolerance:
        return None
    likeness, overlap = compare(first, second, matrix)
    return Fit(
        matrix=matrix,
        bent=_bent(first.marks_um[a[good]], second.marks_um[b[good]], matrix),
        marks=int(good.sum()),
        likeness=likeness,
        overlap=overlap,
        certainty=certainty(int(good.sum()), likeness, overlap, still=_stands_still(matrix, first.long_um)),
    )


def alike(first: Look, second: Look, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of marks that are each other's best, and clearly better than the next."""
    one, other = first.description[:count], second.description[:count]
    if len(one) < 2 or len(other) < 2:
        return np.zeros(0, int), np.zeros(0, int)
    score = one @ other.T
    best = score.argmax(axis=1)
    rows = np.arange(len(one))
    top = score[rows, best]
    mutual = score.argmax(axis=0)[best] == rows
    score[rows, best] = -1
    distance = np.sqrt(np.maximum(2 - 2 * top, 0))
    next_best = np.sqrt(np.maximum(2 - 2 * score.max(axis=1), 1e-9))
    kept = mutual & (distance < _SAME_MARK * next_best)
    return rows[kept], best[kept]


def _stands_still(matrix: np.ndarray, long_um: float) -> bool:
    turn = abs(np.degrees(np.arctan2(matrix[1, 0], matrix[0, 0])))
    return bool(turn < 0.3 and np.hypot(*matrix[:, 2]) < 0.01 * long_um)


def _votes(first: Look, second: Look, a: np.ndarray, b: np.ndarray) -> int:
    """Most pairs of marks that agree on turn and shift, roughly."""
    if len(a) < _LEAST_VOTES:
        return 0
    turn = np.radians(second.marks_deg[b] - first.marks_deg[a])
    cos, sin = np.cos(turn), np.sin(turn)
    x, y = first.marks_um[a].T
    shift = second.marks_um[b] - np.stack([cos * x - sin * y, sin * x + cos * y], axis=1)
    near = 0.06 * max(first.long_um, second.long_um)
    apart = np.hypot(*(shift[:, None] - shift[None]).transpose(2, 0, 1))
    turned = np.abs((turn[:, None] - turn[None] + np.pi) % (2 * np.pi) - np.pi)
    return int(((apart < near) & (turned < np.radians(15))).sum(axis=1).max())


def _bent(source: np.ndarray, target: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    """Affine map by least squares, where many marks over a wide area bear it."""
    if len(source) < 20:
        return matrix
    wide = np.linalg.svd(source - source.mean(axis=0), compute_uv=False) / np.sqrt(len(source))
    if wide[1] < 0.25 * wide[0]:
        return matrix
    columns = np.column_stack([source, np.ones(len(source))])
    return np.linalg.lstsq(columns, target, rcond=None)[0].T


def compare(first: Look, second: Look, matrix: np.ndarray) -> tuple[float, float]:
    """Likeness of two pictures when one is laid on the other, and their common part."""
    grid = after(inverse(_grid_to_um(second)), after(matrix, _grid_to_um(first)))
    size = first.band.shape[::-1]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    laid = cv2.warpAffine(second.band, grid, size, flags=flags)
    seen = cv2.warpAffine(second.inside, grid, size, flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
    common = (seen > 0) & (first.inside > 0)
    smaller = min(
        float(first.inside.sum()) * first.grid_um**2, float(second.inside.sum()) * second.grid_um**2
    )
    overlap = float(common.sum()) * first.grid_um**2 / max(smaller, 1e-9)
    if common.sum() < 100:
        return 0.0, overlap
    one, other = first.band[common], laid[common]
    one, other = one - one.mean(), other - other.mean()
    size_of = float(np.sqrt((one**2).sum() * (other**2).sum()))
    return float((one * other).sum() / size_of) if size_of > 0 else 0.0, min(overlap, 1.0)


def _grid_to_um(look: Look) -> np.ndarray:
    middle = (np.array(look.band.shape[::-1]) - 1) / 2
    return np.column_stack([look.grid_um * np.eye(2), -look.grid_um * middle])


def certainty(marks: int, likeness: float, overlap: float, *, still: bool) -> float:
    """Probability that two photos show a common part.

    A logistic curve laid between what pairs of different places reach (at most 5 marks and a likeness of 0.3
    in 1000 simulated pairs) and what true pairs show (at least 20 marks and 0.9), with room towards the
    latter, since real photos of one place are less alike than simulated ones.

    Parameters
    ----------
    marks : int
    likeness, overlap : float
    still : bool
        Whether the photos lie on one another without a shift, as dirt on the eyepiece would have it: then
        the likeness has to be larger.
    """
    if overlap < _LEAST_OVERLAP or marks < 1:
        return 0.0
    logit = 20 * (likeness - (0.65 if still else 0.5)) + 5 * np.log(marks / 10)
    return float(1 / (1 + np.exp(-np.clip(logit, -30, 30))))

"""Where photos of a print overlap: which of them stands for a spot, and which objects are repeats."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.records import FieldPreview, FieldResult
from sporecount.steps.registration import after, corners_um, move, objects_um

_SAME_OBJECT = 0.5
"""Objects of two photos nearer than this share of a spore's length are one."""
_USUAL_LENGTH_UM = 11.0
_CELLS = 120
"""Cells of the map along the smallest view."""
_MOST_CELLS = 1500
_LEAD = 1.3
"""Lead, in squared contrast, of the sharpest photo, so that equals do not take turns cell by cell."""
_HARDLY_A_SPORE = 0.02
"""Objects up to this probability, thousands of specks in a photo, are not compared one by one."""
_NEARLY_AS_SHARP = 0.5
"""Share of the largest squared contrast from which photos see an object equally well."""


@dataclass(frozen=True)
class Part:
    """What of a field counts.

    Parameters
    ----------
    repeat : ndarray of shape (n,), bool
        Objects that another photo stands for.
    own_share : float
        Share of its examined area that the field stands for.
    own_blurred : float
        Share of that part which is blurred; nan where it was not looked at.
    """

    repeat: np.ndarray
    own_share: float = 1.0
    own_blurred: float = float("nan")


def share_ground(
    fields: Sequence[FieldResult],
    previews: Sequence[FieldPreview],
    matrices: Sequence[np.ndarray],
    bent: Mapping[tuple[int, int], np.ndarray],
) -> list[Part]:
    """Share the ground of overlapping fields out among them.

    Each spot goes to the photo that examined it and shows it with the most contrast. Objects of a spot count
    in that photo alone. Objects that lie on one another in several photos count exactly once, wherever the
    border runs: in the photo that is surest of them, among those nearly as sharp there as the sharpest.

    Parameters
    ----------
    fields, previews : sequence
        Of one group.
    matrices : sequence of ndarray of shape (2, 3)
        From um of each field to um of the map.
    bent : mapping
        Pair of indices, the smaller first, to the closest map from um of the first to um of the second.

    Returns
    -------
    list of Part
    """
    low, cell_um, shape = _cells(fields, matrices)
    laid = [_on_map(*one, low, cell_um, shape) for one in zip(fields, previews, matrices, strict=True)]
    contrast = np.stack([one for one, _ in laid])
    examined = contrast >= 0
    common = examined.sum(axis=0) > 1
    sharpness = [one[common & seen].sum() for one, seen in zip(contrast, examined, strict=True)]
    covered = np.maximum((common & examined).sum(axis=(1, 2)), 1)
    contrast[int(np.argmax(sharpness / covered))] *= _LEAD  # -1 stays below 0
    owner = np.where(examined.any(axis=0), contrast.argmax(axis=0), -1)

    at = [move(matrix, objects_um(field)) for field, matrix in zip(fields, matrices, strict=True)]
    stands, local = [], []
    for k, points in enumerate(at):
        col, row = np.clip(np.round((points - low) / cell_um).astype(int), 0, np.array(shape[::-1]) - 1).T
        added = np.isnan(fields[k].objects.sharpness)  # never measured: a reader put it there
        stands.append((owner[row, col] == k) | (owner[row, col] == -1) | added)
        local.append(np.maximum(contrast[k][row, col], 0))
    sure = [np.abs(field.kinds.spore - 0.5) for field in fields]
    for cluster in _clusters(fields, at, bent):
        sharpest = max(local[k][n] for k, n in cluster)
        chosen, _ = max(
            (one for one in cluster if local[one[0]][one[1]] >= _NEARLY_AS_SHARP * sharpest),
            key=lambda one: (round(float(sure[one[0]][one[1]]), 3), stands[one[0]][one[1]], -one[0]),
        )
        for k, n in cluster:
            stands[k][n] = k == chosen
    parts = []
    for k, (_, blurred) in enumerate(laid):
        own = (owner == k) & examined[k]
        parts.append(
            Part(
                repeat=~stands[k],
                own_share=float(own.sum() / max(examined[k].sum(), 1)),
                own_blurred=float(blurred[own].mean()) if own.any() else 0.0,
            )
        )
    return parts


def pairs_of(one: np.ndarray, other: np.ndarray, reach_um: float) -> np.ndarray:
    """Pairs of points that are each other's nearest within reach, as indices of shape (k, 2)."""
    from scipy.spatial import cKDTree

    if not len(one) or not len(other):
        return np.zeros((0, 2), int)
    distance, nearest = cKDTree(other).query(one, distance_upper_bound=reach_um)
    _, back = cKDTree(one).query(other)
    rows = np.flatnonzero(np.isfinite(distance))
    rows = rows[back[nearest[rows]] == rows]
    return np.column_stack([rows, nearest[rows]])


def reach_of(first: FieldResult, second: FieldResult) -> float:
    """Distance in um up to which objects of two fields are one."""
    lengths = [one.tally.spore_length_um for one in (first, second)]
    known = [one for one in lengths if np.isfinite(one)] or [_USUAL_LENGTH_UM]
    return _SAME_OBJECT * max(known)


def _cells(
    fields: Sequence[FieldResult], matrices: Sequence[np.ndarray]
) -> tuple[np.ndarray, float, tuple[int, int]]:
    """Corner, size of a cell in um, rows and columns of a grid over all fields."""
    corners = [corners_um(field) for field in fields]
    laid = np.concatenate([move(matrix, one) for matrix, one in zip(matrices, corners, strict=True)])
    low, size = laid.min(axis=0), np.ptp(laid, axis=0)
    smallest = min(float(np.ptp(one, axis=0).max()) for one in corners)
    cell_um = max(smallest / _CELLS, float(size.max()) / _MOST_CELLS)
    return low, cell_um, (int(size[1] / cell_um) + 2, int(size[0] / cell_um) + 2)


def _on_map(
    field: FieldResult,
    preview: FieldPreview,
    matrix: np.ndarray,
    low_um: np.ndarray,
    cell_um: float,
    shape: tuple[int, int],
) -> tuple[np.ndarray, np.ndarray]:
    """Squared contrast per um on the cells, -1 where nothing was examined; and what is blurred."""
    pixel_um = field.scale.um_per_px / preview.zoom
    gray = np.maximum(cv2.cvtColor(preview.rgb, cv2.COLOR_RGB2GRAY), 4).astype(np.float32)
    density = -np.log10(gray)
    steep = cv2.Sobel(density, cv2.CV_32F, 1, 0) ** 2 + cv2.Sobel(density, cv2.CV_32F, 0, 1) ** 2
    kept = (preview.left_out == 0).astype(np.float32)
    shrink = max(1.0, cell_um / pixel_um)
    size = (max(2, round(kept.shape[1] / shrink)), max(2, round(kept.shape[0] / shrink)))
    some, weight, blurred = (
        cv2.resize(one, size, interpolation=cv2.INTER_AREA)
        for one in (steep * kept / pixel_um**2, kept, preview.blurred * kept)
    )
    contrast = cv2.GaussianBlur(some, (0, 0), 4) / np.maximum(cv2.GaussianBlur(weight, (0, 0), 4), 1e-3)
    step = pixel_um * np.array(kept.shape[::-1]) / size
    to_field = np.column_stack([np.diag(step), -step * (np.array(size) - 1) / 2])
    to_cells = np.column_stack([np.eye(2), -low_um]) / cell_um
    grid = after(to_cells, after(matrix, to_field))

    def laid(picture: np.ndarray) -> np.ndarray:
        return cv2.warpAffine(picture, grid, shape[::-1], flags=cv2.INTER_LINEAR)

    seen = laid(weight) > 0.5
    return np.where(seen, np.maximum(laid(contrast), 0), -1), seen & (laid(blurred) > 0.5)


def _clusters(
    fields: Sequence[FieldResult], at: Sequence[np.ndarray], bent: Mapping[tuple[int, int], np.ndarray]
) -> list[list[tuple[int, int]]]:
    """Objects of several photos that are one, as lists of (field, object)."""
    parent: dict[tuple[int, int], tuple[int, int]] = {}

    def top(one: tuple[int, int]) -> tuple[int, int]:
        while parent.setdefault(one, one) != one:
            one = parent[one]
        return one

    rows = [np.flatnonzero(field.kinds.spore > _HARDLY_A_SPORE) for field in fields]
    for k, first in enumerate(fields):
        for m in range(k + 1, len(fields)):
            here, there = at[k], at[m]
            if (k, m) in bent:
                here, there = move(bent[k, m], objects_um(first)), objects_um(fields[m])
            pairs = pairs_of(here[rows[k]], there[rows[m]], reach_of(first, fields[m]))
            for n, o in zip(rows[k][pairs[:, 0]].tolist(), rows[m][pairs[:, 1]].tolist(), strict=True):
                parent[top((m, o))] = top((k, n))
    clusters: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for one in sorted(parent):
        clusters.setdefault(top(one), []).append(one)
    return list(clusters.values())

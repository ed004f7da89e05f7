"""Blob detector sized from the calibration: every place that could be a spore, and no larger thing.

Generous on purpose. What a place is, the later steps decide.
"""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.records import Candidates, FlatField, WorkImage
from sporecount.settings import CountSettings

_STEP = np.sqrt(2)
"""Ratio of neighbouring blur sizes: differences of Gaussians then stand for the Laplacian within a few percent."""

_MIN_DENSITY = 0.01
"""Weakest answer kept, about 2 % of light: paler things are not seen by eye either."""

_MIN_SIGNAL_TO_NOISE = 3.0

_HALVE_FROM_PX = 1.9
"""Blur in pixels from which on the picture is halved first. A blur of one pixel is left at least, which hides what
two pixels would not show apart, so nothing is lost, and it costs a quarter."""


def find_candidates(work: WorkImage, flat: FlatField, settings: CountSettings) -> Candidates:
    """Find dark blobs between the spore's width and length by differences of Gaussians.

    A disc of diameter d answers strongest at sigma = d / (2 sqrt 2) (Lindeberg 1998, IJCV 30:79-116). The
    smallest size is below a spore's width, so that spores which touch still give one peak each.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField
    settings : CountSettings

    Returns
    -------
    Candidates
        Sub-pixel, strongest first.
    """
    low_um = settings.spore_length_min_um / 1.8 / (2 * np.sqrt(2))
    high_um = settings.spore_length_max_um / (2 * np.sqrt(2))
    count = 1 + int(np.ceil(np.log(high_um / low_um) / np.log(_STEP)))
    image, seen, um_per_px, halvings = flat.density, work.seen, work.um_per_px, 0
    found = []
    blurred = _blur(image, low_um / um_per_px)
    layers = [(blurred, halvings)]
    for sigma_um in low_um * _STEP ** np.arange(count):
        if sigma_um / um_per_px >= _HALVE_FROM_PX and min(image.shape) >= 32:
            image, seen = _halve(image), seen[::2, ::2]
            um_per_px, halvings = um_per_px * 2, halvings + 1
            blurred = _blur(image, sigma_um / um_per_px)
        sigma_px = sigma_um / um_per_px
        wider = _blur(blurred, sigma_px)  # blurs add in squares: this is sqrt 2 times wider
        answer = cv2.subtract(blurred, wider)
        blurred = wider
        layers.append((answer, halvings))
        noise = flat.noise * 0.28 / max(sigma_px * 2**halvings, 0.6)
        row, col, score = _peaks(answer, seen, max(_MIN_DENSITY, _MIN_SIGNAL_TO_NOISE * noise))
        back = 2**halvings
        found.append(
            (
                np.clip((row + 0.5) * back - 0.5, 0, work.seen.shape[0] - 1),
                np.clip((col + 0.5) * back - 0.5, 0, work.seen.shape[1] - 1),
                score,
                np.full(row.shape, 2 * np.sqrt(2) * sigma_um),
            )
        )
    row, col, score, size = (np.concatenate(column) for column in zip(*found, strict=True))
    order = np.lexsort((col, row, -score))
    order = order[strongest_within(row[order], col[order], radius=2.0 / work.um_per_px)]
    row, col = row[order], col[order]
    values = np.stack([_at(layer, row, col, halvings) for layer, halvings in layers], axis=1)
    return Candidates(
        row=row, col=col, size_um=size[order], score=score[order], answers=values[:, 1:], density=values[:, 0]
    )


def _at(layer: np.ndarray, row: np.ndarray, col: np.ndarray, halvings: int) -> np.ndarray:
    """Values of a layer, halved so many times, at places of the working grid."""
    rows = np.clip(np.round((row + 0.5) / 2**halvings - 0.5).astype(int), 0, layer.shape[0] - 1)
    cols = np.clip(np.round((col + 0.5) / 2**halvings - 0.5).astype(int), 0, layer.shape[1] - 1)
    return np.asarray(layer[rows, cols])


def _blur(image: np.ndarray, sigma_px: float) -> np.ndarray:
    size = 2 * int(np.ceil(3 * sigma_px)) + 1
    return cv2.GaussianBlur(image, (size, size), sigma_px, borderType=cv2.BORDER_REFLECT)


def _halve(image: np.ndarray) -> np.ndarray:
    """Mean of 2 x 2 pixels; an odd last row or column is repeated, so that places keep their factor of two."""
    padded = cv2.copyMakeBorder(
        image, 0, image.shape[0] % 2, 0, image.shape[1] % 2, borderType=cv2.BORDER_REPLICATE
    )
    return cv2.resize(padded, (padded.shape[1] // 2, padded.shape[0] // 2), interpolation=cv2.INTER_AREA)


def _peaks(answer: np.ndarray, seen: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Local maxima above a level, with their place refined by a parabola in each direction."""
    top = cv2.dilate(answer, np.ones((3, 3), np.uint8))
    is_peak = cv2.compare(answer, np.maximum(top, np.float32(level), out=top), cv2.CMP_GE)
    row, col = np.divmod(np.flatnonzero(is_peak.view(bool)), answer.shape[1])  # bools are searched fastest
    inside = seen[row, col]
    row, col = row[inside], col[inside]
    here = answer[row, col]
    # beyond the picture's edge it goes on as in a mirror: what is cut in half there peaks on the edge
    height, width = answer.shape
    above, below = np.maximum(row - 1, 0), np.minimum(row + 1, height - 1)
    left, right = np.maximum(col - 1, 0), np.minimum(col + 1, width - 1)
    return (
        row + _vertex(answer[above, col], here, answer[below, col]),
        col + _vertex(answer[row, left], here, answer[row, right]),
        here,
    )


def _vertex(before: np.ndarray, here: np.ndarray, after: np.ndarray) -> np.ndarray:
    bend = before - 2 * here + after
    shift = np.where(bend < 0, (before - after) / (2 * np.where(bend < 0, bend, -1)), 0.0)
    return np.clip(shift, -0.5, 0.5).astype(float)


def strongest_within(row: np.ndarray, col: np.ndarray, radius: float) -> np.ndarray:
    """List the rows, given strongest first, that have no stronger one within the radius."""
    from scipy.spatial import cKDTree

    if row.size == 0:
        return np.empty(0, np.intp)
    pairs = cKDTree(np.column_stack((row, col))).query_pairs(radius, output_type="ndarray")
    weaker = np.zeros(row.size, bool)
    weaker[pairs[:, 1]] = True  # query_pairs gives i < j
    return np.flatnonzero(~weaker)

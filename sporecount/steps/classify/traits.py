"""What the sortings go by: the looks, the outline, the neighbours, and how like the photo's own spores."""

from __future__ import annotations

import numpy as np

from sporecount.records import WorkImage
from sporecount.stats.weighted import weighted_median
from sporecount.steps.classify.covering import covering
from sporecount.steps.outline import Outlines
from sporecount.steps.settle import Settled

_MODELS = 12
"""The likeliest spores of a photo, against which the others are held: of one print, they are alike."""

_SURER = 1.5
"""Taken off the log odds before they weigh the company: most things are none. Set for the networks' odds; the
later trees learnt with it, too."""


def traits(
    settled: Settled, outlines: Outlines, on_large: np.ndarray, work: WorkImage, margin: np.ndarray
) -> np.ndarray:
    """Put together a row of figures for each object.

    Parameters
    ----------
    settled : Settled
    outlines : Outlines
    on_large : ndarray of shape (n,), bool
        Lies on a large object.
    work : WorkImage
    margin : ndarray of shape (n,)
        Log odds of spore by the networks or by the sorting before: they choose the photo's likely spores.

    Returns
    -------
    ndarray of shape (n, k), float32
        Limited to -8 to 8.
    """
    looks = settled.looks
    count = len(settled.row)
    if not count:
        return np.empty((0, 0), np.float32)
    rest = looks.logits[:, 1:] - looks.logits[:, 1:].max(axis=1, keepdims=True)
    contrast = np.maximum(outlines.closed[:, 2], 0.01)
    amber = outlines.contrast[:, 2] / np.maximum(np.abs(outlines.contrast[:, 1]), 0.02)
    red = outlines.contrast[:, 0] / np.maximum(np.abs(outlines.contrast[:, 1]), 0.02)
    own = np.stack(
        [
            np.log(looks.length_um),
            np.log(looks.length_um / looks.width_um),
            np.log(contrast),
            np.clip(amber, -2, 4),
            np.clip(red, -2, 4),
            np.log(looks.blur_um + 0.3),
            outlines.edge / contrast,
        ],
        axis=1,
    )
    models = np.argsort(-margin, kind="stable")[:_MODELS]
    trust = np.maximum(1 / (1 + np.exp(-margin[models])), 1e-3)
    typical = np.stack([weighted_median(own[models, k], trust) for k in range(own.shape[1])])
    unlike = np.abs(own - typical)
    # spores of one print are alike, what is mistaken for them is motley
    motley = np.stack([weighted_median(unlike[models, k], trust) for k in range(own.shape[1])])
    near, far = _likely_neighbours(settled, margin, work.um_per_px)
    best = np.sort(margin)[::-1]
    photo = [best[0], best[min(4, count - 1)], best[min(19, count - 1)], float(np.log(count))]
    columns = np.column_stack(
        [
            margin,
            rest,
            own,
            unlike,
            outlines.around,
            outlines.unrest,
            outlines.unrest / contrast,
            outlines.unrest_inside / contrast,
            outlines.closed[:, 0] / contrast,
            outlines.closed[:, 1] / contrast,
            outlines.closed[:, 2],
            outlines.edge_least / contrast,
            outlines.rim / contrast,
            outlines.lopsided / contrast,
            on_large.astype(np.float32),
            near,
            far,
            np.tile(photo, (count, 1)),
            margin * on_large,
            looks.disagreement,
            np.tile(motley, (count, 1)),
            company(looks.hidden_first, margin),
            company(looks.hidden_second, margin),
            covering(settled, margin, work.um_per_px),
            np.full(count, np.log(work.um_per_px * work.zoom / work.close_zoom)),
            np.full(count, np.log(np.count_nonzero(work.seen) * (work.um_per_px / 1000) ** 2)),
        ]
    )
    return np.clip(np.nan_to_num(columns), -8, 8).astype(np.float32)


def company(hidden: np.ndarray, margin: np.ndarray) -> np.ndarray:
    """Hold each object against the photo's other likely spores, and its other things, as a network sees them.

    What one print shows is drawn by one lamp and one lens, so its own spores tell more than those of other prints.

    Parameters
    ----------
    hidden : ndarray of shape (n, k)
        The network's last hidden layer; rows of 0 were not looked at.
    margin : ndarray of shape (n,)
        Log odds of spore.

    Returns
    -------
    ndarray of shape (n, 4)
        Distance from the mean of the other spores, and of the other things (root mean square), by how much the
        latter is the larger, and the cosine with the mean of the other spores. Without any other object their mean
        is taken as 0, and so is the cosine; where no other is a likely spore, the likeliest of them stand for it.
    """
    looked = hidden.any(axis=1)
    chance = 1 / (1 + np.exp(_SURER - margin))
    # squared, so that many doubtful objects do not outweigh a few sure ones
    spores = _mean_of_others(hidden, looked * chance**2)
    things = _mean_of_others(hidden, looked * (1 - chance) ** 2)
    from_spores, from_things = (np.sqrt(((hidden - mean) ** 2).mean(axis=1)) for mean in (spores, things))
    size = np.linalg.norm(hidden, axis=1) * np.linalg.norm(spores, axis=1)
    cosine = (hidden * spores).sum(axis=1) / np.maximum(size, 1e-6)
    return np.column_stack((from_spores, from_things, from_things - from_spores, cosine))


def _mean_of_others(hidden: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """For each row the weighted mean of all others; near 0 where all of them weigh less than 0.001 together."""
    others = np.maximum(weight.sum() - weight, 1e-3)[:, None]
    return (weight @ hidden - weight[:, None] * hidden) / others


def _likely_neighbours(
    settled: Settled, margin: np.ndarray, um_per_px: float
) -> tuple[np.ndarray, np.ndarray]:
    """Log of one and the summed spore odds of the others within 25 and 80 um."""
    from scipy.spatial import cKDTree

    places = np.column_stack((settled.row, settled.col)) * um_per_px
    chance = 1 / (1 + np.exp(-margin))
    likely = np.flatnonzero(chance > 0.05)
    if not likely.size:
        return np.zeros(len(margin)), np.zeros(len(margin))
    tree, all_places = cKDTree(places[likely]), cKDTree(places)
    sums = []
    for reach in (25.0, 80.0):
        pairs = all_places.sparse_distance_matrix(tree, reach, output_type="coo_matrix")
        total = np.bincount(pairs.row, weights=chance[likely][pairs.col], minlength=len(margin))
        sums.append(np.log1p(np.maximum(total - np.where(chance > 0.05, chance, 0), 0)))
    return sums[0], sums[1]

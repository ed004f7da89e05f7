"""Doubtful objects looked at beside the print's own spores.

The networks that look see one thing at a time, and the sortings know things by figures. What is still in doubt
then is looked at once more, turned into its own direction and at the size of the photo's spores, with the mean
picture of the likeliest of them beside it: one lamp, one lens and one focus made both.
"""

from __future__ import annotations

import numpy as np

from sporecount.records import FlatField, WorkImage
from sporecount.stats.weighted import weighted_median
from sporecount.steps.classify.crops import CropSource
from sporecount.steps.classify.network import SIDE_PX, SIDE_WIDE_PX, look_side_by_side
from sporecount.steps.settle import Settled

_DOUBTFUL = 3.0
"""Log odds, up or down, within which an object is doubtful. With 4 half as many more are looked at, for a log loss
of 0.240 instead of 0.243 on the 2652 photos named below and the same F1 (lowered alike with company or not)."""

_PX_A_LENGTH, _WIDE_PX_A_LENGTH = 18.0, 5.0
"""Pixels to the length of the photo's spores in the close crop and in that with the surroundings: 2.7 and 6.4
lengths wide."""

_MODELS, _SIZE_FROM = 16, 12
"""How many of the likeliest spores make the mean picture, and how many of them the usual size."""

_BELIEVED = 0.7
"""Share of what the network would change that is believed: the sortings know other things, and of both together
more is right. On 2652 photos of four recipes that neither had seen, log loss of objects within log odds of 4.5 was
0.275 by the sortings, 0.250 by the network, and is 0.241 as shipped; F1 of objects 0.889, 0.902, 0.903."""

_ENOUGH = 5.0
"""Summed weight of other likely spores from which on all of that share is believed: on a print without a spore the
likeliest things are none, and a false alarm costs an animal. With the network of looks-19, half of it believed, on
519 other photos of those recipes without a spore (ten objects of a photo at most) 68 counted without the network,
152 with it, 73 so; F1 on 96 photos each in good focus, ordinary and hard ones was 0.926, 0.907 and 0.804 without
it, and 0.932, 0.918 and 0.832 so."""

_LOWERED_ALONE = 0.3
"""A lowering without such company, as a share of one with it: doubts must not fade where there is nothing to hold
things against. Of some 110 of the 2652 photos on which three or more true spores are among the objects and none
counts, 52 ask for no look, 56 where all is lowered alike; of some 635 without a spore 27 instead of 20 ask for
one."""

_LEFT_OPEN = -0.9
"""Log odds up to which an object may be raised without such company: it shows as doubtful then, and does not
count. Of objects raised so far 80 of 98 were spores on those 2652 photos but for the 667 without a spore, where
there were 34 more."""

_OBJECTS_A_TIME = 512
"""Crops are cut and looked at in such portions, so that memory stays bounded."""


def weigh_side_by_side(work: WorkImage, flat: FlatField, settled: Settled, odds: np.ndarray) -> np.ndarray:
    """Look at what is in doubt beside the likeliest spores of the photo.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField
    settled : Settled
    odds : ndarray of shape (3, n)
        Log odds of spore by the networks, and after either sorting.

    Returns
    -------
    ndarray of shape (n,)
        Log odds; of what is not in doubt those of the last sorting.
    """
    weighed = odds[-1].copy()
    doubtful = np.flatnonzero(np.abs(weighed) < _DOUBTFUL)
    if not doubtful.size:
        return weighed
    beside = Beside(work, flat, settled, odds)
    for start in range(0, len(doubtful), _OBJECTS_A_TIME):
        rows = doubtful[start : start + _OBJECTS_A_TIME]
        before = weighed[rows]
        change = _BELIEVED * (_answers(*beside.views(rows)) - before)
        company = np.minimum(1.0, beside.others(rows) / _ENOUGH)
        # without company nothing may come to count, and doubts may hardly fade
        alone = np.where(change > 0, 0.0, _LOWERED_ALONE)
        moved = before + (alone + (1 - alone) * company) * change
        weighed[rows] = np.maximum(moved, np.minimum(before + change, _LEFT_OPEN))
    return weighed


def _answers(crops: np.ndarray, wide: np.ndarray, figures: np.ndarray) -> np.ndarray:
    """Look both ways up, and take the mean: an object's angle tells no up from down."""
    turned, turned_wide = (np.ascontiguousarray(one[:, :, ::-1, ::-1]) for one in (crops, wide))
    answers = look_side_by_side(crops, wide, figures) + look_side_by_side(turned, turned_wide, figures)
    return answers / 2


class Beside:
    """Cuts objects of a photo, each with the mean of the photo's likeliest other spores.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField
    settled : Settled
        At least one object.
    odds : ndarray of shape (3, n)
        As `weigh_side_by_side` takes them.
    """

    def __init__(self, work: WorkImage, flat: FlatField, settled: Settled, odds: np.ndarray) -> None:
        self._source, self._settled, self._odds = CropSource(work, flat), settled, odds
        looks = settled.looks
        chance = 1 / (1 + np.exp(-odds[-1]))
        self._models = np.argsort(-odds[-1], kind="stable")[:_MODELS]
        sizing = self._models[:_SIZE_FROM]
        trust = np.maximum(chance[sizing], 1e-3)
        self._usual_um = tuple(
            weighted_median(axis_um[sizing], trust) for axis_um in (looks.length_um, looks.width_um)
        )
        # squared, so that many doubtful ones do not outweigh a few sure ones
        self._weight = np.maximum(chance[self._models] ** 2, 1e-4)
        pictures = self._close(self._models)
        self._pictures = (pictures + pictures[:, :, ::-1, ::-1]) / 2

    def _close(self, rows: np.ndarray) -> np.ndarray:
        some = self._settled.take(rows)
        step_um = self._usual_um[0] / _PX_A_LENGTH
        return self._source.cut_turned(some.row, some.col, some.looks.angle_deg, SIDE_PX, step_um)

    def others(self, rows: np.ndarray) -> np.ndarray:
        """Sum the weight of the other spores in the mean picture beside each object, shape (k,)."""
        return self._weights(rows).sum(axis=1)

    def _weights(self, rows: np.ndarray) -> np.ndarray:
        """Weigh the likeliest spores for each object, itself left out, shape (k, number of likeliest)."""
        return np.where(rows[:, None] == self._models, 0.0, self._weight)

    def views(self, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Cut what tells whether an object is one of the photo's spores.

        Parameters
        ----------
        rows : ndarray of shape (k,), int

        Returns
        -------
        crops : ndarray of shape (k, 6, SIDE_PX, SIDE_PX), float32
            Density of red, green, blue, along the object's rows; the same of the mean of the likeliest others.
        wide : ndarray of shape (k, 3, SIDE_WIDE_PX, SIDE_WIDE_PX), float32
            With the surroundings.
        figures : ndarray of shape (k, 9), float32
            Log odds of spore after the second and the first sorting, and by the networks; by how much these
            disagree; log of length and width over the usual ones; blur in usual lengths; log of the usual length
            over 8 um; log of one plus the summed weight of the others in the mean picture.
        """
        some, (length_um, width_um) = self._settled.take(rows), self._usual_um
        looks = some.looks
        weights = self._weights(rows)
        others = weights.sum(axis=1)
        mean = np.tensordot(weights / np.maximum(others, 1e-6)[:, None], self._pictures, 1)
        wide = self._source.cut_wide_turned(
            some.row, some.col, looks.angle_deg, SIDE_WIDE_PX, length_um / _WIDE_PX_A_LENGTH
        )
        figures = (
            *self._odds[::-1, rows],
            looks.disagreement,
            np.log(looks.length_um / length_um),
            np.log(looks.width_um / width_um),
            looks.blur_um / length_um,
            np.full(len(rows), np.log(length_um / 8.0)),
            np.log1p(others),
        )
        crops = np.concatenate((self._close(rows), mean), axis=1, dtype=np.float32)
        return crops, wide, np.column_stack(figures).astype(np.float32)

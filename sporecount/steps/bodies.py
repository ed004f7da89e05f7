"""Parts of larger bodies among what could be spores: cells of mould, and blotches of a fibre or a hair.

Seen alone such a part passes for a spore, and among others of its body it has company that is like it. A person
sees the body: so what could count, and is not quite sure, is looked at once more from further off, turned along
the object.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sporecount.records import KINDS, FlatField, Kinds, WorkImage
from sporecount.settings import CountSettings
from sporecount.steps.classify.crops import CropSource
from sporecount.steps.classify.network import BODY_PX, look_for_body
from sporecount.steps.settle import Settled

_PX_A_LENGTH = 12.0
"""Pixels of a crop to the object's own length, of which it holds four."""

_SURE = 0.99
"""Probability of spore from which nothing is asked: so sure are 6 in 10 counted spores, and 4 of the 126 counted
cells of mould on 290 photos of eight recipes."""

_RARER = 3.0
"""Taken off the log odds: the networks learnt from as many parts of bodies as spores, but on a print they are far
fewer. Of the counted cells of mould on those photos 0.62 (four recipes that the networks did without) and 0.71
(four that they had seen) lie above it, of the counted spores 0.002 and 0.001."""

_OBJECTS_A_TIME = 512
"""Crops are cut and looked at in such portions, so that memory stays bounded."""


def set_parts_aside(
    work: WorkImage, flat: FlatField, settled: Settled, kinds: Kinds, settings: CountSettings
) -> Kinds:
    """Make objects less likely spores as far as they are likely parts of something larger.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField
    settled : Settled
    kinds : Kinds
    settings : CountSettings

    Returns
    -------
    Kinds
        Of objects that are at least in doubt, the probability of spore times that of no such part; what is taken
        off goes to "other".
    """
    asked = np.flatnonzero((kinds.spore > settings.doubt_low) & (kinds.spore < _SURE))
    if not asked.size:
        return kinds
    source, probability = CropSource(work, flat), kinds.probability.astype(float)
    for start in range(0, len(asked), _OBJECTS_A_TIME):
        rows = asked[start : start + _OBJECTS_A_TIME]
        crops, figures = views(source, settled.take(rows))
        turned = np.ascontiguousarray(crops[:, :, ::-1, ::-1])
        odds = (look_for_body(crops, figures) + look_for_body(turned, figures)) / 2
        taken = probability[rows, 0] / (1 + np.exp(_RARER - odds.astype(float)))
        probability[rows, 0] -= taken
        probability[rows, KINDS.index("other")] += taken
    return replace(kinds, probability=probability.astype(kinds.probability.dtype))


def views(source: CropSource, some: Settled) -> tuple[np.ndarray, np.ndarray]:
    """Cut what tells a part of a larger body from a spore.

    Parameters
    ----------
    source : CropSource
    some : Settled
        The n objects to cut.

    Returns
    -------
    crops : ndarray of shape (n, 3, BODY_PX, BODY_PX), float32
        Density of red, green, blue, along the object's rows.
    figures : ndarray of shape (n, 3), float32
        Log of length over width; blur in lengths; log of the length over 8 um.
    """
    looks = some.looks
    step_um = looks.length_um.astype(float) / _PX_A_LENGTH
    crops = source.cut_turned(some.row, some.col, looks.angle_deg, BODY_PX, step_um)
    figures = (
        np.log(looks.length_um / looks.width_um),
        looks.blur_um / looks.length_um,
        np.log(looks.length_um / 8.0),
    )
    return crops, np.column_stack(figures).astype(np.float32)

"""From candidates to objects: each thing once, at its own centre, and the neighbours that a clump hides.

Several candidates can sit on one spore, and where spores overlap the darkest place is between them. So each
place is described by a lemon of its own (centre, axes, angle), is looked at again from there, and
beside each spore found in a dark patch the next one is looked for until no new one turns up. Two
descriptions of the same lemon are one spore; two lemons side by side are two.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from sporecount.records import Candidates, FlatField, WorkImage
from sporecount.steps.candidates import strongest_within
from sporecount.steps.classify.crops import CropSource
from sporecount.steps.classify.network import (
    Looks,
    glance,
    look,
    look_carefully,
    look_turned,
    spore_margin,
)
from sporecount.steps.clutter import LargeObjects
from sporecount.steps.lemon import along_and_across, x_and_y

_GLANCE_FROM = -1.5
"""Log odds of the quick look below which a place is passed over. 0.883 of the countable spores became objects with
-0.5, 0.889 with -1.0, 0.893 with -1.5, 0.895 with -2.5, which takes a ninth more looks (90 simulated photos of all
presets; `photo`, `stamps`, `slices`, `collage`, `waves`, `distances`)."""

_GLANCE_BESIDE = -3.0
"""The same for a place beside a spore, where the next one is likelier than elsewhere."""

_APART_UM = 6.0
"""Of places nearer to each other than this only the likeliest is looked at: some spore's width, and a look finds
its way to the spore's centre from anywhere on it. At 4 um 0.9121 of the countable spores became objects, at 6 um
0.9117 in a tenth less time, at 7 um 0.9105 (100 simulated photos of `phases`, `outlines`, `films`
and `pigments`)."""

_APART_BESIDE_UM = 2.2
"""The same beside a spore, where the next one may lie half beneath it."""

_ALWAYS_LOOKED_AT = 30
"""The strongest candidates are looked at whatever the quick look says: what stands out is named in the
record."""

_UNSURE = (-4.0, 3.0)
_ASIDE_UM = 1.5
"""Margins (log odds) between which, and distance from the crop's centre from which, an object is first looked at
anew from where its centre seems to be, and the better answer kept: pale spores are dark at the rim, and a look
from there is no sure one. 0.796, 0.859, 0.678 and 0.973 of the countable spores became objects instead of 0.789,
0.841, 0.662 and 0.953 (`stamps`, `collage`, `waves`, `distances`, on which it was chosen), in a twentieth more
time; from -9 on it wins nothing more."""

_LOOK_AGAIN_FROM = -1.5
"""Margin (log odds) of spore from which a second look, from the object's own centre, is worth its time."""

_DOUBTED = (_LOOK_AGAIN_FROM, 3.0)
"""Margins (log odds) between which an object is looked at twice more, turned. Without it the F1 of objects in hard
photos is 0.013 lower. Up to 3 instead of 1 the counts of a photo that is turned, tinted or darkened stray less
(standard deviation 0.048 of the mean instead of 0.063, six photos of `photo`, networks of looks-10); from -3 on an
eighth more time wins 0.001 of F1 (200 simulated photos of `photo`, `layered`, `collage` and `relief`)."""

_PLACES_A_TIME = 1024
"""Crops are cut and looked at in such portions, so that memory stays bounded."""

_GROW_FROM = 0.0
"""Margin (log odds) of spore from which the next one is looked for beside it."""

_GROW_ROUNDS = 4
_NEIGHBOURS = 16
"""Directions in which the next spore is looked for. With 16, from a margin of 0 on, and with `_AS_DARK` and the
glances as they stand, the share of countable spores that become objects rose from 0.910 to 0.949 in heaps, from
0.922 to 0.964 in hard photos and from 0.956 to 0.973 in ordinary ones, in a third more time (65 simulated
photos of `photo`, `slices`, `painted`, `thickness` and `chords`, on which it was chosen)."""

_AS_DARK = 0.35
"""Share of the way from the palest place around a spore to the spore's own density from which a place beside it is
looked at: on a scale all is dark, and pale spores are dark at the rim only."""

_CLEAR_OF = 0.7
"""Distance of such a place from every known spore's centre, in median widths of the photo's spores."""

_SAME_SPORE = 0.8
"""Two lemons are one spore when their centres are nearer than this share of the half-axes in that direction.
Spores that touch are 2 apart. At 1.0 more of a heap is lost than is read twice, at 0.7 a third lemon is read
into the seam of two."""


@dataclass(frozen=True)
class Settled:
    """Objects on the working grid, n rows, likeliest spores first.

    Parameters
    ----------
    row, col : ndarray of shape (n,), float64
    looks : Looks
    """

    row: np.ndarray
    col: np.ndarray
    looks: Looks

    def take(self, rows: np.ndarray) -> Settled:
        """Keep some rows."""
        return Settled(self.row[rows], self.col[rows], self.looks.take(rows))


def on_large(settled: Settled, large: LargeObjects) -> np.ndarray:
    """Tell which objects lie on a large one, shape (n,), bool."""
    height, width = large.label.shape
    rows = np.clip(np.round(settled.row * large.zoom).astype(int), 0, height - 1)
    cols = np.clip(np.round(settled.col * large.zoom).astype(int), 0, width - 1)
    return np.asarray(large.label[rows, cols] > 0)


def settle(work: WorkImage, flat: FlatField, candidates: Candidates) -> Settled:
    """Look at every candidate, move to its centre, look again, grow clumps, and keep each thing once.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField
    candidates : Candidates

    Returns
    -------
    Settled
    """
    source = CropSource(work, flat)
    promising = _worth_a_look(source, work, candidates.row, candidates.col, _GLANCE_FROM, _APART_UM)
    promising[:_ALWAYS_LOOKED_AT] = True
    row, col = candidates.row[promising], candidates.col[promising]
    settled = each_once(_look_twice(source, work, row, col), work.um_per_px)
    fresh = np.ones(len(settled.row), bool)
    for _ in range(_GROW_ROUNDS):
        row, col = _beside(settled.take(np.flatnonzero(fresh)), settled, flat.density, work)
        if not row.size:
            break
        seen = work.seen[np.round(row).astype(int), np.round(col).astype(int)]
        row, col = row[seen], col[seen]
        promising = _worth_a_look(source, work, row, col, _GLANCE_BESIDE, _APART_BESIDE_UM)
        found = _look_twice(source, work, row[promising], col[promising])
        found = found.take(np.flatnonzero(spore_margin(found.looks.logits) > _GROW_FROM))
        before = len(settled.row)
        joined = Settled(
            np.concatenate((settled.row, found.row)),
            np.concatenate((settled.col, found.col)),
            settled.looks.append(found.looks),
        )
        keep = _first_of_each(joined, work.um_per_px, preferred=np.arange(len(joined.row)) < before)
        settled, fresh = joined.take(keep), keep >= before
        if not fresh.any():
            break
    settled = settled.take(np.flatnonzero(_centred_inside(settled, work)))
    settled = _decide_doubtful(source, settled)
    order = np.lexsort((settled.col, settled.row, -spore_margin(settled.looks.logits)))
    return settled.take(order)


def _centred_inside(settled: Settled, work: WorkImage) -> np.ndarray:
    """Tell which objects have their centre in the picture, shape (n,), bool.

    What hangs over the edge from outside belongs to the next field. An object was moved by half of what its last
    look said, and never out of the picture: the other half tells.
    """
    height, width = work.seen.shape
    row, col = _offset_by(work, settled.row, settled.col, 0.5 * settled.looks.offset_um)
    return (row > -0.5) & (row < height - 0.5) & (col > -0.5) & (col < width - 0.5)


def _decide_doubtful(source: CropSource, settled: Settled) -> Settled:
    """Look again, turned, at what is neither surely a spore nor surely none, and take the mean of the answers."""
    looks = settled.looks
    margin = spore_margin(looks.logits)
    doubtful = np.flatnonzero((margin > _DOUBTED[0]) & (margin < _DOUBTED[1]))
    means = {name: getattr(looks, name).copy() for name in ("logits", "disagreement")}
    for start in range(0, len(doubtful), _PLACES_A_TIME):
        rows = doubtful[start : start + _PLACES_A_TIME]
        row, col = settled.row[rows], settled.col[rows]
        crops = source.cut_careful(row, col)
        answers = [looks.take(rows), *(look_turned(*crops, turn) for turn in (1, 2))]
        for name, mean in means.items():
            mean[rows] = np.mean([getattr(one, name) for one in answers], axis=0)
    return Settled(settled.row, settled.col, replace(looks, **means))


def _worth_a_look(
    source: CropSource, work: WorkImage, row: np.ndarray, col: np.ndarray, least: float, apart_um: float
) -> np.ndarray:
    parts = [
        glance(source.cut_glance(row[start : start + 2048], col[start : start + 2048]))
        for start in range(0, len(row), 2048)
    ]
    odds = np.concatenate(parts) if parts else np.empty(0, np.float32)
    order = np.argsort(-odds, kind="stable")[: np.count_nonzero(odds > least)]
    promising = np.zeros(len(row), bool)
    promising[order[strongest_within(row[order], col[order], apart_um / work.um_per_px)]] = True
    return promising


def _look_twice(source: CropSource, work: WorkImage, row: np.ndarray, col: np.ndarray) -> Settled:
    def quick(row: np.ndarray, col: np.ndarray) -> Looks:
        return _in_portions(row, col, lambda r, c: look(source.cut_fine(r, c), source.cut_wide(r, c)))

    first = quick(row, col)
    margin = spore_margin(first.logits)
    aside = np.hypot(*first.offset_um.T) > _ASIDE_UM
    unsure = np.flatnonzero((margin > _UNSURE[0]) & (margin < _UNSURE[1]) & aside)
    moved = moved_by(work, row[unsure], col[unsure], first.offset_um[unsure])
    there = quick(*moved)
    better = np.flatnonzero(spore_margin(there.logits) > margin[unsure])
    row, col = row.copy(), col.copy()
    row[unsure[better]], col[unsure[better]] = moved[0][better], moved[1][better]
    first = first.replaced(unsure[better], there.take(better))

    again = np.flatnonzero(spore_margin(first.logits) > _LOOK_AGAIN_FROM)
    row[again], col[again] = moved_by(work, row[again], col[again], first.offset_um[again])
    second = _in_portions(row[again], col[again], lambda r, c: look_carefully(*source.cut_careful(r, c)))
    row[again], col[again] = moved_by(work, row[again], col[again], 0.5 * second.offset_um)
    return Settled(row, col, first.replaced(again, second))


def moved_by(
    work: WorkImage, row: np.ndarray, col: np.ndarray, offset_um: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Go from places by offsets in um, x then y, but not out of the picture.

    Parameters
    ----------
    work : WorkImage
    row, col : ndarray of shape (n,)
        On the working grid.
    offset_um : ndarray of shape (n, 2)

    Returns
    -------
    row, col : ndarray of shape (n,)
    """
    height, width = work.seen.shape
    row, col = _offset_by(work, row, col, offset_um)
    return np.clip(row, 0, height - 1), np.clip(col, 0, width - 1)


def _offset_by(
    work: WorkImage, row: np.ndarray, col: np.ndarray, offset_um: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    return row + offset_um[:, 1] / work.um_per_px, col + offset_um[:, 0] / work.um_per_px


def _in_portions(
    row: np.ndarray, col: np.ndarray, looking: Callable[[np.ndarray, np.ndarray], Looks]
) -> Looks:
    """Look at places, some at a time."""
    parts = [slice(start, start + _PLACES_A_TIME) for start in range(0, max(1, len(row)), _PLACES_A_TIME)]
    answers = [looking(row[part], col[part]) for part in parts]
    looks = answers[0]
    for more in answers[1:]:
        looks = looks.append(more)
    return looks


def _beside(
    fresh: Settled, settled: Settled, density: np.ndarray, work: WorkImage
) -> tuple[np.ndarray, np.ndarray]:
    """Places next to fresh spores that are dark enough and belong to no object yet."""
    from scipy.spatial import cKDTree

    fresh = fresh.take(np.flatnonzero(spore_margin(fresh.looks.logits) > _GROW_FROM))
    if not len(fresh.row):
        return np.empty(0), np.empty(0)
    turns = np.arange(_NEIGHBOURS) * (2 * np.pi / _NEIGHBOURS)
    along = 0.9 * fresh.looks.length_um[:, None] * np.cos(turns)
    across = 0.9 * fresh.looks.width_um[:, None] * np.sin(turns)
    x_um, y_um = x_and_y(along, across, fresh.looks.angle_deg[:, None])
    row = (fresh.row[:, None] + y_um / work.um_per_px).ravel()
    col = (fresh.col[:, None] + x_um / work.um_per_px).ravel()
    height, width = density.shape
    inside = (row >= 0) & (row <= height - 1) & (col >= 0) & (col <= width - 1)
    here = density[
        np.clip(np.round(row).astype(int), 0, height - 1), np.clip(np.round(col).astype(int), 0, width - 1)
    ]
    own = density[np.round(fresh.row).astype(int), np.round(fresh.col).astype(int)]
    around = here.reshape(-1, _NEIGHBOURS)
    dark = (around > _AS_DARK * own[:, None] + (1 - _AS_DARK) * around.min(axis=1)[:, None]).ravel()
    row, col = row[inside & dark], col[inside & dark]
    spores = settled.take(np.flatnonzero(spore_margin(settled.looks.logits) > _GROW_FROM))
    near, _ = cKDTree(np.column_stack((spores.row, spores.col))).query(np.column_stack((row, col)))
    free = near * work.um_per_px > _CLEAR_OF * float(np.median(spores.looks.width_um))
    row, col = row[free], col[free]
    # proposals of two neighbours for the same place are one
    cell = np.round(np.column_stack((row, col)) * work.um_per_px / 2.0).astype(np.int64)
    _, first = np.unique(cell, axis=0, return_index=True)
    first.sort()
    return row[first], col[first]


def each_once(settled: Settled, um_per_px: float) -> Settled:
    """Keep the likeliest description of each thing."""
    return settled.take(_first_of_each(settled, um_per_px, preferred=np.zeros(len(settled.row), bool)))


def _first_of_each(settled: Settled, um_per_px: float, preferred: np.ndarray) -> np.ndarray:
    """List the rows kept; preferred ones win over others, then the likelier spore."""
    from scipy.spatial import cKDTree

    order = np.lexsort((settled.col, settled.row, -spore_margin(settled.looks.logits), ~preferred))
    if order.size == 0:
        return order
    looks = settled.looks.take(order)
    y, x = settled.row[order] * um_per_px, settled.col[order] * um_per_px
    half_length, half_width = looks.length_um / 2, looks.width_um / 2
    pairs = cKDTree(np.column_stack((x, y))).query_pairs(
        _SAME_SPORE * float(half_length.max()), output_type="ndarray"
    )
    pairs = pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]
    better, worse = pairs[:, 0], pairs[:, 1]
    along, across = along_and_across(x[worse] - x[better], y[worse] - y[better], looks.angle_deg[better])
    apart = np.hypot(along / half_length[better], across / half_width[better])
    dropped = np.zeros(order.size, bool)
    for one, other in pairs[apart < _SAME_SPORE]:
        if not dropped[one]:
            dropped[other] = True
    return order[~dropped]

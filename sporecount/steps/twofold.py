"""Objects that stand for two spores: where two overlap so far that one lemon was laid over both.

A look settles in the middle of such a pair and calls it a spore, which is right, and nothing is looked for so near
to it. So all that counts is looked at once more, turned into its own direction, at the size of the photo's own
spores, and with the lemons that lie beside it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sporecount.records import FlatField, Kinds, WorkImage
from sporecount.settings import CountSettings
from sporecount.steps.classify.crops import CropSource
from sporecount.steps.classify.network import TWOFOLD_PX, look_carefully, look_for_second
from sporecount.steps.lemon import along_and_across, x_and_y
from sporecount.steps.outline import Outlines, follow_outlines
from sporecount.steps.settle import Settled, moved_by

_PX_A_LENGTH = 14.0
"""Pixels of a crop to the length of the photo's spores, of which it holds two and a quarter."""

_PART_FROM = 0.5
"""Probability of two spores from which an object is parted. What is likelier one stays one, without a doubt that
shows."""

_LEAST_APART = 0.4
"""Distance of two spores' centres, in lengths, that is taken at least: where the direction is in doubt the answer
is too short. Of 712 pairs of four styles that the network did without, half were 0.37 to 0.52 apart; with 0.4 the
farther centre was off by 0.10 in the median, with 0.3 by 0.11, without any by 0.13, never by more than 0.6."""

_TURNED_FROM = 0.05
"""Probability of a second spore from which the crop is looked at upside down, too, and the mean taken."""

_OBJECTS_A_TIME = 512
"""Crops are cut and looked at in such portions, so that memory stays bounded."""

_LEMONS_A_TIME = 32
"""Objects whose neighbours are laid into their crops together: more do not stay in the processor's cache."""

_SAME = 0.8
"""An uncounted object nearer to a new lemon's centre than this share of its half-axes is that spore."""


def part_twofold(
    work: WorkImage,
    flat: FlatField,
    settled: Settled,
    outlines: Outlines,
    kinds: Kinds,
    settings: CountSettings,
) -> tuple[Settled, Outlines, Kinds]:
    """Put two objects in the place of each counted one that is likelier than not two spores.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField
    settled : Settled
    outlines : Outlines
    kinds : Kinds
    settings : CountSettings

    Returns
    -------
    settled : Settled
        The second spore of a pair follows the first; which of the two is which is a matter of chance. Uncounted
        objects that lie on either are gone: they were another try at the same spores.
    outlines : Outlines
    kinds : Kinds
        The first is as likely a spore as the one object was; the second as that there are two, but not likelier.
    """
    counted = np.flatnonzero(kinds.spore >= settings.count_from)
    if not counted.size:
        return settled, outlines, kinds
    source, some = CropSource(work, flat), settled.take(counted)
    usual_um = usual_size(some)
    answers = _answers(source, some, kinds.spore[counted], usual_um, work.um_per_px)
    chance = 1 / (1 + np.exp(-answers[:, 0].astype(float)))
    pairs = np.flatnonzero(chance >= _PART_FROM)
    if not pairs.size:
        return settled, outlines, kinds

    times = np.ones(len(settled.row), np.int64)
    times[counted[pairs]] = 2
    rows = np.repeat(np.arange(len(times)), times)
    is_new = times[rows] == 2
    new = np.flatnonzero(is_new)
    offset_um = _from_middle(answers[pairs], some.looks.angle_deg[pairs]) * usual_um[0]
    parted = _moved(settled.take(rows), new, offset_um, source, work)
    outlines = outlines.take(rows).replaced(new, follow_outlines(work, flat, parted.take(new)))

    probability = kinds.probability[rows].astype(float)
    second = new[1::2]
    spore, others = np.minimum(probability[second, 0], chance[pairs]), probability[second, 1:] + 1e-12
    probability[second, 0] = spore
    probability[second, 1:] = others * ((1 - spore) / others.sum(axis=1))[:, None]

    uncounted = np.flatnonzero(~is_new & (probability[:, 0] < settings.count_from))
    gone = uncounted[_lie_on(parted.take(uncounted), parted.take(new), work.um_per_px)]
    keep = np.setdiff1d(np.arange(len(rows)), gone)
    kinds = replace(kinds, probability=probability[keep].astype(kinds.probability.dtype))
    return parted.take(keep), outlines.take(keep), kinds


def usual_size(counted: Settled) -> tuple[float, float]:
    """Take the photo's usual length and width from what counts in it, in um."""
    return float(np.median(counted.looks.length_um)), float(np.median(counted.looks.width_um))


def views(
    source: CropSource,
    counted: Settled,
    rows: np.ndarray,
    spore: np.ndarray,
    usual_um: tuple[float, float],
    um_per_px: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Cut what tells one spore from two.

    Parameters
    ----------
    source : CropSource
    counted : Settled
        All objects that count.
    rows : ndarray of shape (n,), int
        Those to cut.
    spore : ndarray of shape (n,)
        Their probability of spore.
    usual_um : tuple of float
        Length and width of the photo's spores.
    um_per_px : float
        Of the working grid.

    Returns
    -------
    crops : ndarray of shape (n, 5, TWOFOLD_PX, TWOFOLD_PX), float32
        Density of red, green, blue, along the object's rows; its own lemon, and those of the others: 1 inside,
        falling to 0 at one and a half half-axes.
    figures : ndarray of shape (n, 6), float32
        Log odds of spore; log of length and width over the usual ones; blur in usual lengths; by how much the
        networks disagree; log of the usual length over 8 um.
    """
    step_um, some = usual_um[0] / _PX_A_LENGTH, counted.take(rows)
    looks = some.looks
    crops = np.empty((len(rows), 5, TWOFOLD_PX, TWOFOLD_PX), np.float32)
    crops[:, :3] = source.cut_turned(some.row, some.col, looks.angle_deg, TWOFOLD_PX, step_um)
    crops[:, 3:] = _lemons(counted, rows, step_um, um_per_px)
    spore = np.clip(spore.astype(float), 1e-6, 1 - 1e-6)
    figures = (
        np.log(spore / (1 - spore)),
        np.log(looks.length_um / usual_um[0]),
        np.log(looks.width_um / usual_um[1]),
        looks.blur_um / usual_um[0],
        looks.disagreement,
        np.full(len(spore), np.log(usual_um[0] / 8.0)),
    )
    return crops, np.column_stack(figures).astype(np.float32)


def _lemons(counted: Settled, rows: np.ndarray, step_um: float, um_per_px: float) -> np.ndarray:
    """Lay objects' own lemons, and those of others, into their crops, shape (n, 2, TWOFOLD_PX, TWOFOLD_PX)."""
    from scipy.spatial import cKDTree

    looks = counted.looks
    half_length, half_width = looks.length_um[:, None] / 2, looks.width_um[:, None] / 2
    side = ((np.arange(TWOFOLD_PX) - (TWOFOLD_PX - 1) / 2) * step_um).astype(np.float32)
    nothing = np.zeros_like(side)
    lemons = np.zeros((len(rows), 2, TWOFOLD_PX, TWOFOLD_PX), np.float32)
    along_own, across_own = half_length[rows], half_width[rows]
    lemons[:, 0] = _inside(side / along_own, nothing / along_own, nothing / across_own, side / across_own)

    x, y = counted.col * um_per_px, counted.row * um_per_px
    reach_um = np.sqrt(2) * float(side[-1]) + 1.5 * float(half_length.max())
    centres = np.column_stack((x, y))
    near = cKDTree(centres).query_ball_point(centres[rows], reach_um, return_sorted=True)
    for start in range(0, len(rows), _LEMONS_A_TIME):
        portion = near[start : start + _LEMONS_A_TIME]
        crop = np.repeat(np.arange(start, start + len(portion)), [len(one) for one in portion])
        other = np.concatenate(portion).astype(np.int64)
        crop, other = crop[other != rows[crop]], other[other != rows[crop]]
        if not other.size:
            continue
        own = rows[crop]
        from_x, from_y = ((place[own] - place[other]).astype(np.float32)[:, None] for place in (x, y))
        along, across = along_and_across(from_x, from_y, looks.angle_deg[other, None])
        # what a step along the crop, and one across it, is in the other lemon's directions
        turn = looks.angle_deg[own, None] - looks.angle_deg[other, None]
        (along_x, across_x), (along_y, across_y) = x_and_y(side, nothing, turn), x_and_y(nothing, side, turn)
        inside = _inside(
            (along + along_x) / half_length[other],
            along_y / half_length[other],
            (across + across_x) / half_width[other],
            across_y / half_width[other],
        )
        crops, first = np.unique(crop, return_index=True)
        lemons[crops, 1] = np.maximum.reduceat(inside, first)
    return lemons


def _inside(
    along_x: np.ndarray, along_y: np.ndarray, across_x: np.ndarray, across_y: np.ndarray
) -> np.ndarray:
    """Tell how far a grid's places are inside lemons: 1 inside, 0 from one and a half half-axes on.

    Each of shape (n, k): what the columns, and the rows, of the grid add to a place's way along and across, in
    half-axes.
    """
    along = along_x[:, None, :] + along_y[:, :, None]
    across = across_x[:, None, :] + across_y[:, :, None]
    return np.clip(3 - 2 * np.sqrt(along * along + across * across), 0, 1)  # much faster than hypot


def _answers(
    source: CropSource, counted: Settled, spore: np.ndarray, usual_um: tuple[float, float], um_per_px: float
) -> np.ndarray:
    """Look at each once, and upside down too where there may be two: its angle tells no up from down."""
    parts = []
    for start in range(0, len(spore), _OBJECTS_A_TIME):
        rows = np.arange(start, min(start + _OBJECTS_A_TIME, len(spore)))
        crops, figures = views(source, counted, rows, spore[rows], usual_um, um_per_px)
        answers = look_for_second(crops, figures)
        maybe = np.flatnonzero(answers[:, 0] > np.log(_TURNED_FROM / (1 - _TURNED_FROM)))
        turned = look_for_second(np.ascontiguousarray(crops[maybe, :, ::-1, ::-1]), figures[maybe])
        turned[:, 1:3] *= -1
        answers[maybe] = (answers[maybe] + turned) / 2
        parts.append(answers)
    return np.concatenate(parts)


def _from_middle(answers: np.ndarray, angle_deg: np.ndarray) -> np.ndarray:
    """Go from each object to the two centres, one after the other, x then y, in lengths; shape (2 n, 2)."""
    turn = np.arctan2(answers[:, 4], answers[:, 3]) / 2
    half = np.maximum(np.hypot(answers[:, 3], answers[:, 4]), _LEAST_APART / 2)
    along = answers[:, 1, None] + (half * np.cos(turn))[:, None] * [-1, 1]
    across = answers[:, 2, None] + (half * np.sin(turn))[:, None] * [-1, 1]
    return np.stack(x_and_y(along, across, angle_deg[:, None]), axis=-1).reshape(-1, 2)


def _moved(
    settled: Settled, rows: np.ndarray, offset_um: np.ndarray, source: CropSource, work: WorkImage
) -> Settled:
    """Move some objects, and describe them by the lemons that are seen from there."""
    row, col, looks = settled.row.copy(), settled.col.copy(), settled.looks
    row[rows], col[rows] = moved_by(work, row[rows], col[rows], offset_um)
    seen = look_carefully(*source.cut_careful(row[rows], col[rows]))
    lemons = {"length_um": seen.length_um, "width_um": seen.width_um, "angle_deg": seen.angle_deg}
    there = replace(looks.take(rows), **lemons)
    return Settled(row, col, looks.replaced(rows, there))


def _lie_on(others: Settled, lemons: Settled, um_per_px: float) -> np.ndarray:
    """Tell which of the others have their centre well inside some lemon, shape (n,), bool."""
    x = (others.col[:, None] - lemons.col) * um_per_px
    y = (others.row[:, None] - lemons.row) * um_per_px
    along, across = along_and_across(x, y, lemons.looks.angle_deg)
    inside = np.hypot(along / lemons.looks.length_um, across / lemons.looks.width_um) < _SAME / 2
    return np.asarray(inside.any(axis=1))

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
from sporecount.steps.settle import Settled

PX_A_LENGTH = 14.0
"""Pixels of a crop to the length of the photo's spores, of which it holds two and a quarter."""

_LEAST_APART = 0.3
"""Distance of two spores' centres, in lengths, that is taken at least."""

_TURNED_FROM = 0.05
"""Probability of a second spore from which the crop is looked at upside down, too, and the mean taken."""

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
        The second spore of a pair follows the first.
    outlines : Outlines
    kinds : Kinds
        The first is as likely a spore as the one object was, the second less by the doubt that there are two.
    """
    counted = np.flatnonzero(kinds.spore >= settings.count_from)
    if not counted.size:
        return settled, outlines, kinds
    source, some = CropSource(work, flat), settled.take(counted)
    usual_um = usual_size(some)
    answers = _answers(*views(source, some, kinds.spore[counted], usual_um, work.um_per_px))
    chance = 1 / (1 + np.exp(-answers[:, 0]))
    pairs = np.flatnonzero(chance * kinds.spore[counted] >= settings.count_from)
    if not pairs.size:
        return settled, outlines, kinds

    rows = np.sort(np.concatenate((np.arange(len(settled.row)), counted[pairs])))
    second = np.flatnonzero(rows[1:] == rows[:-1]) + 1
    new = np.sort(np.concatenate((second - 1, second)))
    settled, outlines = settled.take(rows), outlines.take(rows)
    settled.row[new], settled.col[new] = _centres(work, some.take(pairs), answers[pairs], usual_um[0])
    lemons = look_carefully(*source.cut_careful(settled.row[new], settled.col[new]))
    for name in ("length_um", "width_um", "angle_deg"):
        getattr(settled.looks, name)[new] = getattr(lemons, name)
    outlines.put(new, follow_outlines(work, flat, settled.take(new)))
    probability = kinds.probability[rows]
    both = probability[second, 0] * chance[pairs]
    probability[second, 1:] *= ((1 - both) / np.maximum(1 - probability[second, 0], 1e-12))[:, None]
    probability[second, 0] = both

    uncounted = np.flatnonzero(probability[:, 0] < settings.count_from)
    gone = uncounted[_lie_on(settled.take(uncounted), settled.take(new), work.um_per_px)]
    keep = np.setdiff1d(np.arange(len(rows)), gone)
    return settled.take(keep), outlines.take(keep), replace(kinds, probability=probability[keep])


def usual_size(counted: Settled) -> tuple[float, float]:
    """Take the photo's usual length and width from what counts in it, in um."""
    return float(np.median(counted.looks.length_um)), float(np.median(counted.looks.width_um))


def views(
    source: CropSource, settled: Settled, spore: np.ndarray, usual_um: tuple[float, float], um_per_px: float
) -> tuple[np.ndarray, np.ndarray]:
    """Cut what tells one spore from two, of objects that count.

    Parameters
    ----------
    source : CropSource
    settled : Settled
        The counted objects, n rows.
    spore : ndarray of shape (n,)
        Probability of spore.
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
    step_um, looks = usual_um[0] / PX_A_LENGTH, settled.looks
    crops = np.empty((len(settled.row), 5, TWOFOLD_PX, TWOFOLD_PX), np.float32)
    crops[:, :3] = source.cut_turned(settled.row, settled.col, looks.angle_deg, TWOFOLD_PX, step_um)
    crops[:, 3:] = _lemons(settled, step_um, um_per_px)
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


def _lemons(settled: Settled, step_um: float, um_per_px: float) -> np.ndarray:
    """Lay each object's own lemon, and those of others, into its crop, shape (n, 2, TWOFOLD_PX, TWOFOLD_PX)."""
    from scipy.spatial import cKDTree

    looks, count = settled.looks, len(settled.row)
    half_length, half_width = looks.length_um[:, None] / 2, looks.width_um[:, None] / 2
    side = ((np.arange(TWOFOLD_PX) - (TWOFOLD_PX - 1) / 2) * step_um).astype(np.float32)
    nothing = np.zeros_like(side)
    lemons = np.zeros((count, 2, TWOFOLD_PX, TWOFOLD_PX), np.float32)
    lemons[:, 0] = _inside(side / half_length, nothing / half_length, nothing / half_width, side / half_width)

    x, y = settled.col * um_per_px, settled.row * um_per_px
    reach_um = np.sqrt(2) * float(side[-1]) + 1.5 * float(half_length.max())
    near = cKDTree(np.column_stack((x, y))).query_pairs(reach_um, output_type="ndarray")
    near = np.concatenate((near, near[:, ::-1]))
    own, other = near[np.argsort(near[:, 0], kind="stable")].T
    for start in range(0, count, _LEMONS_A_TIME):
        some = slice(*np.searchsorted(own, (start, start + _LEMONS_A_TIME)))
        here, there = own[some], other[some]
        if not here.size:
            continue
        from_x, from_y = ((place[here] - place[there]).astype(np.float32)[:, None] for place in (x, y))
        along, across = along_and_across(from_x, from_y, looks.angle_deg[there, None])
        # what a step along the crop, and one across it, is in the other lemon's directions
        turn = looks.angle_deg[here, None] - looks.angle_deg[there, None]
        (along_x, across_x), (along_y, across_y) = x_and_y(side, nothing, turn), x_and_y(nothing, side, turn)
        inside = _inside(
            (along + along_x) / half_length[there],
            along_y / half_length[there],
            (across + across_x) / half_width[there],
            across_y / half_width[there],
        )
        objects, first = np.unique(here, return_index=True)
        lemons[objects, 1] = np.maximum.reduceat(inside, first)
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


def _answers(crops: np.ndarray, figures: np.ndarray) -> np.ndarray:
    """Look once, and upside down too where there may be two: an object's angle tells no up from down."""
    answers = look_for_second(crops, figures)
    maybe = np.flatnonzero(answers[:, 0] > np.log(_TURNED_FROM / (1 - _TURNED_FROM)))
    turned = look_for_second(np.ascontiguousarray(crops[maybe, :, ::-1, ::-1]), figures[maybe])
    turned[:, 1:3] *= -1
    answers[maybe] = (answers[maybe] + turned) / 2
    return answers


def _centres(
    work: WorkImage, pairs: Settled, answers: np.ndarray, usual_length_um: float
) -> tuple[np.ndarray, np.ndarray]:
    """Find the rows and columns of both spores of each pair, one after the other, shape (2 n,)."""
    turn = np.arctan2(answers[:, 4], answers[:, 3]) / 2
    half = np.maximum(np.hypot(answers[:, 3], answers[:, 4]), _LEAST_APART / 2)
    along = answers[:, 1, None] + (half * np.cos(turn))[:, None] * [-1, 1]
    across = answers[:, 2, None] + (half * np.sin(turn))[:, None] * [-1, 1]
    x, y = x_and_y(along, across, pairs.looks.angle_deg[:, None])
    height, width = work.seen.shape
    length_px = usual_length_um / work.um_per_px
    return (
        np.clip(pairs.row[:, None] + y * length_px, 0, height - 1).ravel(),
        np.clip(pairs.col[:, None] + x * length_px, 0, width - 1).ravel(),
    )


def _lie_on(others: Settled, lemons: Settled, um_per_px: float) -> np.ndarray:
    """Tell which of the others have their centre well inside some lemon, shape (n,), bool."""
    x = (others.col[:, None] - lemons.col) * um_per_px
    y = (others.row[:, None] - lemons.row) * um_per_px
    along, across = along_and_across(x, y, lemons.looks.angle_deg)
    inside = np.hypot(along / lemons.looks.length_um, across / lemons.looks.width_um) < _SAME / 2
    return np.asarray(inside.any(axis=1))

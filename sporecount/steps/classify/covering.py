"""How far the lemons of other likely spores cover an object: the seam of two spores looks like a third."""

from __future__ import annotations

import numpy as np

from sporecount.steps.lemon import along_and_across, x_and_y
from sporecount.steps.settle import Settled

_LIKELY = -1.5
"""Log odds of spore from which an object may cover others: it has mostly been looked at from its own centre. Like
the other two, chosen once and not varied; the trees learnt with them, so fit those anew when one changes."""

_REACH_UM = 18.0
"""Neighbours whose centres are farther away are not looked at: end to end, spores are a length apart, 16 um at
most unless the settings say more."""

_FAR = 4.0
"""Distance, in the neighbour's half-axes, that such neighbours are given, and at most."""

_SPOTS = 32
"""Places on each lemon that are tried for cover, so that a share comes in steps of three hundredths."""


def covering(settled: Settled, margin: np.ndarray, um_per_px: float) -> np.ndarray:
    """Hold each object's lemon against those of the likely spores around it.

    Parameters
    ----------
    settled : Settled
    margin : ndarray of shape (n,)
        Log odds of spore.
    um_per_px : float

    Returns
    -------
    ndarray of shape (n, 4)
        Share of the lemon, 0 to 1, that likelier spores cover, and how far the nearest of them is in that
        neighbour's half-axes, at most 4; then the same for all likely spores. Of equals the first is the likelier.
    """
    from scipy.spatial import cKDTree

    centre = np.column_stack((settled.col, settled.row)) * um_per_px
    pairs = cKDTree(centre).query_pairs(_REACH_UM, output_type="ndarray")
    own, other = np.concatenate((pairs, pairs[:, ::-1])).T
    own, other = own[margin[other] > _LIKELY], other[margin[other] > _LIKELY]
    likelier = (margin[other] > margin[own]) | ((margin[other] == margin[own]) & (other < own))

    half_length, half_width, angle = (
        column[:, None]
        for column in (settled.looks.length_um / 2, settled.looks.width_um / 2, settled.looks.angle_deg)
    )
    along, across = _spots_of_disc()
    spots_x, spots_y = x_and_y(along * half_length, across * half_width, angle)
    apart = centre[own] - centre[other]

    def in_half_axes(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        along, across = along_and_across(x, y, angle[other])
        return np.hypot(along / half_length[other], across / half_width[other])

    away = in_half_axes(apart[:, :1], apart[:, 1:])[:, 0]
    inside = in_half_axes(apart[:, :1] + spots_x[own], apart[:, 1:] + spots_y[own]) < 1

    columns = []
    for some in (likelier, np.ones(len(own), bool)):
        covered = np.zeros((len(margin), _SPOTS), bool)
        np.logical_or.at(covered, own[some], inside[some])
        nearest = np.full(len(margin), _FAR)
        np.minimum.at(nearest, own[some], away[some])
        columns += [covered.mean(axis=1), nearest]
    return np.column_stack(columns)


def _spots_of_disc() -> tuple[np.ndarray, np.ndarray]:
    """Spread places evenly over the unit disc (Vogel 1979, Math. Biosci. 44: 179-189), each of shape (_SPOTS,)."""
    number = np.arange(_SPOTS)
    radius, turn = np.sqrt((number + 0.5) / _SPOTS), number * np.pi * (3 - np.sqrt(5))
    return radius * np.cos(turn), radius * np.sin(turn)

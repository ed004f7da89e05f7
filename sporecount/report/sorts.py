"""Which objects of a field are sure, which are doubtful, and in what order they are shown."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sporecount.records import FieldResult
from sporecount.settings import CountSettings

SHEET_LIMIT = 48
"""Doubtful objects shown at most on one contact sheet."""

SURE_LIMIT = 12
"""Sure spores shown at most beside them."""


@dataclass(frozen=True)
class Sorts:
    """Rows of a field's `Objects`, by how they are shown.

    Parameters
    ----------
    sure : ndarray of int
        Counted, and above the upper bound of doubt.
    doubtful_counted : ndarray of int
        Counted, but below the upper bound of doubt.
    doubtful_open : ndarray of int
        Not counted, but not refused either.
    """

    sure: np.ndarray
    doubtful_counted: np.ndarray
    doubtful_open: np.ndarray

    @property
    def doubtful(self) -> np.ndarray:
        """All doubtful rows, in the order of the table."""
        return np.sort(np.concatenate([self.doubtful_counted, self.doubtful_open]))


def sort_objects(field: FieldResult, settings: CountSettings | None = None) -> Sorts:
    """Tell sure, doubtful and refused objects apart.

    Parameters
    ----------
    field : FieldResult
    settings : CountSettings, optional
        For the bounds of doubt.

    Returns
    -------
    Sorts
        Objects without a probability or a place in or near the photo are in none of the groups.
    """
    knobs = settings or CountSettings()
    objects, spore = field.objects, np.asarray(field.kinds.spore, dtype=float)
    counted = np.asarray(field.counted, dtype=bool)
    shown = (np.abs(objects.x_px - field.width_px / 2) <= field.width_px) & np.isfinite(spore)
    shown &= np.abs(objects.y_px - field.height_px / 2) <= field.height_px
    is_sure = shown & counted & (spore >= knobs.doubt_high)
    return Sorts(
        sure=np.flatnonzero(is_sure),
        doubtful_counted=np.flatnonzero(shown & counted & ~is_sure),
        doubtful_open=np.flatnonzero(shown & ~counted & (spore >= knobs.doubt_low)),
    )


def objects_to_show(
    field: FieldResult, settings: CountSettings | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Choose the rows for a contact sheet: doubtful ones, those nearest to the line first, and some sure ones.

    Parameters
    ----------
    field : FieldResult
    settings : CountSettings, optional

    Returns
    -------
    doubtful : ndarray of int, shape (<= 48,)
    sure : ndarray of int, shape (<= 12,)
        Spread evenly over the table, so that they come from all over the field.
    """
    knobs = settings or CountSettings()
    sorts = sort_objects(field, knobs)
    doubtful = sorts.doubtful
    nearest = np.argsort(np.abs(field.kinds.spore[doubtful] - knobs.count_from), kind="stable")
    sure = sorts.sure
    if len(sure) > SURE_LIMIT:
        sure = sure[np.linspace(0, len(sure) - 1, SURE_LIMIT).round().astype(int)]
    return doubtful[nearest[:SHEET_LIMIT]], sure


def sure_lengths(field: FieldResult, settings: CountSettings | None = None) -> np.ndarray:
    """Lengths in µm of the sure spores that lie singly, shape (n,); none from an unusable field."""
    if field.tally.flag == "unusable":
        return np.zeros(0)
    rows = sort_objects(field, settings).sure
    lengths = np.asarray(field.objects.length_um[rows[field.objects.clump[rows] == 1]], float)
    return lengths[np.isfinite(lengths)]

"""How far readers agree, with one another, with themselves and with the machine."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from sporecount.readings.decisions import Reading, by_photo, current, spot_of
from sporecount.records import FieldResult
from sporecount.settings import CountSettings
from sporecount.stats.agreement import Kappa, cross_table, kappa


@dataclass(frozen=True)
class Agreement:
    """How far two readings of the same objects agree.

    Parameters
    ----------
    table : ndarray of shape (3, 3)
        First reading against second; spore, not, cannot tell.
    kappa : Kappa or None
        None where it cannot be computed: fewer than two objects, or all of one kind.
    differing : tuple of Reading
        Of the second reading.
    """

    table: np.ndarray
    kappa: Kappa | None
    differing: tuple[Reading, ...]


_WORDS = {"spore": 0, "added": 0, "not": 1, "unsure": 2}
"""Rows and columns of the table of an agreement."""


def agreement(readings: Iterable[Reading]) -> Agreement:
    """Compare the second reading with the first, on the objects that both decided on."""
    known = current(readings)
    return compare_readings(
        [one for one in known if one.round == 1], [one for one in known if one.round == 2]
    )


def compare_readings(first: Iterable[Reading], second: Iterable[Reading]) -> Agreement:
    """Compare two readings on the objects that both decided on, as two readers or two rounds gave them."""
    words: tuple[dict[tuple[str, float, float], Reading], ...] = ({}, {})
    for said, of_one in zip((first, second), words, strict=True):
        for one in current(said):
            of_one[one.photo, round(one.x_px, 1), round(one.y_px, 1)] = one
    both = sorted(words[0].keys() & words[1].keys())
    pairs = [(words[0][place], words[1][place]) for place in both]
    return _agreement([(_WORDS[one.says], _WORDS[two.says]) for one, two in pairs], [two for _, two in pairs])


def compare_with_machine(
    results: Iterable[FieldResult], readings: Iterable[Reading], settings: CountSettings | None = None
) -> Agreement:
    """Compare a reader with the machine, on the objects that the reader decided on.

    The machine's word is "spore" for what it counted and "not" for the rest, spores that it missed among
    them. Readers are mostly asked where the machine is in doubt, so it agrees better on the other objects.

    Parameters
    ----------
    results : iterable of FieldResult
        The machine's.
    readings : iterable of Reading
        Of one reader.
    settings : CountSettings, optional
    """
    knobs = settings or CountSettings()
    of_photo = by_photo(current(readings))
    pairs, said = [], []
    for field in results:
        for one in of_photo.get(field.photo, ()):
            row = spot_of(field, one, knobs)
            machine = 0 if row is not None and field.counted[row] else 1
            pairs.append((machine, _WORDS[one.says]))
            said.append(one)
    return _agreement(pairs, said)


def _agreement(pairs: Sequence[tuple[int, int]], second: Sequence[Reading]) -> Agreement:
    table = cross_table([one for one, _ in pairs], [two for _, two in pairs], 3)
    used = np.flatnonzero(table.sum(axis=0) + table.sum(axis=1))
    enough = len(pairs) >= 2 and len(used) >= 2
    differing = tuple(said for said, (one, two) in zip(second, pairs, strict=True) if one != two)
    return Agreement(table, kappa(table[np.ix_(used, used)]) if enough else None, differing)

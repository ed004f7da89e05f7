"""What readers say of objects: single decisions, which of them hold, and the object that each speaks of."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sporecount.records import FieldResult, Objects
from sporecount.settings import CountSettings

Says = Literal["spore", "not", "unsure", "added", "taken-back"]
SAYS: tuple[Says, ...] = ("spore", "not", "unsure", "added", "taken-back")
"""What a reader can say of a place: a spore; none; cannot be told; a spore that the program missed; and that
an earlier word no longer holds."""


@dataclass(frozen=True)
class Reading:
    """One decision of one reader on one object.

    Parameters
    ----------
    photo : str
    x_px, y_px : float
        Where the object lies in the upright photo; it is found again there after a new count.
    says : str
        One of `SAYS`.
    reader : str
        Name or initials, as the reader gave them.
    made_at : str
        ISO 8601, UTC.
    round : int
        1, or 2 for a second reading that did not see the first.
    """

    photo: str
    x_px: float
    y_px: float
    says: Says
    reader: str = ""
    made_at: str = ""
    round: int = 1


def current(readings: Iterable[Reading]) -> list[Reading]:
    """Give the latest word of each reader and round on each place; words taken back are gone.

    Latest by `made_at`; of the same time, by what was said, so that the order of the list does not matter.
    """
    latest: dict[tuple[object, ...], Reading] = {}
    for one in sorted(readings, key=lambda one: (one.made_at, SAYS.index(one.says))):
        latest[one.photo, one.reader, one.round, round(one.x_px, 1), round(one.y_px, 1)] = one
    return [one for one in latest.values() if one.says != "taken-back"]


def by_photo(readings: Iterable[Reading]) -> Mapping[str, list[Reading]]:
    """Sort readings by their photo."""
    sorted_ones: dict[str, list[Reading]] = {}
    for one in readings:
        sorted_ones.setdefault(one.photo, []).append(one)
    return sorted_ones


def _reach_px(field: FieldResult, knobs: CountSettings) -> float:
    """Distance within which two places are the same object: half a small spore."""
    return 0.5 * knobs.spore_length_min_um / field.scale.um_per_px


@dataclass(frozen=True)
class Votes:
    """What readers say of one place.

    Parameters
    ----------
    spore, against : int
        Words for a spore and against it; who cannot tell is in neither.
    by : tuple of str
        Readers who said something, in alphabetical order.
    """

    spore: int
    against: int
    by: tuple[str, ...]

    @property
    def differ(self) -> bool:
        """Whether as many are for a spore as against it, so that one more look must decide."""
        return self.spore == self.against > 0

    @property
    def verdict(self) -> bool | None:
        """Whether most hold it to be a spore; None where nobody could tell, or readers differ."""
        return None if self.spore == self.against else self.spore > self.against


def votes_on(
    field: FieldResult, said: Iterable[Reading], knobs: CountSettings
) -> tuple[dict[int, Votes], dict[tuple[float, float], Votes]]:
    """Gather the words on each object, and on each place where somebody saw a spore that the machine has not.

    Parameters
    ----------
    field : FieldResult
        The machine's.
    said : iterable of Reading
        Of this photo, those that hold.
    knobs : CountSettings

    Returns
    -------
    on_objects : dict
        Row to its votes.
    on_missed : dict
        Place, x and y in px, to its votes.
    """
    reach = _reach_px(field, knobs)
    on_objects: dict[int, list[Reading]] = {}
    elsewhere: dict[tuple[float, float], list[Reading]] = {}
    for one in sorted(said, key=lambda one: (one.y_px, one.x_px, one.reader, one.round)):
        here = one.x_px, one.y_px
        row = nearest(field.objects, *here, reach)
        if row is not None:
            on_objects.setdefault(row, []).append(one)
        else:
            near = next((place for place in elsewhere if math.dist(place, here) <= reach), here)
            elsewhere.setdefault(near, []).append(one)
    missed = {place: words for place, words in elsewhere.items() if any(one.says == "added" for one in words)}
    return (
        {row: _votes(words) for row, words in on_objects.items()},
        {place: _votes(words) for place, words in missed.items()},
    )


def _votes(words: Sequence[Reading]) -> Votes:
    return Votes(
        spore=sum(one.says in ("spore", "added") for one in words),
        against=sum(one.says == "not" for one in words),
        by=tuple(sorted({one.reader for one in words})),
    )


def differing(field: FieldResult, readings: Iterable[Reading], settings: CountSettings) -> int:
    """Count the objects of a field on which readers differ, spores that the machine missed among them."""
    said = [one for one in current(readings) if one.photo == field.photo]
    return sum(votes.differ for of_sort in votes_on(field, said, settings) for votes in of_sort.values())


def undecided_share(
    fields: Iterable[FieldResult], readings: Iterable[Reading], settings: CountSettings
) -> float:
    """Share of the spores that the machine expects on objects that no reader has decided on; 1 without any.

    Parameters
    ----------
    fields : iterable of FieldResult
        The machine's.
    readings : iterable of Reading
    settings : CountSettings
    """
    of_photo = by_photo(current(readings))
    whole = left = 0.0
    for field in fields:
        votes, _ = votes_on(field, of_photo.get(field.photo, ()), settings)
        spore = np.asarray(field.kinds.spore, float)
        spore = np.where(spore > settings.doubt_low, spore, 0.0)
        decided = [row for row, said in votes.items() if said.verdict is not None]
        whole += float(spore.sum())
        left += float(spore.sum() - spore[decided].sum())
    return left / whole if whole > 0 else 1.0


def nearest(objects: Objects, x_px: float, y_px: float, reach_px: float) -> int | None:
    """Find the row of the object at a place; None when none lies within reach."""
    if not len(objects):
        return None
    away = np.hypot(objects.x_px - x_px, objects.y_px - y_px)
    row = int(np.nanargmin(away)) if np.isfinite(away).any() else -1
    return row if row >= 0 and away[row] <= reach_px else None


def spot_of(field: FieldResult, reading: Reading, settings: CountSettings) -> int | None:
    """Find the row of the object that a reading speaks of; None where the machine has none there."""
    return nearest(field.objects, reading.x_px, reading.y_px, _reach_px(field, settings))

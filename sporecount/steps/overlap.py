"""The fields of a print on one map: what several photos show counts once, where it is sharpest."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import nan

import numpy as np

from sporecount.records import FieldPreview, FieldResult
from sporecount.steps.registration import (
    Fit,
    Look,
    after,
    fit_pair,
    inverse,
    make_look,
    move,
    objects_um,
    to_um,
)
from sporecount.steps.shared_ground import Part, pairs_of, reach_of, share_ground

SURE_ENOUGH = 0.95
"""Certainty from which two fields are joined: a wrong join hides spores, a missed one counts twice."""

DOUBTFUL_FROM = 0.2
"""Certainty from which two fields that stay apart are named as perhaps the same place."""

_SAME_PLACE = 0.8
"""Photos whose common part is so much of the smaller view show one place."""
_LOOK_BACK = 60
"""Photos before a photo that it is compared with."""
_SURE_SPORE = 0.85
_FEW_OBJECTS = 5


@dataclass(frozen=True)
class Join:
    """Two photos that show a common part, or may do so.

    Parameters
    ----------
    first, second : int
        Index of the fields.
    certainty : float
        Probability that it is so.
    overlap : float
        Common part as a share of the smaller view.
    agreement : float
        Share of the sure spores in the common part that both found; nan with too few to tell.
    bent : ndarray of shape (2, 3)
        Map from um of the first to um of the second.
    """

    first: int
    second: int
    certainty: float
    overlap: float
    agreement: float
    bent: np.ndarray


@dataclass(frozen=True)
class FieldOnMap:
    """Where a field lies, and what of it counts.

    Parameters
    ----------
    photo : str
    field : int
        Its number.
    group : int
        Fields of one group hang together; where groups lie to one another is not known. Index of the group's
        first field.
    place : int
        Photos of the same place share it. Index of the place's first field.
    x_um, y_um : float
        Centre of the photo on the map, y downwards.
    angle_deg : float
        Turn of the photo on the map, from +x towards +y.
    matrix : ndarray of shape (2, 3)
        From um of the field (see `registration.to_um`) to um of the map.
    certainty : float
        Of the join that put it there; 1 for a field that stands alone or comes first.
    part : Part
        What of it counts.
    """

    photo: str
    field: int
    group: int
    place: int
    x_um: float
    y_um: float
    angle_deg: float
    matrix: np.ndarray
    certainty: float
    part: Part


@dataclass(frozen=True)
class PrintMap:
    """The fields of a print on one map.

    Parameters
    ----------
    fields : tuple of FieldOnMap
        In the order of the fields given.
    joins : tuple of Join
        Those that were sure enough.
    doubtful : tuple of Join
        Those that were not; their fields stay apart.
    """

    fields: tuple[FieldOnMap, ...]
    joins: tuple[Join, ...] = ()
    doubtful: tuple[Join, ...] = ()


def map_fields(fields: Sequence[FieldResult], previews: Callable[[str], FieldPreview]) -> PrintMap:
    """Find the photos that show the same part of a print, and place all fields on a map.

    Every photo is compared with those before it. Joined photos make a group, whose ground is shared out
    among them. Cost some 60 ms a photo, 0.3 ms a pair of different places, 10 ms a pair that overlaps.

    Limits: dirt on the eyepiece over an otherwise empty card looks like the same place. Photos that share a
    sixteenth or less, or are blurred beyond recognition, stay apart and count as different places.

    Parameters
    ----------
    fields : sequence of FieldResult
        Usable ones of one print.
    previews : callable
        Photo name to its preview.

    Returns
    -------
    PrintMap
    """
    found = _compared(fields, previews)
    joined = [one for one in found if one[0].certainty >= SURE_ENOUGH]
    root, place, matrices, certainty = _hung_together(len(fields), joined)
    parts = [Part(np.zeros(len(field.objects), bool)) for field in fields]
    groups = [[i for i, one in enumerate(root) if one == first] for first in sorted(set(root))]
    for group in groups:
        if len(group) > 1:
            shared = share_ground(
                [fields[i] for i in group],
                [previews(fields[i].photo) for i in group],
                [matrices[i] for i in group],
                {
                    (group.index(join.first), group.index(join.second)): join.bent
                    for join, _ in joined
                    if join.first in group
                },
            )
            for i, part in zip(group, shared, strict=True):
                parts[i] = part
    shifts = _side_by_side(fields, matrices, groups)
    on_map = []
    for i, field in enumerate(fields):
        matrix = after(np.column_stack([np.eye(2), shifts[root[i]]]), matrices[i])
        on_map.append(
            FieldOnMap(
                photo=field.photo,
                field=field.field,
                group=root[i],
                place=place[i],
                x_um=float(matrix[0, 2]),
                y_um=float(matrix[1, 2]),
                angle_deg=float(np.degrees(np.arctan2(matrix[1, 0], matrix[0, 0]))),
                matrix=matrix,
                certainty=certainty[i],
                part=parts[i],
            )
        )
    return PrintMap(
        fields=tuple(on_map),
        joins=tuple(join for join, _ in joined),
        doubtful=tuple(
            join
            for join, _ in found
            if DOUBTFUL_FROM <= join.certainty < SURE_ENOUGH and root[join.first] != root[join.second]
        ),
    )


def _compared(
    fields: Sequence[FieldResult], previews: Callable[[str], FieldPreview]
) -> list[tuple[Join, Fit]]:
    """Compare the fields two by two; those that fit, surest first."""
    if len(fields) < 2:
        return []
    looks: list[Look] = []
    found = []
    for j, field in enumerate(fields):
        looks.append(make_look(field, previews(field.photo)))
        for i in range(max(0, j - _LOOK_BACK), j):
            fit = fit_pair(looks[i], looks[j])
            if fit is not None:
                agreement = agreement_of(fields[i], field, fit.bent)
                sure = _weighed(fit.certainty, agreement)
                found.append((Join(i, j, sure, fit.overlap, agreement, fit.bent), fit))
    return sorted(found, key=lambda one: -one[0].certainty)


def agreement_of(first: FieldResult, second: FieldResult, bent: np.ndarray) -> float:
    """Share of sure spores in the common part of two views that both fields found; nan with too few."""
    here = move(bent, objects_um(first)[first.kinds.spore > _SURE_SPORE])
    there = objects_um(second)[second.kinds.spore > _SURE_SPORE]
    here, there = here[_in_view(second, here)], there[_in_view(first, move(inverse(bent), there))]
    fewer = min(len(here), len(there))
    return len(pairs_of(here, there, reach_of(first, second))) / fewer if fewer >= _FEW_OBJECTS else nan


def _weighed(certainty: float, agreement: float) -> float:
    """Let sure spores found at the same places speak for a join, and found at others against it."""
    if np.isnan(agreement) or not 0 < certainty < 1:
        return certainty
    logit = np.log(certainty / (1 - certainty)) + 6 * (agreement - 0.3)
    return float(1 / (1 + np.exp(-logit)))


def _in_view(field: FieldResult, points_um: np.ndarray) -> np.ndarray:
    view, scale = field.view, field.scale.um_per_px
    centre = to_um(field, np.array([view.center_x_px]), np.array([view.center_y_px]))
    half = np.array([field.width_px, field.height_px]) * scale / 2
    inside = (np.abs(points_um) < half).all(axis=1)
    return np.asarray(inside & (np.hypot(*(points_um - centre).T) < view.radius_px * scale))


def _hung_together(
    count: int, joined: Sequence[tuple[Join, Fit]]
) -> tuple[list[int], list[int], list[np.ndarray], list[float]]:
    """Hang fields together by the surest joins; the first of each group lies straight at the origin.

    Returns
    -------
    root, place : list of int
        First field of each field's group, and of its place.
    matrices : list of ndarray of shape (2, 3)
        From um of each field to um of the first of its group.
    certainty : list of float
    """
    root, place = list(range(count)), list(range(count))
    links: list[list[tuple[int, np.ndarray, float]]] = [[] for _ in range(count)]
    for join, fit in joined:
        if root[join.first] != root[join.second]:
            links[join.first].append((join.second, inverse(fit.matrix), join.certainty))
            links[join.second].append((join.first, fit.matrix, join.certainty))
            _merge(root, join.first, join.second)
        if join.overlap >= _SAME_PLACE:
            _merge(place, join.first, join.second)
    matrices, certainty = [np.eye(2, 3)] * count, [1.0] * count
    waiting = sorted(set(root))
    reached = set(waiting)
    while waiting:
        here = waiting.pop()
        for there, to_here, sure in links[here]:
            if there not in reached:
                matrices[there], certainty[there] = after(matrices[here], to_here), sure
                reached.add(there)
                waiting.append(there)
    return root, place, matrices, certainty


def _merge(root: list[int], one: int, other: int) -> None:
    low, high = sorted((root[one], root[other]))
    root[:] = [low if at == high else at for at in root]


def _view_um(field: FieldResult) -> np.ndarray:
    """Give the ends of the round view, shape (4, 2)."""
    view = field.view
    centre = to_um(field, np.array([view.center_x_px]), np.array([view.center_y_px]))
    return centre + view.radius_px * field.scale.um_per_px * np.array([[1, 0], [0, 1], [-1, 0], [0, -1]])


def _side_by_side(
    fields: Sequence[FieldResult], matrices: Sequence[np.ndarray], groups: Sequence[Sequence[int]]
) -> dict[int, np.ndarray]:
    """Shift of each group, by its first field: in rows, since how groups lie to one another is not known."""
    boxes = []
    for group in groups:
        ends = np.concatenate([move(matrices[i], _view_um(fields[i])) for i in group])
        boxes.append((ends.min(axis=0), np.ptp(ends, axis=0)))
    row_um = 1.2 * float(np.sqrt(sum(float(size.prod()) for _, size in boxes)))
    gap = 0.06 * max((float(size.max()) for _, size in boxes), default=0.0)
    shifts, x, y, tall = {}, 0.0, 0.0, 0.0
    for group, (low, size) in zip(groups, boxes, strict=True):
        if x > 0 and x + size[0] > row_um:
            x, y, tall = 0.0, y + tall + gap, 0.0
        shifts[group[0]] = np.array([x, y]) - low
        x, tall = x + float(size[0]) + gap, max(tall, float(size[1]))
    return shifts

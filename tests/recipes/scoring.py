"""How well a count agrees with the truth of simulated photos.

Detections and true spores are matched one to one within 0.6 spore length. A true spore that no careful
person could count is neither a hit nor a miss; a detection that can only be such a one is dropped.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import linear_sum_assignment
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.truth import KIND_NAMES, SimulatedPhoto

MATCH_LENGTHS = 0.6
"""A detection this many spore lengths away, or closer, may be that spore."""
PROBABILITY_FROM = 0.05
"""Objects below this probability are left out of the calibration error, so that the many sure
non-spores do not water it down."""

Pairs = NDArray[np.int64]


def match(detected_xy: ArrayLike, true_xy: ArrayLike, reach: ArrayLike, second: ArrayLike = False) -> Pairs:
    """Match detections and true places one to one.

    As many pairs as possible within reach, among those as few as possible with a place of second choice, and
    among those the least sum of distances over reach.

    Parameters
    ----------
    detected_xy : array_like of shape (n, 2)
    true_xy : array_like of shape (m, 2)
    reach : array_like of shape (m,)
        Largest distance of each true place, same unit.
    second : array_like of shape (m,), bool
        True places that are matched only where no other place is left.

    Returns
    -------
    ndarray of shape (k, 2), int64
        Rows of (detection, truth).
    """
    found = np.asarray(detected_xy, np.float64).reshape(-1, 2)
    true = np.asarray(true_xy, np.float64).reshape(-1, 2)
    limit = np.broadcast_to(np.asarray(reach, np.float64), (len(true),))
    later = np.broadcast_to(np.asarray(second, bool), (len(true),))
    if not len(found) or not len(true):
        return np.zeros((0, 2), np.int64)
    near = cKDTree(found).query_ball_point(true, limit)
    j = np.repeat(np.arange(len(true)), [len(one) for one in near])
    i = np.array([k for one in near for k in one], np.int64)
    if not len(i):
        return np.zeros((0, 2), np.int64)
    cost = np.hypot(*(found[i] - true[j]).T) / np.maximum(limit[j], 1e-9)
    nodes = len(found) + len(true)
    graph = coo_matrix((np.ones(len(i)), (i, len(found) + j)), (nodes, nodes))
    _, label = connected_components(graph, directed=False)
    group = label[i]
    order = np.argsort(group, kind="stable")
    pairs: list[Pairs] = []
    for part in np.split(order, np.flatnonzero(np.diff(group[order])) + 1):
        rows, row = np.unique(i[part], return_inverse=True)
        cols, col = np.unique(j[part], return_inverse=True)
        # A pair of second choice costs more than all distances together, an impossible one more than all pairs.
        most = len(rows) + len(cols)
        table = np.full((len(rows), len(cols)), 2.0 * most**2)
        table[row, col] = cost[part] + most * later[j[part]]
        a, b = linear_sum_assignment(table)
        good = table[a, b] <= most + 1 + 1e-9
        pairs.append(np.stack([rows[a[good]], cols[b[good]]], axis=1))
    return np.concatenate(pairs)


def calibration_error(probability: ArrayLike, truth: ArrayLike, bins: int = 10) -> float:
    """Expected calibration error: mean over the objects of |share true - mean probability| of their bin.

    Equal bins of probability, weighted by their objects (Naeini et al. 2015, AAAI 29:2901-2907, from
    memory). nan without objects.
    """
    p, t = np.asarray(probability, np.float64), np.asarray(truth, np.float64)
    if not len(p):
        return float("nan")
    which = np.minimum((p * bins).astype(int), bins - 1)
    number = np.bincount(which, minlength=bins)
    gap = np.abs(np.bincount(which, p, bins) - np.bincount(which, t, bins))
    return float(gap.sum() / number.sum())


@dataclass(frozen=True)
class PhotoScore:
    """Score of one photo.

    Parameters
    ----------
    hits, misses, false, dropped : int
        Matched countable spores; countable ones not found; detections without a spore; detections that
        fell to a spore that is not countable.
    true_count : int
        Countable spores plus the dropped detections: what a perfect count of the same care would say.
    count, low, high : float
        The machine's count and interval.
    flag : str
    reasons : tuple of str
    view_mm2, examined_mm2 : float
        Of the whole photo; of what was examined.
    truth : dict of arrays (m,)
        Of the countable spores: length_um, blur (sigma over length), contrast, on_scale, clump, found.
    probability, is_spore : ndarray of shape (p,)
        Of all objects that are not tied to an uncountable spore.
    false_kinds : dict of str to int
        What the false detections lie on.
    places : dict of ndarrays (k, 2)
        x_px, y_px of "hit", "miss", "false", "dropped".
    notes : dict
        Of the photo, with objective and um_per_px.
    heavy_verdict : {"at least", "below", "open", ""}
        What is said of the load of a print of this one field; "" by a detector that says nothing.
    """

    hits: int
    misses: int
    false: int
    dropped: int
    true_count: int
    count: float
    low: float
    high: float
    flag: str
    reasons: tuple[str, ...]
    view_mm2: float
    examined_mm2: float
    truth: dict[str, NDArray[Any]]
    probability: NDArray[np.float64]
    is_spore: NDArray[np.bool_]
    false_kinds: dict[str, int]
    places: dict[str, NDArray[np.float64]]
    notes: dict[str, Any] = field(default_factory=dict)
    heavy_verdict: str = ""

    @property
    def inside(self) -> bool:
        """Whether the true count lies in the stated interval."""
        return self.low <= self.true_count <= self.high

    @property
    def relative_error(self) -> float:
        """|count - truth| over the truth, which is taken as one at least."""
        return abs(self.count - self.true_count) / max(self.true_count, 1)


def score_photo(photo: SimulatedPhoto, answer: dict[str, Any]) -> PhotoScore:
    """Compare a detector's answer with the truth of a photo.

    Parameters
    ----------
    photo : SimulatedPhoto
    answer : dict
        Arrays x_px, y_px, probability, kind of all objects, of which `kind == "spore"` are the counted
        ones; count, low, high, flag, reasons, examined_mm2; heavy_verdict where there is one.
    """
    xy = np.stack([np.asarray(answer["x_px"], float), np.asarray(answer["y_px"], float)], axis=1).reshape(
        -1, 2
    )
    p = np.asarray(answer["probability"], np.float64)
    counted = np.asarray(answer["kind"], dtype=str) == "spore"
    true = np.array([(s.x_px, s.y_px) for s in photo.spores], np.float64).reshape(-1, 2)
    length = np.array([s.length_um for s in photo.spores])
    countable = np.array([s.countable for s in photo.spores], bool)
    reach = MATCH_LENGTHS * length / photo.um_per_px
    first = np.flatnonzero(counted)
    pairs = match(xy[first], true, reach, ~countable)
    pairs[:, 0] = first[pairs[:, 0]]
    spore_of = np.full(len(xy), -1, np.int64)
    spore_of[pairs[:, 0]] = pairs[:, 1]
    # Objects that were not counted take what spores are left: they were spores that the machine doubted.
    rest, left = np.flatnonzero(~counted), np.setdiff1d(np.arange(len(true)), pairs[:, 1])
    more = match(xy[rest], true[left], reach[left], ~countable[left])
    spore_of[rest[more[:, 0]]] = left[more[:, 1]]
    found = np.zeros(len(true), bool)
    found[pairs[:, 1]] = True
    hit, miss = found & countable, ~found & countable
    false = np.flatnonzero(counted & (spore_of < 0))
    dropped = pairs[~countable[pairs[:, 1]], 0]
    judged = (spore_of < 0) | np.append(countable, False)[spore_of]
    rows, cols = photo.kind_map.shape
    at = np.round(xy[false]).astype(int)
    on = photo.kind_map[np.clip(at[:, 1], 0, rows - 1), np.clip(at[:, 0], 0, cols - 1)]
    kinds, numbers = np.unique(on, return_counts=True)
    chosen = [s for s in photo.spores if s.countable]
    return PhotoScore(
        hits=int(hit.sum()),
        misses=int(miss.sum()),
        false=len(false),
        dropped=len(dropped),
        true_count=int(countable.sum()) + len(dropped),
        count=float(answer["count"]),
        low=float(answer["low"]),
        high=float(answer["high"]),
        flag=str(answer["flag"]),
        reasons=tuple(answer["reasons"]),
        view_mm2=rows * cols * photo.um_per_px**2 / 1e6,
        examined_mm2=float(answer["examined_mm2"]),
        truth={
            "length_um": np.array([s.length_um for s in chosen]),
            "blur": np.array([s.blur_um / s.length_um for s in chosen]),
            "contrast": np.array([s.contrast for s in chosen]),
            "on_scale": np.array([s.on_scale for s in chosen], bool),
            "clump": np.array([s.clump for s in chosen], np.int64),
            "found": found[countable],
        },
        probability=p[judged],
        is_spore=(spore_of >= 0)[judged],
        false_kinds={KIND_NAMES[k]: int(n) for k, n in zip(kinds, numbers, strict=True)},
        places={"hit": true[hit], "miss": true[miss], "false": xy[false], "dropped": xy[dropped]},
        notes={**photo.notes, "objective": photo.objective, "um_per_px": photo.um_per_px},
        heavy_verdict=str(answer.get("heavy_verdict", "")),
    )


def _ratio(part: float, whole: float) -> float:
    return part / whole if whole else float("nan")


def summarise(scores: Sequence[PhotoScore]) -> dict[str, float]:
    """Pool the scores of several photos; nan where there is nothing to divide by.

    Returns
    -------
    dict
        photos, spores, precision, recall, f1, count_error (mean relative, photos with spores),
        total_error (of the summed count, signed), false_per_mm2 (of the examined area), clear (share),
        clear_inside (of those flagged clear, share with the truth in the interval), inside,
        off_but_clear (photos off their interval yet flagged clear), calibration_error, positive (share of
        photos whose interval excludes zero and that are not unusable).
    """
    hits, misses = sum(s.hits for s in scores), sum(s.misses for s in scores)
    false, truth = sum(s.false for s in scores), sum(s.true_count for s in scores)
    some = [s for s in scores if s.true_count]
    clear = [s for s in scores if s.flag == "clear"]
    p = np.concatenate([s.probability for s in scores]) if scores else np.zeros(0)
    t = np.concatenate([s.is_spore for s in scores]) if scores else np.zeros(0)
    judged = p >= PROBABILITY_FROM
    return {
        "photos": len(scores),
        "spores": hits + misses,
        "precision": _ratio(hits, hits + false),
        "recall": _ratio(hits, hits + misses),
        "f1": _ratio(2 * hits, 2 * hits + false + misses),
        "count_error": float(np.mean([s.relative_error for s in some])) if some else float("nan"),
        "total_error": _ratio(sum(s.count for s in some) - truth, truth),
        "false_per_mm2": _ratio(false, sum(s.examined_mm2 for s in scores)),
        "clear": _ratio(len(clear), len(scores)),
        "clear_inside": _ratio(sum(s.inside for s in clear), len(clear)),
        "inside": _ratio(sum(s.inside for s in scores), len(scores)),
        "off_but_clear": sum(not s.inside for s in clear),
        "calibration_error": calibration_error(p[judged], t[judged]),
        "positive": _ratio(sum(s.low >= 1 and s.flag != "unusable" for s in scores), len(scores)),
    }


SPORE_CONDITIONS: dict[str, tuple[tuple[str, float, float], ...]] = {
    "length_um": (("length < 10.5 um", 0, 10.5), ("length 10.5-13 um", 10.5, 13), ("length > 13 um", 13, 99)),
    "blur": (("blur < 0.08 length", 0, 0.08), ("blur 0.08-0.14", 0.08, 0.14), ("blur > 0.14", 0.14, 9)),
    "contrast": (("contrast < 0.1", -9, 0.1), ("contrast 0.1-0.2", 0.1, 0.2), ("contrast > 0.2", 0.2, 9)),
    "on_scale": (("off scales", 0, 0.5), ("on a scale", 0.5, 2)),
    "clump": (
        ("single", 1, 1.5),
        ("clump 2-5", 1.5, 5.5),
        ("clump 6-20", 5.5, 20.5),
        ("clump > 20", 20.5, 1e9),
    ),
}


def recall_by_condition(scores: Sequence[PhotoScore]) -> dict[str, tuple[int, float]]:
    """Give, for each condition of a spore, the number of countable ones and the share found."""
    rows: dict[str, tuple[int, float]] = {}
    if not scores:
        return rows
    found = np.concatenate([s.truth["found"] for s in scores])
    for name, bands in SPORE_CONDITIONS.items():
        value = np.concatenate([s.truth[name] for s in scores]).astype(float)
        for label, low, high in bands:
            here = (value >= low) & (value < high)
            rows[label] = (int(here.sum()), _ratio(float(found[here].sum()), float(here.sum())))
    return rows


PHOTO_CONDITIONS: dict[str, Callable[[PhotoScore], str]] = {
    "objective": lambda s: f"{s.notes['objective']:g}x",
    "light": lambda s: (
        "from above" if s.notes.get("from_above") else "dim" if s.notes.get("dim") else "from below"
    ),
    "pixel": lambda s: (
        ("spore < 16 px" if np.median(s.truth["length_um"]) / s.notes["um_per_px"] < 16 else "spore >= 16 px")
        if len(s.truth["length_um"])
        else "no spore"
    ),
}


def summary_by_condition(scores: Sequence[PhotoScore]) -> dict[str, dict[str, float]]:
    """Summarise the photos of each objective, light and pixel size apart."""
    groups: dict[str, list[PhotoScore]] = {}
    for key in PHOTO_CONDITIONS.values():
        for score in scores:
            groups.setdefault(key(score), []).append(score)
    return {name: summarise(group) for name, group in sorted(groups.items())}


def false_kinds(scores: Iterable[PhotoScore]) -> dict[str, int]:
    """Count what the false detections lie on, most frequent first."""
    total: dict[str, int] = {}
    for score in scores:
        for kind, number in score.false_kinds.items():
            total[kind] = total.get(kind, 0) + number
    return dict(sorted(total.items(), key=lambda one: -one[1]))


def count_is_heavy(
    score: PhotoScore, print_area_mm2: float = 60.0, heavy_from: int = 100
) -> tuple[bool | None, bool]:
    """Tell whether machine and truth call a print heavy: class 4 or 5, above 100 spores on all of it.

    What the machine says of the print decides, None where it leaves it open; a detector that gives a count alone
    says what follows from its density.

    Class bounds: Altizer, Oberhauser & Brower 2000, Ecol. Entomol. 25:125-139 (from memory). The print's
    area is an assumption.
    """
    true = score.true_count / score.view_mm2 * print_area_mm2 > heavy_from
    if score.heavy_verdict:
        return {"at least": True, "below": False, "open": None}[score.heavy_verdict], true
    said = score.count / max(score.examined_mm2, 1e-9) * print_area_mm2 > heavy_from
    return said, true

"""What the fields of one print say together, with all that makes it uncertain."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace

import numpy as np

from sporecount.stats.checks import require
from sporecount.stats.overdispersion import clumping_belief, k_of_spread, spread_quantile
from sporecount.stats.spread import even_points

_POINTS = 128


@dataclass(frozen=True)
class Evidence:
    """Counts of the different places of one print.

    Parameters
    ----------
    counts : ndarray of shape (m,)
        Spores found per field: whole numbers, or sums of calibrated probabilities.
    areas_mm2 : ndarray of shape (m,)
        Examined area of each, above 0; each place once.
    recall : float or ndarray of shape (m,)
        Share of the spores in that area that is found, in (0, 1].
    recall_u : float
        Standard uncertainty of the recall, the same error for all fields.
    count_var : float or ndarray of shape (m,)
        Variance of each count by sorting, sum of p (1 - p) over its objects.
    doubtful, doubtful_var : float or ndarray of shape (m,)
        Parts of `counts` and `count_var` that rest on doubtful objects, of which a closer look could still
        decide.
    doubtful_chance : float
        Mean probability of the doubtful objects to be spores, above 0 where there are any.
    false_per_mm2 : float
        False spores per mm2 that the probabilities do not already discount, as found on prints known to be
        clean.
    false_from_mm2 : float
        Area on which that rate was found, above 0; inf where it is known without doubt.
    um_per_px_rel_u : float
        Relative standard uncertainty of the scale; that of the area is twice as much.
    model_rel_u : float
        Relative standard uncertainty of the counts by anything else that all fields share.
    k : float or None
        Clumping between fields if it is known; inf for an even scatter (the optimistic case). None: learnt
        from the fields and the prior of `overdispersion`.

    Raises
    ------
    SettingsError
        A value out of range, or lists of unequal length.
    """

    counts: np.ndarray
    areas_mm2: np.ndarray
    recall: np.ndarray | float = 1.0
    recall_u: float = 0.0
    count_var: np.ndarray | float = 0.0
    doubtful: np.ndarray | float = 0.0
    doubtful_var: np.ndarray | float = 0.0
    doubtful_chance: float = 0.0
    false_per_mm2: float = 0.0
    false_from_mm2: float = np.inf
    um_per_px_rel_u: float = 0.0
    model_rel_u: float = 0.0
    k: float | None = None
    effort_mm2: np.ndarray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        areas = require("areas_mm2", self.areas_mm2, 0, above=True).reshape(-1)
        counts = require("counts", self.counts, 0).reshape(-1)
        require("number of fields", areas.size, 1)
        require("number of counts", counts.size, areas.size, areas.size)
        recall = np.broadcast_to(require("recall", self.recall, 0, 1, above=True), areas.shape)
        variance = np.broadcast_to(require("count_var", self.count_var, 0), areas.shape)
        doubtful = np.broadcast_to(require("doubtful", self.doubtful, 0), areas.shape)
        doubtful_var = np.broadcast_to(require("doubtful_var", self.doubtful_var, 0), areas.shape)
        require("doubtful_chance", self.doubtful_chance, 0, 1, above=bool(doubtful.sum()))
        for name in ("recall_u", "false_per_mm2", "um_per_px_rel_u", "model_rel_u"):
            require(name, getattr(self, name), 0)
        if not np.isinf(self.false_from_mm2):
            require("false_from_mm2", self.false_from_mm2, 0, above=True)
        if self.k is not None and not np.isinf(self.k):
            require("k", self.k, 0, above=True)
        arrays = {"counts": counts, "areas_mm2": areas, "recall": recall, "count_var": variance}
        arrays |= {"doubtful": doubtful, "doubtful_var": doubtful_var, "effort_mm2": areas * recall}
        for name, array in arrays.items():
            fixed = array.copy()
            fixed.flags.writeable = False
            object.__setattr__(self, name, fixed)

    @property
    def found(self) -> float:
        """Spores found in all fields."""
        return float(np.sum(self.counts))

    def decided(self, *, as_spores: bool) -> Evidence:
        """Return the evidence if all doubtful objects turned out to be spores, or none of them."""
        if not self.doubtful_chance:
            return self
        whole = np.asarray(self.doubtful) / self.doubtful_chance if as_spores else 0.0
        return replace(
            self,
            counts=np.maximum(self.counts - self.doubtful, 0) + whole,
            count_var=np.maximum(np.asarray(self.count_var) - self.doubtful_var, 0),
            doubtful=0.0,
            doubtful_var=0.0,
            doubtful_chance=0.0,
        )

    @property
    def doubtful_objects(self) -> float:
        """Number of doubtful objects."""
        return float(np.sum(self.doubtful)) / self.doubtful_chance if self.doubtful_chance else 0.0

    @property
    def false_found(self) -> float:
        """False spores expected among the found."""
        return self.false_per_mm2 * self.examined_mm2

    @property
    def false_shape(self) -> float:
        """Shape of the gamma distribution of the rate of false spores: the number that it was found from."""
        return min(self.false_per_mm2 * self.false_from_mm2, 1e9)

    @property
    def examined_mm2(self) -> float:
        """Examined area of all fields."""
        return float(np.sum(self.areas_mm2))

    @property
    def searched_mm2(self) -> float:
        """Examined area times recall: the area that a perfect search would have needed."""
        return float(self.effort_mm2.sum())

    @property
    def independent_fields(self) -> float:
        """Number of equal fields with the same information on clumping; at most the number of fields."""
        return float(self.effort_mm2.sum() ** 2 / (self.effort_mm2**2).sum())


@dataclass(frozen=True)
class Scenarios:
    """Equally likely versions of what is not known of a print, columns of shape (128,).

    Parameters
    ----------
    k : ndarray
        Clumping between fields.
    effort : ndarray
        True over stated effort: recall, area and model together.
    found : ndarray
        True spores among the found, 0 or more.
    print_area, false : ndarray
        Two further even spreads over (0, 1), for the area of the print and for the false spores.
    """

    k: np.ndarray
    effort: np.ndarray
    found: np.ndarray
    print_area: np.ndarray
    false: np.ndarray

    def first(self, count: int) -> Scenarios:
        """Return the first `count` scenarios, which are spread evenly too, for a quicker, coarser answer."""
        return Scenarios(**{one.name: getattr(self, one.name)[:count] for one in fields(self)})


def scenarios(evidence: Evidence) -> Scenarios:
    """Spread all uncertainties over 128 equally likely scenarios, always the same ones.

    Recall, scale and model act as one log-normal factor. Each single uncertainty meets its exact quantiles;
    of several together, tails of 2.5 % come out within about a tenth of themselves.
    """
    from scipy.special import ndtri

    u = even_points(_POINTS, 5)
    if evidence.k is None:
        k = k_of_spread(spread_quantile(clumping_belief(evidence.counts, evidence.effort_mm2), u[:, 0]))
    else:
        k = np.full(_POINTS, min(evidence.k, 1e6))
    recall = evidence.searched_mm2 / evidence.examined_mm2
    rel_u = np.sqrt(
        (evidence.recall_u / recall) ** 2 + (2 * evidence.um_per_px_rel_u) ** 2 + evidence.model_rel_u**2
    )
    shift = np.sqrt(np.sum(evidence.count_var)) * ndtri(u[:, 2])
    return Scenarios(
        k=k,
        effort=np.exp(rel_u * ndtri(u[:, 1])),
        found=np.maximum(evidence.found + shift, 0.0),
        print_area=u[:, 3],
        false=u[:, 4],
    )

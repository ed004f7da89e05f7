"""Load of the whole print: a distribution, the published classes as probabilities, a class that is sure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sporecount.stats.captured import PrintArea, captured_share
from sporecount.stats.checks import require
from sporecount.stats.evidence import Evidence, scenarios

CLASS_FROM = (0, 1, 2, 21, 101, 1001)
"""Smallest load of classes 0 to 5: none; 1; 2-20; 21-100; 101-1000; more than 1000 spores on the whole print.
Altizer, Oberhauser & Brower 2000, Ecol. Entomol. 25:125-139 (class bounds from memory)."""

HEAVY_FROM_CLASS = 4
"""Classes 4 and 5 count as heavily infected; same source."""

LARGEST_LOAD = 1e6
"""Washed loads run to about a million spores per butterfly (Leong et al. 1997, Pan-Pac. Entomol. 73:49-51); a
print holds a part of them."""

EVEN_PRIOR = (1 / 6,) * 6
"""Before looking, each class is held equally likely, and within a class each factor of load (log-uniform).
Chosen, not measured: how common the classes are differs too much between places and seasons. Whoever knows
the place's figures passes them instead."""


@dataclass(frozen=True)
class Load:
    """Number of spores on a whole print, as a distribution.

    Parameters
    ----------
    loads, probability : ndarray of shape (n,)
        Cells of the distribution: whole numbers up to 60, then cells of 2 to 3 % width; sums to 1.
    median, low, high : float
        Of the distribution; low and high hold it with the stated level.
    class_probability : tuple of float
        Of the load classes 0 to 5.
    likeliest_class : int
        Class of the greatest probability once the doubtful objects are decided the likelier way.
    class_at_least : int
        Class of the sure spores in the examined fields alone, at 95 %: a lower bound that needs no assumption
        on the rest of the print.
    heavy_without_doubtful : float
        Probability of class 4 or 5 if no doubtful object is a spore.
    """

    loads: np.ndarray
    probability: np.ndarray
    median: float
    low: float
    high: float
    class_probability: tuple[float, ...]
    likeliest_class: int
    class_at_least: int
    heavy_without_doubtful: float

    @property
    def heavy_probability(self) -> float:
        """Probability of class 4 or 5."""
        return sum(self.class_probability[HEAVY_FROM_CLASS:])


def load_class(spores: float) -> int:
    """Class 0-5 of a number of spores on a whole print."""
    return int(np.searchsorted(CLASS_FROM, float(require("spores", spores, 0)) + 0.5) - 1)


def load_of_print(
    evidence: Evidence,
    area: PrintArea,
    class_prior: tuple[float, ...] = EVEN_PRIOR,
    level: float = 0.95,
) -> Load:
    """Distribution of the load of a whole print by Bayes' rule.

    Prior: `class_prior`, log-uniform within a class. Likelihood: the spores found are a beta-binomial part of
    the load (`captured`), averaged over the scenarios of clumping, recall, scale and area; false spores are
    Poisson about a rate that is gamma distributed. Doubt about single objects enters last: the answer is the
    mean of the answers for each number of true spores among the found, weighted by its probability.

    Doubtful objects are taken to be wrong together: all of them spores with the mean of their probabilities,
    else none. Look-alikes come in kinds, and a hundred of one kind are no surer than one; so doubtful objects
    alone never make a class likelier than they themselves are spores, and what they are is for a person to
    decide.

    Limits: fields must be a fair sample of the print. With little of a print examined the prior shows;
    compare `density`, which uses none on the load.

    Parameters
    ----------
    evidence : Evidence
    area : PrintArea
    class_prior : tuple of six float
        Relative weight of the classes 0 to 5 before looking.
    level : float
        Probability of low to high, in (0, 1).

    Returns
    -------
    Load
    """
    tail = (1 - float(require("level", level, 0, 1, above=True))) / 2
    loads, cell_class, prior = load_cells(class_prior)
    posterior = likelier = without = _posterior(evidence.decided(as_spores=False), area, loads, prior)
    if chance := evidence.doubtful_chance:
        together = _posterior(evidence.decided(as_spores=True), area, loads, prior)
        posterior = chance * together + (1 - chance) * without
        likelier = together if chance > 0.5 else without
    classes, of_likelier = (
        np.bincount(cell_class, weights=one, minlength=6).clip(max=1.0) for one in (posterior, likelier)
    )
    cumulative = np.cumsum(posterior)
    places = np.searchsorted(cumulative, np.array([0.5, tail, 1 - tail]) - 1e-12).clip(max=loads.size - 1)
    median, low, high = (float(one) for one in loads[places])
    return Load(
        loads=loads,
        probability=posterior,
        median=median,
        low=low,
        high=high,
        class_probability=tuple(float(one) for one in classes),
        likeliest_class=int(of_likelier.argmax()),
        class_at_least=class_at_least(evidence),
        heavy_without_doubtful=float(without[cell_class >= HEAVY_FROM_CLASS].sum()),
    )


def _posterior(evidence: Evidence, area: PrintArea, loads: np.ndarray, prior: np.ndarray) -> np.ndarray:
    """Probability of each load, with the doubtful objects decided."""
    unknown = scenarios(evidence)
    captured = captured_share(evidence, area, unknown)
    false = _false_quantile(evidence, unknown.false)
    posterior = np.zeros(loads.size)
    for t, chance in zip(*_true_among_found(evidence), strict=True):
        true = t - false
        if (true < 0).all():  # even the fewest false spores outnumber the found: none of these is true
            true = np.zeros_like(true)
        log_likelihood = captured.log_chance(true, loads[:, None])
        likelihood = np.exp(log_likelihood - log_likelihood.max()).mean(axis=1)
        one = prior * likelihood
        posterior += chance * one / one.sum()
    return np.asarray(posterior / posterior.sum())


def class_at_least(evidence: Evidence, level: float = 0.95) -> int:
    """Load class that the sure spores of the examined fields prove at `level`, whatever else the print holds."""
    from scipy.special import ndtri

    false = evidence.false_found
    sure = evidence.decided(as_spores=False)
    false_var = false + false**2 / evidence.false_shape if false else 0.0
    sd = float(np.sqrt(np.sum(sure.count_var) + false_var))
    proven = sure.found - false - float(ndtri(level)) * sd
    return load_class(max(0.0, float(np.round(proven))))


def load_cells(class_prior: tuple[float, ...]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the cells of the load, their class and their prior probability, each of shape (n,)."""
    weights = require("class_prior", class_prior, 0).ravel()
    require("number of class_prior", weights.size, 6, 6)
    require("sum of class_prior", weights.sum(), 0, above=True)
    edges = np.concatenate(
        [
            np.arange(61) + 0.5,
            np.geomspace(60.5, 100.5, 26)[1:],
            np.geomspace(100.5, 1000.5, 116)[1:],
            np.geomspace(1000.5, LARGEST_LOAD, 231)[1:],
        ]
    )
    loads = np.concatenate([np.arange(61), np.sqrt(edges[60:-1] * edges[61:])])
    share = np.concatenate([[1.0], np.diff(np.log(edges))])
    cell_class = np.searchsorted(CLASS_FROM, loads + 0.5) - 1
    share /= np.bincount(cell_class, weights=share, minlength=6)[cell_class]
    return loads, cell_class, share * (weights / weights.sum())[cell_class]


def _true_among_found(evidence: Evidence) -> tuple[np.ndarray, np.ndarray]:
    """Numbers of true spores among the found and their probability, from mean and variance of the sorting."""
    from scipy.special import ndtr, ndtri

    sd = float(np.sqrt(np.sum(evidence.count_var)))
    if sd == 0:
        return np.array([np.round(evidence.found)]), np.ones(1)
    if 6 * sd > 9:
        z = ndtri((np.arange(7) + 0.5) / 7)
        return np.maximum(np.round(evidence.found + sd * z), 0), np.full(7, 1 / 7)
    last = int(np.ceil(evidence.found + 4 * sd))
    numbers = np.arange(max(0, int(evidence.found - 4 * sd)), last + 1)
    cumulative = ndtr((numbers + 0.5 - evidence.found) / sd)
    weight = np.diff(cumulative, prepend=0.0)
    return numbers[weight > 1e-5].astype(float), weight[weight > 1e-5] / weight[weight > 1e-5].sum()


def _false_quantile(evidence: Evidence, q: np.ndarray) -> np.ndarray:
    """Quantiles of the number of false spores: negative binomial, Poisson where their rate is sure."""
    from scipy.special import betainc

    mean, shape = evidence.false_found, evidence.false_shape
    if mean == 0:
        return np.zeros(q.size)
    sd = np.sqrt(mean + mean**2 / shape)
    numbers = np.arange(int(mean + 10 * sd + 10))
    return np.searchsorted(betainc(shape, numbers + 1, shape / (shape + mean)), q).astype(float)

"""What nothing found, or little, can still hide: the load that would have shown itself in 95 of 100 cases."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sporecount.stats.captured import Captured, PrintArea, captured_share
from sporecount.stats.checks import require
from sporecount.stats.density import upper_density
from sporecount.stats.evidence import Evidence, scenarios

_SUMMED_UP_TO = 100


@dataclass(frozen=True)
class Hidden:
    """The most that what was seen is compatible with.

    Parameters
    ----------
    found : float
        Spores found.
    fields : int
    examined_mm2 : float
    examined_share : float
        Of the best value of the print's area, at most 1.
    per_mm2 : float
        A print of this density would have shown more than `found` spores with probability 1 - `risk`.
    load : float
        The same for the number of spores on the whole print; whole number, inf if no load is ruled out.
    even_per_mm2, even_load : float
        The same if the spores were scattered evenly (Poisson): the optimistic case.
    risk : float
    """

    found: float
    fields: int
    examined_mm2: float
    examined_share: float
    per_mm2: float
    load: float
    even_per_mm2: float
    even_load: float
    risk: float


def hidden(evidence: Evidence, area: PrintArea, risk: float = 0.05) -> Hidden:
    """Density and load that could still hide behind what the fields show.

    Never proof of absence: a load below the limit is missed more often than `risk`. The limit rests on
    the fields being a fair sample of the print, on the recall being that of these photos, and on the
    prior of the clumping, since empty fields say nothing of it.

    Parameters
    ----------
    evidence : Evidence
    area : PrintArea
    risk : float
        Probability of as few spores as found, or fewer, at the limit; in (0, 1).

    Returns
    -------
    Hidden

    References
    ----------
    Even scatter, nothing found: 3/n, Hanley & Lippman-Hand 1983, JAMA 249:1743-1745. With clumping:
    P(0) = (1 + D A r / k)^-k per field of a large print, common practice.
    """
    require("risk", risk, 0, 1, above=True)
    even = replace(evidence, k=np.inf)
    return Hidden(
        found=evidence.found,
        fields=int(evidence.counts.size),
        examined_mm2=evidence.examined_mm2,
        examined_share=min(evidence.examined_mm2 / area.mm2, 1.0),
        per_mm2=upper_density(evidence, risk),
        load=hidden_load(evidence, area, risk),
        even_per_mm2=upper_density(even, risk),
        even_load=hidden_load(even, area, risk),
        risk=risk,
    )


def hidden_load(evidence: Evidence, area: PrintArea, risk: float = 0.05) -> float:
    """Smallest whole-print load that shows as few spores as found, or fewer, with probability <= `risk`.

    False spores are not discounted, which errs on the side of a higher limit. Above 100 found spores the
    limit is the density's times the area, since nothing hides then.

    Parameters
    ----------
    evidence : Evidence
    area : PrintArea
    risk : float

    Returns
    -------
    float
        Whole number; inf if no load up to 1e12 is ruled out.
    """
    from scipy.optimize import brentq

    if evidence.found > _SUMMED_UP_TO:
        return float(np.ceil(upper_density(evidence, risk) * area.mm2))
    unknown = scenarios(evidence)
    captured = captured_share(evidence, area, unknown)
    found = np.round(unknown.found)

    def excess(log_load: float) -> float:
        return _at_most(captured, found, float(np.exp(log_load))) - risk

    least = np.round(evidence.found) + 1
    lowest, highest = float(np.log(least)), float(np.log(1e12))
    if excess(highest) > 0:
        return float("inf")
    if excess(lowest) <= 0:
        return float(least)
    return float(np.ceil(np.exp(brentq(excess, lowest, highest, xtol=1e-6)) - 1e-4))


def chance_to_find_none(evidence: Evidence, area: PrintArea, load: float) -> float:
    """Probability that fields like these show no spore on a print that holds `load` spores.

    The counts in `evidence` serve only to learn the clumping; with zeros it is the prior's.
    """
    captured = captured_share(evidence, area, scenarios(evidence))
    n = float(require("load", load, 0))
    return _at_most(captured, np.zeros(captured.a.size), n)


def _at_most(captured: Captured, found: np.ndarray, load: float) -> float:
    """Chance of at most `found` spores, one number a scenario, averaged over the scenarios."""
    t = np.arange(int(found.max()) + 1)[:, None]
    chance = np.exp(captured.log_chance(t, np.asarray(load)))
    return float(np.where(t <= found, chance, 0.0).sum(axis=0).clip(0, 1).mean())

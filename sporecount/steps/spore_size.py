"""How long the spores of a session are, and whether that fits its calibration."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from sporecount.records import FieldResult, SporeSize
from sporecount.settings import CountSettings

FEWEST = 8
"""Sure spores from which on a length says something."""

_FEWEST_FOR_INTERVAL = 6
"""The range of n values misses the median in 2 of 2^n cases: 1 in 16 with five, 1 in 32 with six."""

_APART = 1.35
"""Two sizes whose ratio is less can be two lineages; neighbouring objectives differ by 1.6 and more."""

_ENOUGH_FOR_TWO = 40
_CLEARLY_TWO = 4.4
"""Ashman's D, distance of two groups over their spread, from which they are two: any normal spread cut in its
middle gives 2.65, an even one 3.46, and 40 draws of either seldom more than 4 (Ashman, Bird & Zepf 1994,
Astron. J. 108:2348-2361, from memory for the measure)."""

_LEAST_SHARE = 0.15

_OFF = 1.25
"""A print whose spores are longer or shorter than the session's by this factor does not fit it."""


def sure_lengths(field: FieldResult, settings: CountSettings) -> np.ndarray:
    """Lengths in um of the sure, single spores of a field, shape (n,)."""
    sure = field.counted & (field.kinds.spore > settings.doubt_high) & (field.objects.clump == 1)
    lengths = np.asarray(field.objects.length_um[sure], float)
    return lengths[np.isfinite(lengths)]


def spore_size(lengths_um: np.ndarray) -> SporeSize:
    """Estimate a length from those of single spores, by values that a few odd ones do not move.

    Parameters
    ----------
    lengths_um : ndarray of shape (n,)

    Returns
    -------
    SporeSize
        The interval of the median is that of order statistics (binomial; Conover 1999, Practical Nonparametric
        Statistics, section 3.2, from memory); nan below six spores, whose whole range holds the median in fewer
        than 95 of 100 cases.
    """
    sizes = np.sort(np.asarray(lengths_um, float))
    n = len(sizes)
    if not n:
        nan = float("nan")
        return SporeSize(0, nan, nan, nan, nan)
    median = float(np.median(sizes))
    spread = 1.4826 * float(np.median(np.abs(sizes - median)))
    if n < _FEWEST_FOR_INTERVAL:
        return SporeSize(n, median, spread, float("nan"), float("nan"))
    from scipy.special import bdtr

    below = np.count_nonzero(bdtr(np.arange(n), n, 0.5) < 0.025) - 1
    return SporeSize(n, median, spread, float(sizes[below]), float(sizes[n - 1 - below]), _two_sizes(sizes))


def _two_sizes(sizes: np.ndarray) -> tuple[float, ...]:
    """Medians of two groups where the lengths, sorted, clearly fall into two; else nothing.

    The cut is the one that leaves the least spread within the groups (Otsu 1979, IEEE Trans. SMC 9:62-66).
    """
    n = len(sizes)
    least = max(FEWEST, int(np.ceil(_LEAST_SHARE * n)))
    if n < _ENOUGH_FOR_TWO:
        return ()
    logs = np.log(sizes)
    count = np.arange(1, n)
    total, square = np.cumsum(logs), np.cumsum(logs**2)
    left = square[:-1] - total[:-1] ** 2 / count
    right = (square[-1] - square[:-1]) - (total[-1] - total[:-1]) ** 2 / (n - count)
    within = np.where((count >= least) & (n - count >= least), left + right, np.inf)
    cut = int(np.argmin(within)) + 1
    low, high = logs[:cut], logs[cut:]
    spread = np.sqrt((low.var() + high.var()) / 2)
    apart = high.mean() - low.mean()
    if apart < np.log(_APART) or apart < _CLEARLY_TWO * spread:
        return ()
    return float(np.median(sizes[:cut])), float(np.median(sizes[cut:]))


def size_reasons(
    session: SporeSize, prints: Mapping[str, SporeSize], settings: CountSettings
) -> dict[str, tuple[str, ...]]:
    """Say which prints do not fit the size that is expected, or that of the session they belong to.

    Parameters
    ----------
    session : SporeSize
    prints : mapping
        Print to the size of its spores.
    settings : CountSettings
        For the band of lengths that is looked for.

    Returns
    -------
    dict
        Print to codes of reasons; only prints with some.
    """
    found: dict[str, tuple[str, ...]] = {}
    beyond = session.spores >= FEWEST and not (
        settings.spore_length_min_um <= session.length_um <= settings.spore_length_max_um
    )
    for sample, one in prints.items():
        codes = []
        if beyond and one.spores:
            codes.append("size-mismatch")
        off = abs(np.log(one.length_um / session.length_um)) > np.log(_OFF) if one.spores >= FEWEST else False
        if one.groups_um or off or (session.groups_um and one.spores):
            codes.append("uneven-sizes")
        if codes:
            found[sample] = tuple(codes)
    return found

"""How numbers are written in sentences: with as many figures as they deserve, never as a certainty."""

from __future__ import annotations

import math

LOAD_CLASSES = ("none", "1 spore", "2-20", "21-100", "101-1000", "over 1000")
"""Spores on the whole print, load classes 0 to 5. Source: Altizer, Oberhauser & Brower 2000, Ecol. Entomol.
25:125-139; class bounds from memory."""

HEAVY_FROM = 101
"""Spores on the whole print from which a load is called heavy: classes 4 and 5."""


def about(value: float, *, up: bool = False) -> str:
    """Write a number with two significant figures; `up` never rounds down, as an upper bound needs it.

    Whole numbers below 100 stay whole; "an unknown number" for nan, "more than can be told" for infinity.
    """
    if math.isnan(value):
        return "an unknown number"
    if math.isinf(value):
        return "more than can be told"
    if value <= 0:
        return "0"
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    steps = value / step
    rounded = (math.ceil(steps - 1e-9) if up else round(steps)) * step
    if rounded >= 10:
        return f"{rounded:,.0f}" if rounded >= 10_000 else f"{rounded:.0f}"
    return f"{rounded:.{max(0, 1 - math.floor(math.log10(rounded)))}f}"


def in_100(probability: float) -> str:
    """Write a probability as cases in 100, without claiming certainty at either end."""
    if math.isnan(probability):
        return "unknown"
    if probability < 0.01:
        return "under 1 in 100"
    if probability > 0.99:
        return "over 99 in 100"
    return f"{100 * probability:.0f} in 100"


def shows_as_little(load: int, risk: str) -> str:
    """Say why an unlikely load is still open: the photos alone do not rule its smallest number out."""
    return f"a print of {load} spores would show no more than this in over {risk} cases"


def plural(number: int, one: str, more: str | None = None) -> str:
    """Give a number with its noun."""
    return f"{number} {one if number == 1 else more or one + 's'}"


def area(mm2: float, *, unit: bool = True) -> str:
    """Write an area in mm² with about two figures."""
    if math.isnan(mm2):
        return "an unknown area"
    digits = 2 if mm2 < 1 else 1 if mm2 < 100 else 0
    number = f"{mm2:.{digits}f}".removesuffix(".0")
    return f"{number}\N{NO-BREAK SPACE}mm²" if unit else number


def count_phrase(spores: int, low: int, high: int) -> str:
    """Give a count with its interval, as the beginning of a sentence."""
    if spores == 0:
        return "No spore found" if high <= 0 else f"No spore found (up to {high} could be there)"
    return f"{plural(spores, 'spore')} (95 % interval {low} to {high})"

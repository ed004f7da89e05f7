"""Range checks whose errors name the argument, the rule and what was got."""

from __future__ import annotations

from typing import Any

import numpy as np

from sporecount.errors import SettingsError


def require(name: str, value: Any, low: float, high: float = np.inf, *, above: bool = False) -> np.ndarray:
    """Return `value` as an array of float, all of it finite and inside [low, high].

    Parameters
    ----------
    name : str
        Name of the argument, for the error.
    value : float or array_like
    low, high : float
        Allowed range.
    above : bool
        Whether `low` itself is refused.

    Raises
    ------
    SettingsError
        A value outside the range, or not a finite number.
    """
    values = np.asarray(value, dtype=float)
    outside = ~np.isfinite(values) | (values > high) | ((values <= low) if above else (values < low))
    if outside.any():
        opening = "(" if above else "["
        closing = ")" if np.isinf(high) else "]"
        first = float(values[outside][0]) if values.ndim else float(values)
        raise SettingsError(
            f"{name} must be a number in {opening}{low:g}, {high:g}{closing}, got {first:g}",
            where=name,
            remedy="Give a value inside that range",
        )
    return values

"""What sets a doubtful object apart from the sure spores of its field."""

from __future__ import annotations

import math

import numpy as np

from sporecount.records import KINDS, FieldResult


def why_words(field: FieldResult, row: int, sure: np.ndarray) -> str:
    """Say what sets an object apart from the sure spores of its field.

    Parameters
    ----------
    field : FieldResult
    row : int
        Of the field's objects.
    sure : ndarray of int
        Rows of the sure spores.

    Returns
    -------
    str
        A few words, such as "shorter, less amber, soft edge".
    """
    objects, words = field.objects, []
    if len(sure) >= 5:
        for column, below, above in (
            ("length_um", "shorter", "longer"),
            ("width_um", "narrower", "broader"),
            ("amber", "less amber", "more amber"),
            ("sharpness", "softer edge", "harder edge"),
            ("optical_density", "paler", "darker"),
        ):
            values = getattr(objects, column)
            usual = np.asarray(values[sure], float)
            usual = usual[np.isfinite(usual)]
            value = float(values[row])
            if not len(usual) or not math.isfinite(value):
                continue
            middle = float(np.median(usual))
            # 1.4826 times the median deviation is a standard deviation that single odd objects do not move;
            # differences of less than a tenth are not worth a word.
            spread = max(1.4826 * float(np.median(np.abs(usual - middle))), 0.05 * abs(middle), 1e-9)
            if abs(value - middle) > 2 * spread:
                words.append(below if value < middle else above)
    if objects.on_scale[row]:
        words.append("on a scale")
    if objects.clump[row] > 1:
        words.append(f"in a clump of {int(objects.clump[row])}")
    likeliest = int(field.kinds.likeliest[row])
    if likeliest != 0:
        words.append(f"likelier {'something else' if KINDS[likeliest] == 'other' else KINDS[likeliest]}")
    return ", ".join(words) or "near the line between spore and not"

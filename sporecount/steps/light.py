"""How the print was lit."""

from __future__ import annotations

import numpy as np

from sporecount.records import FlatField, WorkImage


def poorly_lit(work: WorkImage, flat: FlatField) -> bool:
    """Whether the empty light is too weak to tell densities apart, or much of the view is blown out."""
    step = max(1, min(work.seen.shape) // 256)
    seen = work.seen[::step, ::step]
    if not seen.any():
        return True
    blown = (np.ascontiguousarray(work.rgb[::step, ::step][seen].T).min(axis=0) >= 252).mean()
    return bool(np.median(flat.log_light) < -1.9 or blown > 0.3)


def colourless(work: WorkImage) -> bool:
    """Whether red, green and blue are the same nearly everywhere."""
    step = max(1, min(work.seen.shape) // 256)
    rgb = np.ascontiguousarray(work.rgb[::step, ::step][work.seen[::step, ::step]].T)
    return bool(rgb.size and np.mean(np.ptp(rgb, axis=0) > 6) < 0.01)


def lit_from_above(flat: FlatField, seen: np.ndarray) -> bool:
    """Whether things stand out brighter than the card: scales then show their colours, lit from above.

    In light from below nearly nothing is brighter than the empty card by more than a bubble's rim.
    """
    step = max(1, min(seen.shape) // 256)
    density = flat.density[::step, ::step][seen[::step, ::step]]
    return bool(density.size and (density < -0.12).mean() > 0.03)

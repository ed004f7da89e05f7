"""How the print was lit."""

from __future__ import annotations

import numpy as np

from sporecount.records import FlatField, WorkImage

_DIM = -1.9
"""Log10 of the empty light, 1.3 % of white, below which a photo is called dim. 140 simulated photos with a clear
flag were darkened step by step (shot noise of 10,000 electrons at white, JPEG): of those still clear the truth
lay inside for 0.86 as drawn, 0.91 at -1.2, 0.90 at -1.5, 0.91 at -1.7 and at -1.9. Dimness does no harm before."""

_GRAINY = 0.02
"""Noise of the density from which faint spores drown in it. Of 1000 simulated photos of ten styles and recipes 19
have more: there 0.67 of the spores were found instead of 0.84, and four of the five that told none and were clear
otherwise held 5 to 27 spores."""

_BLOWN_CODE, _BLOWN_SHARE = 252, 0.3
"""Code value from which a pixel counts as clipped, and the share of the view that may be so: chosen."""


def poorly_lit(work: WorkImage, flat: FlatField) -> bool:
    """Whether the light is too weak to tell densities apart, by itself or by its grain, or much is blown out."""
    step = max(1, min(work.seen.shape) // 256)
    seen = work.seen[::step, ::step]
    if not seen.any():
        return True
    blown = (np.ascontiguousarray(work.rgb[::step, ::step][seen].T).min(axis=0) >= _BLOWN_CODE).mean()
    return bool(np.median(flat.log_light) < _DIM or flat.noise > _GRAINY or blown > _BLOWN_SHARE)


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

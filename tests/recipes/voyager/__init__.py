"""Textured cut-outs at their own magnification, laid out in drifts, shingles and heaps, then photographed.

A library of bodies is made for each photo at high resolution; the photo is laid out from turned, squeezed,
scaled and shaded copies of them. No network and no tree learns from it; the recall expected of a field does.
"""

from tests.recipes.voyager.conditions import PRESETS
from tests.recipes.voyager.photo import draw_photo

__all__ = ["PRESETS", "draw_photo"]

"""Photos of tape prints drawn the naturalist's way: grown shapes, cracked scales, layered pigments.

Things are grown (scales from a stalk, hairs by taper, mould by branching), broken by cracking, laid over
each other as pigments whose transmittances multiply, and lit from below or, as a relief, from above.
The networks that look do not learn from it.
"""

from tests.recipes.pilgrim.views import PRESETS, draw_photo

__all__ = ["PRESETS", "draw_photo"]

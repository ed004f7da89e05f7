"""A simulator of tape-print photos by signed distances and noise over the plane, shaded in linear light.

Only `draw_photo` is meant for use.
"""

from tests.recipes.drifter.photo import draw_photo

__all__ = ["draw_photo"]

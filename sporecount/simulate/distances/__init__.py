"""Simulated photos in a style of signed distances and noise over the plane, shaded in linear light.

Only `draw_photo` is meant for use.
"""

from sporecount.simulate.distances.photo import draw_photo

__all__ = ["draw_photo"]

"""Simulated photos in a style of shading: analytic outlines, painted in two dimensions, as cheap microscopes show.

Only `draw_photo` is meant for use.
"""

from sporecount.simulate.shading.photo import draw_photo

__all__ = ["draw_photo"]

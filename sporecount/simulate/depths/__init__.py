"""Simulated photos in a style of depths: sheets one above the other, each with its own transmission and blur.

Only `draw_photo` is meant for use.
"""

from sporecount.simulate.depths.photo import draw_photo

__all__ = ["draw_photo"]

"""Simulated photos in a style of light paths.

Every thing is a body with a thickness in µm. What its substance absorbs, what its slopes throw out of the
objective and what its curvature gathers when it is out of focus make the picture; a phone takes it.
Only `draw_photo` is meant for use.
"""

from sporecount.simulate.rays.photo import draw_photo

__all__ = ["draw_photo"]

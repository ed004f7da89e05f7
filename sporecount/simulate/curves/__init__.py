"""Simulated tape-print photos of which each draws its own random look functions.

How transmission runs from rim to middle, along a scale, over the ground and with focus is a smooth random function
of the photo; things are those functions, evaluated on normalised distance fields.
"""

from sporecount.simulate.curves.photo import draw_photo

__all__ = ["draw_photo"]

"""Simulated photos in a style of painting by hand.

All things are smoothed outlines with paint chosen by eye: a body, a rim, a middle, lights and shades. Each is
softened by its depth and laid over or glazed onto what is below; a phone takes the picture in the end.
"""

from sporecount.simulate.painted.photo import draw_photo

__all__ = ["draw_photo"]

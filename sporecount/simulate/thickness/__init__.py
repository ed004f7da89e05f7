"""Simulated photos in a style of thickness and depth.

All things are thickness fields of a material on a few depth planes. Light loses by the thickness, gains and
loses by its curvature and slope, is blurred plane by plane, and is photographed through the eyepiece.
"""

from sporecount.simulate.thickness.photo import draw_photo

__all__ = ["draw_photo"]

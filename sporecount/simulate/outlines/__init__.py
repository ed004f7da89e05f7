"""Simulated photos in a style of outlines: each thing is a distance to its outline, roughened by noise.

A photo is the ground times the transmissions of all that lies on it; each photo draws its own house style, which
says how most classes of things are rendered in it. Only `draw_photo` is meant for use.
"""

from sporecount.simulate.outlines.photo import draw_photo

__all__ = ["draw_photo"]

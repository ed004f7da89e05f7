"""Simulated photos in a style of waves of light.

Small things are thin phase and absorption plates: a few directions of lamp light pass through each, a
defocused aperture lets part of it on, and the intensities add up. Large things bend light by their slope and
gather it by their curvature. Only `draw_photo` is meant for use.
"""

from sporecount.simulate.waves.photo import draw_photo

__all__ = ["draw_photo"]

"""Simulated photos in a collage style: each photo's way of rendering is itself drawn at random.

Nothing is meant to be physical. Outlines, fills, rims, shading, textures, light and camera vary far more than
any microscope would make them. Only what makes a spore a spore stays: a small brown oval, one of many alike.
"""

from sporecount.simulate.collage.photo import draw_photo

__all__ = ["draw_photo"]

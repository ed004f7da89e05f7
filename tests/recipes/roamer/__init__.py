"""Simulated tape-print photos, drawn as sheets at several depths, each with its own transmission and blur.

For measuring only: nothing is ever trained or tuned on these photos.
"""

from tests.recipes.roamer.photo import draw_photo

__all__ = ["draw_photo"]

"""A plain picture kit for simulated tape-print photos: for measuring only, never for training or tuning.

A photo is composed finer than it is shown, as ground times transmission, then blurred, lit and developed.
"""

from tests.recipes.wanderer.photo import draw_photo

__all__ = ["draw_photo"]

"""Simulated tape-print photos that start from light and ground.

No network learns from it; sorter, calibration and recall do. Bodies are heights with pigment; what they look like
follows from where the light comes from and what lies below.
"""

from tests.recipes.wayfarer.photo import draw_photo

__all__ = ["draw_photo"]

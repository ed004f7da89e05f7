"""Simulated tape-print photos in which each thing is blurred by its own depth, then laid on the light below.

No network learns from it; sorter, calibration and recall do.
"""

from tests.recipes.surveyor.photo import draw_photo

__all__ = ["draw_photo"]

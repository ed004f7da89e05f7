"""Simulated tape-print photos, thought from the light microscope: bright field first, the phone last.

Each thing on the print has an absorbance and an optical path. Closed condensers darken steep paths, defocus turns
curved paths bright or dark, and what lies off the sharp plane, above or below, is blurred.

No network learns from it; the sorter, its calibration and the recall are fitted on it.
"""

from tests.recipes.drifter.photo import draw_photo

__all__ = ["draw_photo"]

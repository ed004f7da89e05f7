"""A spectral kit for simulated tape-print photos. No network learns from it; sorter, calibration and recall do.

All things are outlines of points, filled finer than shown in small windows, and lay down pigments, not colours.
Eight wavelength bands pass lamp, pigments and sensor; white balance comes last, as in a phone.
Blur is that of a defocused aperture, disc or polygon, and changes over the view.
It shares no code with the detector or with any other renderer.
"""

from tests.recipes.pathfinder.photo import draw_photo

__all__ = ["draw_photo"]

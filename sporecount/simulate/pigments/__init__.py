"""Simulated photos in a style of pigments, by their spectra.

All things are outlines of points, filled finer than shown in small windows, and lay down pigments, not colours.
Eight wavelength bands pass lamp, pigments and sensor; white balance comes last, as in a phone.
Blur is that of a defocused aperture, disc or polygon, and changes over the view.
Only `draw_photo` is meant for use.
"""

from sporecount.simulate.pigments.photo import draw_photo

__all__ = ["draw_photo"]

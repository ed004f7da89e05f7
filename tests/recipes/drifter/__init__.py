"""Simulated photos drawn as a lens and a sensor make them.

The world is kept as spectral absorbances at four wavelengths on a fine grid, in layers of differing height; each
wavelength and height is blurred by the disc of its own defocus, then a cheap eyepiece and a cheap phone follow.
The networks that look do not learn from it.
"""

from tests.recipes.drifter.photo import draw_photo

__all__ = ["draw_photo"]

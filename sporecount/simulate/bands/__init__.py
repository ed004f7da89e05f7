"""Simulated photos in a style of bands: light is kept in eight bands of wavelength.

All things are outlines with signed distances, whose coverage takes away or gives back light in each band; a lens
blurs each coverage by its depth, and a phone with a colour mosaic takes the picture.
"""

from sporecount.simulate.bands.photo import draw_photo

__all__ = ["draw_photo"]

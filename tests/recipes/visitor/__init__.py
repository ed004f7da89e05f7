"""A simulator of tape-print photos by spectrum and outline: no network learns from it, the last sorting does.

All things are outlines with signed distances, whose coverage takes away or gives back light in eight bands
of wavelength; a lens blurs each coverage by its depth, and a phone with a colour mosaic takes the picture.
Only `draw_photo` is meant for use.
"""

from tests.recipes.visitor.photo import draw_photo

__all__ = ["draw_photo"]

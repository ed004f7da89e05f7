"""Simulated photos in a relief style: the print is one landscape of heights, glass and pigment that is then lit.

Whatever lies on the print adds to the same few maps. Light from below, from above or from the side makes a
picture of the maps, so rims, flanks, highlights and cast shadows all follow from the shape of things.
"""

from sporecount.simulate.relief.photo import draw_photo

__all__ = ["draw_photo"]

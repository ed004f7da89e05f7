"""Simulated photos in an aperture style: oversampled bodies seen through a round aperture and a colour mosaic.

Lemons with a cosine outline and a coloured shell, ribbons and polar outlines; geometric defocus by Fourier
transform, fringes by transport of intensity, a card of random fibres, and a camera from colour mosaic to JPEG.
"""

from sporecount.simulate.aperture.photo import draw_photo

__all__ = ["draw_photo"]

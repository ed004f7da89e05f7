"""Simulated tape-print photos in which each thing is blurred by its own depth, then laid on the light below."""

from sporecount.simulate.lightbox.photo import draw_photo

__all__ = ["draw_photo"]

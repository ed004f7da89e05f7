"""Simulated tape-print photos from plain primitives in two dimensions, painted one over the other.

Each photo mixes its own ways of painting spores, scales and ground, and its own camera, so that few photos are
alike.
"""

from sporecount.simulate.primitives.photo import draw_photo

__all__ = ["draw_photo"]

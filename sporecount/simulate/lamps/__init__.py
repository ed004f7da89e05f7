"""Simulated tape-print photos that start from light and ground.

Bodies are heights with pigment; what they look like follows from where the light comes from and what lies below.
"""

from sporecount.simulate.lamps.photo import draw_photo

__all__ = ["draw_photo"]

"""Simulated photos in a style of portraits and stamps.

For each photo a few fine portraits of every kind of thing are made and stamped, turned and scaled, onto a
ground in groups of depth; each group is blurred by its own defocus, and a phone takes the picture.
"""

from sporecount.simulate.stamps.photo import draw_photo

__all__ = ["draw_photo"]

"""A simulator of tape-print photos by portraits and stamps: no network learns from it, the last sorting does.

For each photo a few fine portraits of every kind of thing are made and stamped, turned and scaled, onto a
ground in groups of depth; each group is blurred by its own defocus, and a phone takes the picture.
Only `draw_photo` is meant for use.
"""

from tests.recipes.stranger.photo import draw_photo

__all__ = ["draw_photo"]

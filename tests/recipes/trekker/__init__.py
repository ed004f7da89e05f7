"""A wide picture kit for simulated tape-print photos: every trait of a photo is drawn from its own wide range.

Things lie in one pile with heights of their own, are painted from the bottom up as optical density, and the pile
is then looked at through an imperfect eyepiece and an imperfect phone.
For measuring only: nothing is ever trained or tuned on these photos.
"""

from tests.recipes.trekker.photo import draw_photo

__all__ = ["draw_photo"]

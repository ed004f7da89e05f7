"""A print drawn as smooth bodies of index step and pigment, seen in partly coherent bright field.

No network learns from it.
"""

from tests.recipes.nomad.photo import draw_photo

__all__ = ["draw_photo"]

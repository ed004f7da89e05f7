"""A print drawn as smooth bodies of index step and pigment, seen in partly coherent bright field.

The networks that look do not learn from it.
"""

from tests.recipes.nomad.photo import draw_photo

__all__ = ["draw_photo"]

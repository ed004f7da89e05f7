"""A simulator of tape-print photos by thin slices: no network learns from it, the last sorting does.

Everything on the print is a small solid with colour and refractive index. The solids are cut into three
slices, and waves of three colours and several directions are carried from slice to slice into the objective.
Only `draw_photo` is meant for use.
"""

from tests.recipes.guest.photo import draw_photo

__all__ = ["draw_photo"]

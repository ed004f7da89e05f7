"""Simulated photos in a style of thin slices.

Everything on the print is a small solid with colour and refractive index. The solids are cut into three
slices, and waves of three colours and several directions are carried from slice to slice into the objective.
Only `draw_photo` is meant for use.
"""

from sporecount.simulate.slices.photo import draw_photo

__all__ = ["draw_photo"]

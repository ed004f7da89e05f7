"""Simulated tape-print photos drawn from fields: each thing is a distance to its outline, roughened by noise.

A photo is the ground times the transmissions of all that lies on it; each photo draws its own house style, which
says how most classes of things are rendered in it.

No network learns from it; the sorter, its calibration and the recall are fitted on it.
"""

from tests.recipes.explorer.photo import draw_photo

__all__ = ["draw_photo"]

"""Simulated photos in a style of bent light.

Things are laid as two layers: what they swallow (optical density by colour) and how they bend light (relief).
Bright middles, dark rims and the halo that flips with focus all follow from the relief and the signed defocus.
Only `draw_photo` is meant for use.
"""

from sporecount.simulate.bending.photo import draw_photo

__all__ = ["draw_photo"]

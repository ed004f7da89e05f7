"""Simulated tape prints drawn as thin lenses, absorbers and shadows in a stack of sheets.

No network and no tree learns from it; the recall expected of a field does.
"""

from tests.recipes.roamer.photo import PRESETS, draw_photo

__all__ = ["PRESETS", "draw_photo"]

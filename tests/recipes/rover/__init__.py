"""Photos of tape prints whose every thing is the level set of a smooth field, taken by a computing phone.

No network and no tree learns from it; the recall expected of a field does.
"""

from tests.recipes.rover.draw import PRESETS, draw_photo

__all__ = ["PRESETS", "draw_photo"]

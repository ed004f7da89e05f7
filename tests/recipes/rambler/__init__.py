"""Plain flat drawings, blended onto drawn paper and then blurred by a map.

No network and no tree learns from it; the recall expected of a field does.
"""

from tests.recipes.rambler.photo import draw_photo
from tests.recipes.rambler.plan import PRESETS

__all__ = ["PRESETS", "draw_photo"]

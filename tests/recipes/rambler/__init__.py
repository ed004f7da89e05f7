"""Plain flat drawings, blended by hand onto drawn paper and then blurred by a map.

No network and no tree learns from it; calibration and recall do.
"""

from tests.recipes.rambler.photo import draw_photo
from tests.recipes.rambler.plan import PRESETS

__all__ = ["PRESETS", "draw_photo"]

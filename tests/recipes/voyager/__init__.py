"""A simulator of tape prints built on bent light.

No network learns from it; the sorter, the calibration and the recall are fitted on it.

Things are laid as two layers: what they swallow (optical density by colour) and how they bend light (relief).
Bright middles, dark rims and the halo that flips with focus all follow from the relief and the signed defocus.
"""

from tests.recipes.voyager.photo import draw_photo

__all__ = ["draw_photo"]

"""A simulator of tape prints that starts from what they lie on: card, paper, glass and glue, lit from any side.

Things lie in three sheets of different depth, each of which lets light pass and adds light of its own.
No network learns from it; the sorter, the calibration and the recall are fitted on it.
"""

from tests.recipes.traveller.photo import draw_photo

__all__ = ["draw_photo"]

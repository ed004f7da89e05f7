"""A simulator of tape-print photos made like an exam: for measuring only, never for training or tuning.

Small bodies are imaged one by one through a partly coherent microscope (a sum over points of the
condenser); large ones are thin sheets in a few planes whose edges glow or darken with the defocus.
Only `draw_photo` is meant for use.
"""

from tests.recipes.outsider.photo import draw_photo

__all__ = ["draw_photo"]

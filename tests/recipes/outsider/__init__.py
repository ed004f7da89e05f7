"""A simulator of tape-print photos made like an exam: no network learns from it, the last sorting does.

Small bodies are imaged one by one through a partly coherent microscope (a sum over points of the
condenser); large ones are thin sheets in a few planes whose edges glow or darken with the defocus.
Only `draw_photo` is meant for use.
"""

from tests.recipes.outsider.photo import draw_photo

__all__ = ["draw_photo"]

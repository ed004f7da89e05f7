"""Simulated photos in a style of light through a condenser.

Small bodies are imaged one by one through a partly coherent microscope (a sum over points of the
condenser); large ones are thin sheets in a few planes whose edges glow or darken with the defocus.
Only `draw_photo` is meant for use.
"""

from sporecount.simulate.condenser.photo import draw_photo

__all__ = ["draw_photo"]

"""Simulated photos in a style of phases, thought from the light microscope: bright field first, the phone last.

Each thing on the print has an absorbance and an optical path. Closed condensers darken steep paths, defocus turns
curved paths bright or dark, and what lies off the sharp plane, above or below, is blurred.
Only `draw_photo` is meant for use.
"""

from sporecount.simulate.phases.photo import draw_photo

__all__ = ["draw_photo"]

"""Simulated photos in a style of heights: small bodies are height fields that absorb, bend and shade light.

Large ones are fields of texture. Only `draw_photo` is meant for use.
"""

from sporecount.simulate.heights.photo import draw_photo

__all__ = ["draw_photo"]

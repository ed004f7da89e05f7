"""Simulated tape-print photos as a careful breeder takes them: for measuring only.

Small bodies are drawn as height fields that absorb, bend and shade light, large ones as texture fields, and
no network learns from it.
"""

from tests.recipes.wayfarer.photo import draw_photo

__all__ = ["draw_photo"]

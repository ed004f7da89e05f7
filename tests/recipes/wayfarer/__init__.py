"""Simulated tape-print photos as a careful breeder takes them.

Small bodies are drawn as height fields that absorb, bend and shade light, large ones as texture fields, and
no network learns from it, but what is fitted after the networks does.
"""

from tests.recipes.wayfarer.photo import draw_photo

__all__ = ["draw_photo"]

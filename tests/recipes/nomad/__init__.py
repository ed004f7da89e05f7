"""A simulator of tape-print photos by chords through solids: no network learns from it, the last sorting does."""

from tests.recipes.nomad.photo import draw_photo

__all__ = ["draw_photo"]

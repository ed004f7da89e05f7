"""Simulated photos in a style of layers: shapes in layers, random in look, with exact truth."""

from sporecount.simulate.layered.photo import draw_photo

__all__ = ["draw_photo"]

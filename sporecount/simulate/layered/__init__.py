"""Simulated photos in a painted style: shapes in layers, random in look, with exact truth."""

from sporecount.simulate.layered.photo import draw_photo

__all__ = ["draw_photo"]

"""Simulated photos in a style of chords: what a ray loses is the length of its way through each solid."""

from sporecount.simulate.chords.photo import draw_photo

__all__ = ["draw_photo"]

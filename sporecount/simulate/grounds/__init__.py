"""Simulated photos in a style that starts from what prints lie on: card, paper, glass and glue, lit from any side.

Things lie in three sheets of different depth, each of which lets light pass and adds light of its own.
Only `draw_photo` is meant for use.
"""

from sporecount.simulate.grounds.photo import draw_photo

__all__ = ["draw_photo"]

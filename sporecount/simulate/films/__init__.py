"""Simulated photos in a style of films: a stack of thin layers that bend and swallow light.

Each body has a solid shape, a refractive index and a pigment; they sum to the phase and the density of its layer.
A few tilted beams cross each layer and spread by its distance from focus; rim, halo and dark or bright
middle follow from that. Flat scales, ground, lamp and phone are laid over it.
Only `draw_photo` is meant for use.
"""

from sporecount.simulate.films.photo import draw_photo

__all__ = ["draw_photo"]

"""Simulated tape-print photos from a stack of thin layers that bend and swallow light.

No network learns from it; sorter, calibration and recall do.

Each body has a solid shape, a refractive index and a pigment; they sum to the phase and the density of its layer.
A few tilted beams cross each layer and spread by its distance from focus; rim, halo and dark or bright
middle follow from that. Flat scales, ground, lamp and phone are laid over it.
It shares no code with the detector, nor with another renderer: only the record of truth.
"""

from tests.recipes.nomad.photo import draw_photo

__all__ = ["draw_photo"]

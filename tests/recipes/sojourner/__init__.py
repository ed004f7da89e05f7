"""Simulated tape prints as seen by cheap classroom microscopes and old phones.

Every body is an analytic outline with painted 2-D shading, and no network learns from it,
but what is fitted after the networks does.
"""

from tests.recipes.sojourner.photo import draw_photo

__all__ = ["draw_photo"]

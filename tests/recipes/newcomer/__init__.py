"""A simulator of eyepiece photos of tape prints, kept apart from all others and from training and tuning.

Everything on the print is a layer with a thickness: it absorbs by Beer-Lambert and bends light by the
slope of its optical path. Only `draw_photo` is meant for use.
"""

from tests.recipes.newcomer.photo import draw_photo

__all__ = ["draw_photo"]

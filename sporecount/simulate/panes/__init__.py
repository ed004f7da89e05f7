"""Simulated photos in a style of panes: everything on the print is a layer with a thickness.

It absorbs by Beer-Lambert and bends light by the slope of its optical path.
"""

from sporecount.simulate.panes.photo import draw_photo

__all__ = ["draw_photo"]

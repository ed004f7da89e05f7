"""Stray light: a veil over the whole photo that leaves spores pale.

Room light on the eyepiece, haze on a lens and reflections in the phone add light that never went through the
print. How much is read off the darkest things in view: nearly every print holds some that let little through.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from sporecount.records import FlatField, Photo, WorkImage
from sporecount.steps.flatten import LOG_LINEAR, flatten, srgb_code

_DARKEST = 0.6
"""Density that the darkest things in view are taken to have at least. Of 296 simulated photos of 37 styles and
recipes all but one in a hundred have 0.39 or more, half have 1.17. F1 of objects of 96 photos of eight recipes
under veils of 0.15, 0.3 and 0.5 of white is 0.840, 0.780 and 0.613 left as they are, 0.868, 0.848 and 0.838 less
what this tells; as drawn 0.874 either way. From 0.5 to 0.7 it makes no difference; with 0.85 photos as drawn lose
0.015."""

_DARKEST_SHARE = 0.001
"""Share of the view that they take up."""

_MOST = 0.8
"""Share of the empty light up to which it is taken for stray light: what is left is raised five-fold."""

_NOISE_LEFT = 0.015
"""Noise of the density up to which contrast is raised, lest grain be raised to spores."""

_EVERY = 3
"""Every third pixel across and down is sample enough."""


def without_stray_light(work: WorkImage, flat: FlatField) -> tuple[WorkImage, FlatField]:
    """Take stray light off a field, and flatten it anew.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField
        Of `work`.

    Returns
    -------
    WorkImage, FlatField
        The same ones where there is no stray light.
    """
    share = stray_light(work, flat)
    if not share:
        return work, flat
    table = _table(work, flat, share)
    close = cv2.LUT(work.close, table)
    work = replace(work, close=close, rgb=close if work.rgb is work.close else cv2.LUT(work.rgb, table))
    return work, replace(flatten(work), stray_light=share)


def taken_off_photo(photo: Photo, work: WorkImage, flat: FlatField) -> Photo:
    """Take stray light off the whole photo that a field was cut from."""
    share = stray_light(work, flat)
    return replace(photo, rgb=cv2.LUT(photo.rgb, _table(work, flat, share))) if share else photo


def stray_light(work: WorkImage, flat: FlatField) -> float:
    """Tell what share of the empty light is stray light, at least.

    Of a thing that lets a share t of the light through, a share t + s (1 - t) is seen where s is stray. It
    takes the darkest thousandth of the view to let through no more than a print's darkest things mostly do.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField
        Of `work`.

    Returns
    -------
    float
        0 to 0.8.
    """
    density = flat.density[::_EVERY, ::_EVERY][work.seen[::_EVERY, ::_EVERY]]
    if not density.size:
        return 0.0
    seen, known = 10 ** -float(np.quantile(density, 1 - _DARKEST_SHARE)), 10**-_DARKEST
    share = min((seen - known) / (1 - known), _MOST, 1 - flat.noise / _NOISE_LEFT)
    return max(share, 0.0)


def _table(work: WorkImage, flat: FlatField, share: float) -> np.ndarray:
    """Code values less stray light, for each channel; white stays white. Shape (1, 256, 3), uint8."""
    size = (flat.log_light.shape[1], flat.log_light.shape[0])
    seen = cv2.resize(work.seen.view(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    stray = share * 10.0 ** np.median(flat.log_light[seen], axis=0)
    return srgb_code((10.0 ** LOG_LINEAR[:, None] - stray) / (1 - stray))[None]

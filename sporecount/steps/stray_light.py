"""Stray light: a veil over the whole photo that leaves spores pale.

Room light on the eyepiece, haze on a lens and reflections in the phone add light that never went through the
print. How much is read off the darkest things in view: nearly every print holds some that let little through.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.records import FlatField, WorkImage
from sporecount.steps.flatten import LOG_LINEAR, srgb_code
from sporecount.steps.rescale import on_both_grids, reduced, seen_at, size_at

_GRID_UM = 2.5

_REACH_UM = 15.0
"""Width within which density is compared: things have edges, the lamp's shade and a cloud have none."""

_DARKEST = 0.6
"""By how much the density of the darkest things is taken to stand off what lies beside them, at least. Of 96
simulated photos of eight recipes they do so by 0.45 in all but one in twenty and by 1.2 in half. F1 of objects of
these photos under veils of 0.15, 0.3 and 0.5 of white is 0.840, 0.780 and 0.613 left as they are, 0.868, 0.832 and
0.793 less what this tells; as drawn 0.874 and 0.876."""

_DARKEST_SHARE = 0.001
"""Share of the view that lies beside the darkest things at least: beside a few spores."""

_STEP_OF_PAPER = (5.0, 7.0)
_STEP_OF_CODES = (0.025, 0.04)
"""How many times what density varies by in the emptiest sixth of the view, and how far by itself, the darkest
things must stand off: below the first number they may be none, from the second on they are. Card, paper, sky and
clouds without a thing on them have up to 5.4 and 0.16, smooth ones up to 6 and 0.02."""

_MOST = 0.8
"""Share of the empty light up to which it is taken off: what is left is raised five-fold."""

_NOISE_LEFT = 0.015
"""Noise of the density up to which contrast is raised, lest grain be raised to spores."""

_BELOW_THE_LIGHT = 0.8
"""Share of the weakest empty light in view up to which it is taken off: it lies evenly over all, so no place has
less light than it."""


@dataclass(frozen=True)
class StrayLight:
    """What the darkest things in view tell.

    Parameters
    ----------
    share : float
        Of the empty light, 0 to 1, that must be stray for them to be as pale as they are.
    sure : float
        0 to 1, whether there are things at all, or paper and grain alone.
    """

    share: float
    sure: float


def stray_light(work: WorkImage, flat: FlatField) -> StrayLight:
    """Tell how much of the empty light is stray, at least.

    Of a thing that lets a share t of the light through, t + s (1 - t) is seen where s is stray. The darkest
    things are taken to let through no more than those of a print mostly do.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField
        Of `work`.

    Returns
    -------
    StrayLight
    """
    steps = _steps(work, flat)
    if not steps.size:
        return StrayLight(0.0, 0.0)
    paper, darkest = np.quantile(steps, (0.16, 1 - _DARKEST_SHARE))
    through, through_known = 10.0**-darkest, 10.0**-_DARKEST
    over_paper = np.interp(darkest / max(paper, 1e-4), _STEP_OF_PAPER, (0, 1))
    return StrayLight(
        share=max(0.0, float((through - through_known) / (1 - through_known))),
        sure=float(over_paper * np.interp(darkest, _STEP_OF_CODES, (0, 1))),
    )


def _steps(work: WorkImage, flat: FlatField) -> np.ndarray:
    """By how much density differs within reach of each place inside the view, shape (n,), float32."""
    size = size_at(work, _GRID_UM)
    um_per_px = work.um_per_px * work.seen.shape[1] / size[0]
    side = 2 * round(_REACH_UM / 2 / um_per_px) + 1
    around = np.ones((side, side), np.uint8)
    inside = seen_at(work, size, side // 2 + 1)
    density = reduced(flat.density, size, cv2.INTER_AREA)
    return np.asarray((cv2.dilate(density, around) - cv2.erode(density, around))[inside])


def less_stray_light(work: WorkImage, flat: FlatField, found: StrayLight) -> WorkImage:
    """Take stray light off, as far as noise and the weakest light in view allow.

    White stays white, and what is outside the view black.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField
        Of `work`.
    found : StrayLight

    Returns
    -------
    WorkImage
        The same one where there is none to take off.
    """
    seen = seen_at(work, (flat.log_light.shape[1], flat.log_light.shape[0]))
    if not found.share or not found.sure or not seen.any():
        return work
    weakest, light = 10.0 ** np.quantile(flat.log_light[seen], (0.001, 0.5), axis=0)
    noise = max(flat.noise, _rounding(float(light[1])))
    share = min(found.share * found.sure, _MOST, 1 - noise / _NOISE_LEFT)
    if share <= 0:
        return work
    stray = np.minimum(share * light, _BELOW_THE_LIGHT * weakest)
    table = srgb_code((10.0 ** LOG_LINEAR[:, None] - stray) / (1 - stray))[None]
    return on_both_grids(work, lambda rgb: cv2.LUT(rgb, table))


def _rounding(light: float) -> float:
    """Noise of the density that rounding to code values makes at some light: a step over the root of 12."""
    code = int(np.searchsorted(LOG_LINEAR, np.log10(max(light, 1e-4))))
    code = min(max(code, 1), 255)
    return float(LOG_LINEAR[code] - LOG_LINEAR[code - 1]) / np.sqrt(12.0)

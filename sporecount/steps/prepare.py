"""What a photo goes through before anything is sought in it, and in which order, for all who look at photos."""

from __future__ import annotations

from dataclasses import dataclass

from sporecount.records import FlatField, Photo, RoundView, Scale, WorkImage
from sporecount.settings import CountSettings
from sporecount.steps.colour_noise import smooth_colour
from sporecount.steps.dark_ground import is_dark_ground, negative
from sporecount.steps.flatten import flatten
from sporecount.steps.lateral_colour import undo_lateral_colour
from sporecount.steps.rescale import to_working_grid
from sporecount.steps.stray_light import less_stray_light, stray_light


@dataclass(frozen=True)
class Prepared:
    """A photo on its grids, less what lens, sensor and stray light did to it.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField
        Of `work`.
    plain : WorkImage
        `work` with the stray light in it: how bright a place is, and how dense an object, is told by this one.
    plain_flat : FlatField
        Of `plain`.
    stray_share : float
        Of the empty light, 0 to 1, that seems to be stray; not all of it need have been taken off.
    """

    work: WorkImage
    flat: FlatField
    plain: WorkImage
    plain_flat: FlatField
    stray_share: float = 0.0


def prepare(photo: Photo, view: RoundView, scale: Scale, settings: CountSettings) -> tuple[Prepared, ...]:
    """Bring a photo to the grids, flatten it, and take off what lens, sensor and stray light did to it.

    Parameters
    ----------
    photo : Photo
    view : RoundView
    scale : Scale
    settings : CountSettings

    Returns
    -------
    tuple of Prepared
        One; where the ground seems dark two, the likelier one first: its negative, and the photo as it is.
    """
    work = smooth_colour(undo_lateral_colour(to_working_grid(photo, view, scale, settings)))
    if is_dark_ground(work):
        return _as_it_is(negative(work)), _as_it_is(work)
    flat = flatten(work)
    found = stray_light(work, flat)
    cleared = less_stray_light(work, flat, found)
    return (Prepared(cleared, flat if cleared is work else flatten(cleared), work, flat, found.share),)


def _as_it_is(work: WorkImage) -> Prepared:
    flat = flatten(work)
    return Prepared(work, flat, work, flat)

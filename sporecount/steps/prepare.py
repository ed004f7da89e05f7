"""What a photo goes through before anything is sought in it, the only place that says in which order."""

from __future__ import annotations

from sporecount.records import FlatField, Photo, RoundView, Scale, WorkImage
from sporecount.settings import CountSettings
from sporecount.steps.colour_noise import smooth_colour
from sporecount.steps.dark_ground import is_dark_ground, negative
from sporecount.steps.flatten import flatten
from sporecount.steps.lateral_colour import undo_in_photo, undo_lateral_colour
from sporecount.steps.rescale import to_working_grid
from sporecount.steps.stray_light import taken_off_photo, without_stray_light


def prepare(
    photo: Photo, view: RoundView, scale: Scale, settings: CountSettings
) -> tuple[tuple[WorkImage, FlatField], ...]:
    """Bring a photo to the grids, less what lens, sensor and stray light did to it, and flatten it.

    Parameters
    ----------
    photo : Photo
    view : RoundView
    scale : Scale
    settings : CountSettings

    Returns
    -------
    tuple of (WorkImage, FlatField)
        One; where the ground seems dark two, the likelier one first: its negative, and the photo as it is.
    """
    work = smooth_colour(undo_lateral_colour(to_working_grid(photo, view, scale, settings)))
    if is_dark_ground(work):
        return tuple((one, flatten(one)) for one in (negative(work), work))
    return (without_stray_light(work, flatten(work)),)


def prepare_whole(photo: Photo, view: RoundView, scale: Scale, settings: CountSettings) -> Photo:
    """Take off the whole photo what `prepare` takes off for itself: lateral colour and stray light.

    What is then drawn into it needs neither of its own.

    Parameters
    ----------
    photo : Photo
        On light ground.
    view : RoundView
    scale : Scale
    settings : CountSettings

    Returns
    -------
    Photo
    """
    grid = to_working_grid(photo, view, scale, settings)
    work = smooth_colour(undo_lateral_colour(grid))
    return taken_off_photo(undo_in_photo(photo, grid), work, flatten(work))

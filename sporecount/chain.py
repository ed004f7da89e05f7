"""The way from photo to tally, top to bottom. Joining only: each call does its own checks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from sporecount.calibration.profile import build_profile
from sporecount.calibration.records import AdapterProfile, RulingReading
from sporecount.records import (
    Clutter,
    FalseRate,
    FieldPreview,
    FieldResult,
    Kinds,
    Photo,
    PrintTally,
    RoundView,
    Scale,
)
from sporecount.settings import CountSettings
from sporecount.steps.backgrounds import Backgrounds, find_backgrounds
from sporecount.steps.bodies import set_parts_aside
from sporecount.steps.candidates import find_candidates
from sporecount.steps.classify.kinds import classify
from sporecount.steps.classify.network import model_id
from sporecount.steps.clutter import LargeObjects, find_clutter
from sporecount.steps.extent import PrintExtent, extent_of
from sporecount.steps.field_tally import Conditions, tally_field
from sporecount.steps.focus import blur_map
from sporecount.steps.halved import resized_field, resized_preview, resized_view
from sporecount.steps.heaps import hidden_in_heaps
from sporecount.steps.lateral_colour import undo_in_photo
from sporecount.steps.light import colourless, lit_from_above, poorly_lit
from sporecount.steps.likeness import likeness
from sporecount.steps.measure import measure
from sporecount.steps.outline import Outlines, follow_outlines
from sporecount.steps.overlap import PrintMap, map_fields
from sporecount.steps.overview import Overview, find_scales
from sporecount.steps.prepare import Prepared, prepare
from sporecount.steps.preview import make_preview
from sporecount.steps.print_area import KnownArea
from sporecount.steps.print_tally import tally_print, usable_fields
from sporecount.steps.rescale import to_working_grid
from sporecount.steps.round_view import find_round_view
from sporecount.steps.settle import Settled, settle
from sporecount.steps.twofold import part_twofold

__all__ = [
    "calibrate_adapter",
    "count_field",
    "count_print",
    "find_view",
    "look_over",
    "map_print",
    "measure_extent",
    "model_id",
    "read_ruling_photo",
    "survey_backgrounds",
    "without_lateral_colour",
]


def find_view(photo: Photo) -> RoundView:
    """Find the eyepiece's circle, in pixels of the whole photo; see `steps.round_view`."""
    view = find_round_view(photo)
    return resized_view(view, 2) if photo.halved else view


def count_field(
    photo: Photo, scale: Scale, settings: CountSettings, *, sample: str = "", field: int = 1
) -> tuple[FieldResult, FieldPreview]:
    """Count the spores in one photo.

    Parameters
    ----------
    photo : Photo
    scale : Scale
    settings : CountSettings
    sample : str
        The print that the photo shows.
    field : int
        Its number within the print, from 1.

    Returns
    -------
    result : FieldResult
    preview : FieldPreview
    """
    if photo.halved:
        coarse = replace(scale, um_per_px=2 * scale.um_per_px, um_per_px_u=2 * scale.um_per_px_u)
        result, preview = count_field(
            replace(photo, halved=False), coarse, settings, sample=sample, field=field
        )
        return resized_field(result, 2), resized_preview(preview, 2)
    cv2.setNumThreads(1)  # photos run side by side, and one photo gives the same sums everywhere
    view = find_round_view(photo)
    looked_at = [_find_objects(one, settings) for one in prepare(photo, view, scale, settings)]
    # where the ground only seems dark, the photo as it is shows more; of two that show none the negative is kept
    found = max(looked_at, key=lambda one: one.spores(settings))
    plain, clutter, large, kinds = found.photo.plain, found.clutter, found.large, found.kinds
    counted = np.asarray(kinds.spore >= settings.count_from)
    objects = measure(plain, found.settled, found.plain_outlines(), large, counted)
    blur = blur_map(found.photo.work, found.photo.flat)
    conditions = Conditions(
        blur_um=blur,
        dark_ground=len(looked_at) > 1,
        stray_share=found.photo.stray_share,
        lit_from_above=lit_from_above(found.photo.plain_flat, plain.seen),
        poorly_lit=poorly_lit(plain, found.photo.plain_flat),
        likeness=likeness(plain, found.photo.plain_flat),
        colourless=colourless(plain),
        hidden_in_heaps=hidden_in_heaps(found.photo.work, found.photo.flat, clutter, objects, counted),
    )
    tally = tally_field(plain, view, scale, clutter, large, objects, kinds, counted, conditions, settings)
    height, width = photo.rgb.shape[:2]
    result = FieldResult(
        photo=photo.name,
        sample=sample,
        field=field,
        width_px=width,
        height_px=height,
        scale=scale,
        view=view,
        objects=objects,
        kinds=kinds,
        counted=counted,
        tally=tally,
        taken_at=photo.taken_at or "",
        camera=photo.camera or "",
        sha256=photo.sha256,
    )
    return result, make_preview(photo, plain, clutter, blur)


@dataclass(frozen=True)
class _Found:
    """What the steps from a prepared photo to the sorted objects give."""

    photo: Prepared
    clutter: Clutter
    large: LargeObjects
    settled: Settled
    outlines: Outlines
    kinds: Kinds

    def spores(self, settings: CountSettings) -> float:
        """Count the spores to be expected among all objects but those that hardly are one."""
        return float(self.kinds.spore[self.kinds.spore > settings.doubt_low].sum())

    def plain_outlines(self) -> Outlines:
        """Follow the outlines in the photo with its stray light: densities as they are to be seen there."""
        if self.photo.plain is self.photo.work:
            return self.outlines
        return follow_outlines(self.photo.plain, self.photo.plain_flat, self.settled)


def _find_objects(photo: Prepared, settings: CountSettings) -> _Found:
    work, flat = photo.work, photo.flat
    clutter, large = find_clutter(photo.plain, flat, settings)
    settled = settle(work, flat, find_candidates(work, flat, settings))
    outlines = follow_outlines(work, flat, settled)
    kinds = classify(settled, outlines, large, work, flat)
    kinds = set_parts_aside(work, flat, settled, kinds, settings)
    settled, outlines, kinds = part_twofold(work, flat, settled, outlines, kinds, settings)
    return _Found(photo, clutter, large, settled, outlines, kinds)


def survey_backgrounds(photo: Photo, scale: Scale, settings: CountSettings) -> Backgrounds:
    """Tell what a spore would lie on at any place of a photo; see `steps.backgrounds`."""
    cv2.setNumThreads(1)
    ready = prepare(photo, find_round_view(photo), scale, settings)[0]
    clutter, large = find_clutter(ready.plain, ready.flat, settings)
    return find_backgrounds(ready.plain, clutter, large, blur_map(ready.work, ready.flat))


def without_lateral_colour(photo: Photo, scale: Scale, settings: CountSettings) -> Photo:
    """Bring red and blue to where green is, as `count_field` does for itself; see `steps.lateral_colour`."""
    cv2.setNumThreads(1)
    return undo_in_photo(photo, to_working_grid(photo, find_round_view(photo), scale, settings))


def read_ruling_photo(
    photo: Photo, *, division_um: float | None, objective: float | None, field_number_mm: float = 18.0
) -> RulingReading:
    """Read a photo of a ruling, with its round view as a check; see `calibration.ruling`.

    Raises
    ------
    CalibrationError
        A photo that gives no trustworthy number.
    """
    from sporecount.calibration.ruling import read_ruling  # scipy.fft would hold up every worker that counts

    view = find_round_view(photo)
    circle = (view.center_x_px, view.center_y_px, view.radius_px) if view.measurable else None
    return read_ruling(
        photo.rgb,
        division_um=division_um,
        objective=objective,
        round_view=circle,
        field_number_mm=field_number_mm,
    )


def calibrate_adapter(
    photos: Sequence[Photo],
    *,
    name: str,
    date: str,
    division_um: float | None,
    objective: float | None,
    field_number_mm: float = 18.0,
) -> AdapterProfile:
    """Make an adapter profile from photos of a ruling.

    Parameters
    ----------
    photos : sequence of Photo
        At least one, all with one objective.
    name : str
        Of the adapter.
    date : str
        ISO 8601.
    division_um, objective : float or None
        Finest division and magnification, where they are known.
    field_number_mm : float
        Of the eyepiece.

    Raises
    ------
    CalibrationError
        A photo that gives no trustworthy number, or readings that disagree.
    """
    readings = [
        (
            photo.name,
            read_ruling_photo(
                photo, division_um=division_um, objective=objective, field_number_mm=field_number_mm
            ),
        )
        for photo in photos
    ]
    first = photos[0]
    return build_profile(
        readings,
        name=name,
        date=date,
        camera=first.camera,
        focal_length_mm=first.focal_length_mm,
        digital_zoom=first.digital_zoom,
    )


def map_print(fields: Sequence[FieldResult], previews: Callable[[str], FieldPreview]) -> PrintMap:
    """Place the usable fields of a print on one map; see `steps.overlap`.

    Parameters
    ----------
    fields : sequence of FieldResult
        All of one print.
    previews : callable
        Photo name to its preview.
    """
    cv2.setNumThreads(1)
    return map_fields(usable_fields(fields), previews)


def look_over(photo: Photo, scale: Scale) -> Overview:
    """Look at a photo of a whole print at low power; see `steps.overview`."""
    cv2.setNumThreads(1)
    return find_scales(photo, find_round_view(photo), scale)


def measure_extent(overviews: Sequence[Overview]) -> PrintExtent:
    """Measure how far a print reaches, from its overview photos; see `steps.extent`."""
    cv2.setNumThreads(1)
    return extent_of(overviews)


def count_print(
    fields: Sequence[FieldResult],
    previews: Callable[[str], FieldPreview],
    settings: CountSettings,
    placed: PrintMap | None = None,
    area: KnownArea | None = None,
    false_rate: FalseRate | None = None,
) -> PrintTally:
    """Join the fields of a print: what several photos show counts once.

    Parameters
    ----------
    fields : sequence of FieldResult
        At least one, all of one print.
    previews : callable
        Photo name to its preview.
    settings : CountSettings
    placed : PrintMap, optional
        Of `map_print`, where it is known already.
    area : KnownArea, optional
        Of the whole print (`steps.print_area`); that of the settings without it.
    false_rate : FalseRate, optional
        Of false spores, where clean prints of the session tell it.

    Returns
    -------
    PrintTally
    """
    fields = list(fields)  # a sequence on disk is read once
    return tally_print(fields, settings, placed or map_print(fields, previews), area, false_rate)

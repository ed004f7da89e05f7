"""From objects to the count of a field, its interval and its flag."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import cv2
import numpy as np

from sporecount.reasons import flag_of
from sporecount.records import Clutter, FieldTally, Kinds, Objects, RoundView, Scale, WorkImage
from sporecount.settings import CountSettings
from sporecount.stats.count_interval import field_count_interval
from sporecount.steps.clutter import LargeObjects
from sporecount.steps.likeness import Likeness
from sporecount.steps.recall import expected_recall, recall_terms
from sporecount.steps.rescale import reduced

SHARP_UM = 2.6
"""Blur (standard deviation) up to which a spore of 10 um keeps the shape that tells it from dirt: a quarter of
its length."""

_MIN_IN_FOCUS = 0.12
_GOOD_IN_FOCUS = 0.5
_MUCH_LEFT_OUT = 0.35
_MIN_EXAMINED_SPORES_WIDE = 12.0
"""A view less than so many spore lengths across says nothing of a print. Of 35 simulated views of 12 to 25
lengths, as a phone takes them at 40x, the interval held the truth in 34."""

_CROWDED_SHARE = 0.3
"""Share of the spores in clumps of ten and more from which the count is called an estimate."""

_HIDDEN_SPORES, _HIDDEN_SHARE = 3.0, 0.2
"""Spores that heaps could hold beyond the count, and their share of it, above which it is an estimate, too."""

_VEILED = 0.5
"""Share of the empty light from which stray light is told: contrast is then raised two-fold and more, and no
calibration rests on that. Of 96 simulated photos of eight recipes 1 in 100 are told to have it as drawn, 22 with a
veil of 0.3 of white and 88 with one of 0.5."""

_LOW_POWER_UM_PER_PX = 1.3
"""Photo pixels coarser than this leave a spore's width some five pixels, less than a shape needs."""

_ENOUGH_TO_TELL, _AMBER = 5, 1.05
"""Sure spores from which their colour is judged, and the least median of amber. Of some 640 simulated photos of
thirteen recipes one in a hundred lies below it; soot has 1."""

_WIDEST_FIELD_NUMBER_MM = 28.0
"""Eyepieces for microscopes reach a field number of 26.5, and engraved magnifications are right within 5 % (common
practice)."""

_WHOLE_SCALE, _SCALE_OR_PIECE = (25.0, 2500.0, 3500.0), (18.0, 900.0, 1500.0)
"""Width in um and area in um2 from which something is a whole scale, or also a larger piece of one, and the least
area of a typical one by which heaps are told."""

_DOUBTS_WHERE_NONE_COUNTS = 2
"""Doubtful objects that ask for a look where nothing counts: there they decide whether a field is empty. Of 340
clear fields without a count, simulated by recipes that no network that looks knew, 6 held three spores or more.
Each of these had so many doubts, and so had 15 of the 326 fields without a spore (looks-19)."""

_FEW_SCALES_PER_MM2 = 2.0
_SCALES_MISSED_FROM_MM2 = 0.15
"""Smaller views can lie between the scales of a good print, some 20 or more on a mm2 (common practice)."""


@dataclass(frozen=True)
class Conditions:
    """What a field was like, besides its objects.

    Parameters
    ----------
    blur_um : ndarray
        Tiles, as `focus.blur_map` gives them.
    dark_ground : bool
        Things seem lighter than their ground, so the photo's negative was tried.
    stray_share : float
        Of the empty light, that seems to be stray.
    lit_from_above : bool
    poorly_lit : bool
        Too dark, too grainy, or blown out in a good part of the view.
    likeness : {"print", "odd", "other"}
        Whether the picture as a whole is like a print.
    colourless : bool
        Red, green and blue are the same.
    hidden_in_heaps : float
        Spores that heaps could hold beyond those counted.
    """

    blur_um: np.ndarray
    dark_ground: bool
    stray_share: float
    lit_from_above: bool
    poorly_lit: bool
    likeness: Likeness
    colourless: bool
    hidden_in_heaps: float


def tally_field(
    work: WorkImage,
    view: RoundView,
    scale: Scale,
    clutter: Clutter,
    large: LargeObjects,
    objects: Objects,
    kinds: Kinds,
    counted: np.ndarray,
    conditions: Conditions,
    settings: CountSettings,
) -> FieldTally:
    """Count, with a 95 % interval of the true number and a flag that says whether to trust it."""
    pixel_mm2 = (work.um_per_px / 1000) ** 2
    examined_mm2 = np.count_nonzero(clutter.examined) * pixel_mm2
    seen_mm2 = np.count_nonzero(work.seen) * pixel_mm2
    in_focus = _share_in_focus(clutter.examined, conditions.blur_um)
    probability = kinds.spore
    recall, recall_u = expected_recall(
        *recall_terms(objects, probability, counted, in_focus, scale.um_per_px)
    )
    spores = int(counted.sum())
    hidden = conditions.hidden_in_heaps
    low, high = spores_interval(probability, spores, recall, recall_u, settings, hidden)
    picked_up = count_scales(large, torn_too=True)
    reasons = list(scale.reasons)
    sure = probability > settings.doubt_high
    doubtful = (probability > settings.doubt_low) & (probability < settings.doubt_high)
    lengths = objects.length_um[sure & (objects.clump == 1)]
    typical = float(np.median(lengths)) if lengths.size else float("nan")

    examined_share = examined_mm2 / seen_mm2 if seen_mm2 else 0.0
    across_um = np.sqrt(examined_mm2) * 1000
    if conditions.likeness != "print":
        reasons.append("unlike-known" if conditions.likeness == "other" else "odd-picture")
    if examined_share < settings.min_examined_share or across_um < _MIN_EXAMINED_SPORES_WIDE * 10.0:
        reasons.append("too-little-examined")
    elif examined_share < 1 - _MUCH_LEFT_OUT:
        reasons.append("much-left-out")
    if in_focus < _MIN_IN_FOCUS:
        reasons.append("out-of-focus")
    elif in_focus < _GOOD_IN_FOCUS:
        reasons.append("partly-out-of-focus")
    if examined_mm2 >= _SCALES_MISSED_FROM_MM2 and picked_up < _FEW_SCALES_PER_MM2 * examined_mm2:
        reasons.append("too-few-scales")
    if is_amberless(objects.amber[sure & counted]) and not conditions.colourless:
        reasons.append("not-amber")
    if is_ambiguous(int(doubtful.sum()), spores, low):
        reasons.append("ambiguous-objects")
    in_clumps = (objects.clump[counted] >= 10).sum()
    much_hidden = hidden > max(_HIDDEN_SPORES, _HIDDEN_SHARE * spores)
    if much_hidden or (spores >= 30 and in_clumps > _CROWDED_SHARE * spores):
        reasons.append("crowded")
    if lengths.size >= 5 and not settings.spore_length_min_um <= typical <= settings.spore_length_max_um:
        reasons.append("size-mismatch")
    if _field_number_mm(view, scale) > _WIDEST_FIELD_NUMBER_MM:
        reasons.append("scale-contradicted")
    if scale.um_per_px > _LOW_POWER_UM_PER_PX:
        reasons.append("low-power")
    if conditions.poorly_lit:
        reasons.append("dim-or-overexposed")
    if conditions.stray_share > _VEILED:
        reasons.append("stray-light")
    if conditions.colourless:
        reasons.append("no-colour")
    if conditions.dark_ground:
        reasons.append("dark-ground")
    elif conditions.lit_from_above:
        reasons.append("light-from-above")
    if not view.measurable:
        reasons.append("no-round-view")
    return FieldTally(
        spores=spores,
        spores_low=low,
        spores_high=high,
        examined_mm2=examined_mm2,
        in_focus=in_focus,
        scales=count_scales(large),
        flag=flag_of(reasons),
        reasons=tuple(reasons),
        recall=recall,
        recall_u=recall_u,
        spore_length_um=typical,
        hidden_in_heaps=hidden,
    )


def spores_interval(
    probability: np.ndarray,
    spores: int,
    recall: float,
    recall_u: float,
    settings: CountSettings,
    hidden_in_heaps: float,
) -> tuple[int, int]:
    """95 % interval of a field's true number of spores, never without the number counted.

    What is hardly a spore is left to the recall, lest thousands of specks make one. The recall knows nothing of
    spores that lie beneath others: they are added to the upper end.

    Parameters
    ----------
    probability : ndarray of shape (n,)
        Of each object to be a spore.
    spores : int
        Counted.
    recall, recall_u : float
        Share of the spores that is found, and its standard uncertainty.
    settings : CountSettings
    hidden_in_heaps : float
        As in `Conditions`.
    """
    _, low, high = field_count_interval(probability[probability > settings.doubt_low], recall, recall_u)
    return min(int(low), spores), max(int(high), spores) + ceil(hidden_in_heaps)


def is_ambiguous(doubtful: int, spores: int, low: int) -> bool:
    """Whether so many objects are in doubt that a person should look.

    None or some is what the release hangs on. So two are enough where nothing counts, and one where all that
    counts could be none.

    Parameters
    ----------
    doubtful : int
        Objects in doubt.
    spores, low : int
        Count, and the lower end of its interval.
    """
    if not spores:
        return doubtful >= _DOUBTS_WHERE_NONE_COUNTS
    return doubtful > max(5.0, 0.5 * spores) or (doubtful > 0 and low == 0)


def is_amberless(amber: np.ndarray) -> bool:
    """Whether what surely counts takes away hardly more blue than red, as black and grey things do.

    Parameters
    ----------
    amber : ndarray of shape (n,)
        Density in blue over density in red of the sure spores.
    """
    return len(amber) >= _ENOUGH_TO_TELL and float(np.median(amber)) < _AMBER


def count_scales(large: LargeObjects, *, torn_too: bool = False) -> int:
    """Count the butterfly scales among the large objects; overlapping ones are told by their area.

    A scale is roughly 100 x 50 um (particle-atlas figures): wider than a fibre, larger than a torn piece. On 267
    simulated photos of ten styles it tells 1.8 times as many as there are in the median, within a factor of 2.3
    either way (with torn pieces 3.3 times as many).

    Parameters
    ----------
    large : LargeObjects
    torn_too : bool
        Count larger torn pieces as well: they, too, show that the tape picked something up.
    """
    if not len(large.area_um2):
        return 0
    least_width_um, least_um2, least_typical_um2 = _SCALE_OR_PIECE if torn_too else _WHOLE_SCALE
    broad = (
        (large.width_um > least_width_um)
        & (large.area_um2 > least_um2)
        & (large.length_um < 12 * large.width_um)
    )
    single = broad & (large.solidity > 0.8)
    typical = float(np.median(large.area_um2[single])) if single.sum() >= 3 else 4000.0
    typical = float(np.clip(typical, least_typical_um2, 8000))
    heaps = broad & ~single
    return int(single.sum() + np.maximum(1, np.round(large.area_um2[heaps] / (0.8 * typical))).sum())


def _field_number_mm(view: RoundView, scale: Scale) -> float:
    """Reckon the eyepiece's field number from this scale (textbook relation); 0 where that cannot be."""
    if not view.measurable or scale.objective is None:
        return 0.0
    return 2 * view.radius_px * scale.um_per_px / 1000 * scale.objective


def _share_in_focus(examined: np.ndarray, blur_um: np.ndarray) -> float:
    if not examined.any():
        return 0.0
    if not np.isfinite(blur_um).any():
        return 0.0
    size = (blur_um.shape[1], blur_um.shape[0])
    share = reduced(examined.astype(np.uint8) * 255, size, cv2.INTER_AREA)
    weight = share.astype(np.float32)
    return float((weight * (blur_um <= SHARP_UM)).sum() / max(weight.sum(), 1e-9))

"""Whether photos that show hardly a spore were counted at a wrong scale, at which spores cannot be seen."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from sporecount.records import FieldResult, PrintTally
from sporecount.session.folder import PhotoFile
from sporecount.settings import CountSettings

FACTORS = (0.25, 0.5, 2.0, 4.0)
"""Other scales that are tried: neighbouring objectives differ by 1.6 to 2.5, 10x and 40x by 4, and the count bears
a third off. On 24 simulated photos without a spore no factor showed one."""

_FINEST_UM_PER_PX, _COARSEST_UM_PER_PX = 0.08, 2.0
"""What phones give with objectives from 4x to 40x; other scales are not tried."""

_FEW, _MANY = 8, 12
"""Sure spores of a session below which the check is made, and at another scale from which on it speaks."""

_MOST_PHOTOS = 3
_LIKE = 0.12
"""Relative spread of length that spores of one print stay below."""


@dataclass(frozen=True)
class ScaleJob:
    """Count a photo at other scales than the one it was counted at.

    Parameters
    ----------
    file : PhotoFile
    key : str
        Of its kept field.
    """

    file: PhotoFile
    key: str


def scale_jobs(
    fields: Iterable[FieldResult],
    keys: Mapping[str, str],
    files: Mapping[str, PhotoFile],
    settings: CountSettings,
) -> dict[float, list[ScaleJob]]:
    """Choose photos to try, for each scale that was stated or a profile's and showed hardly a spore.

    A profile may be that of another objective: the round view is as wide in pixels with each. A scale that is
    guessed has its own reason.

    Parameters
    ----------
    fields : iterable of FieldResult
    keys, files : mapping
        Photo to the key of its kept field, and to its file.
    settings : CountSettings

    Returns
    -------
    dict
        Scale in um per px to jobs.
    """
    from sporecount.steps.spore_size import sure_lengths

    spores: dict[float, int] = {}
    photos: dict[float, list[str]] = {}
    for field in fields:
        if field.scale.source in ("given", "table", "profile") and field.tally.flag != "unusable":
            scale = field.scale.um_per_px
            spores[scale] = spores.get(scale, 0) + len(sure_lengths(field, settings))
            photos.setdefault(scale, []).append(field.photo)
    jobs = {}
    for scale, names in photos.items():
        if spores[scale] < _FEW:
            step = max(1, -(-len(names) // _MOST_PHOTOS))
            jobs[scale] = [ScaleJob(files[name], keys[name]) for name in names[::step]]
    return jobs


def factors_for(um_per_px: float) -> list[float]:
    """Give the factors to try of a scale: those that lead to what a phone can have."""
    return [one for one in FACTORS if _FINEST_UM_PER_PX <= one * um_per_px <= _COARSEST_UM_PER_PX]


def spores_of_one_size(field: FieldResult, settings: CountSettings) -> int:
    """Count the sure single spores of a field, if they are of one size as spores are; else 0."""
    from sporecount.steps.spore_size import spore_size, sure_lengths

    size = spore_size(sure_lengths(field, settings))
    return size.spores if size.spores and size.spread_um < _LIKE * size.length_um else 0


def doubtful_scales(found: Mapping[float, Iterable[Mapping[float, int]]]) -> dict[float, float]:
    """Say which scales are doubtful.

    Parameters
    ----------
    found : mapping
        Scale to, for each photo tried, factor to spores found at that many times the scale.

    Returns
    -------
    dict
        Scale to the factor at which spores show.
    """
    doubtful = {}
    for scale, photos in found.items():
        total = dict.fromkeys(FACTORS, 0)
        for photo in photos:
            for factor in FACTORS:
                total[factor] += photo.get(factor, 0)
        best = max(FACTORS, key=lambda factor: total[factor])
        if total[best] >= _MANY:
            doubtful[scale] = best
    return doubtful


def mark_scales(
    prints: Iterable[PrintTally], fields: Iterable[FieldResult], doubtful: Mapping[float, float]
) -> tuple[tuple[PrintTally, ...], list[str]]:
    """Put the doubt on every print with a photo of a doubtful scale; a note for each such scale."""
    if not doubtful:
        return tuple(prints), []
    samples = {field.sample for field in fields if field.scale.um_per_px in doubtful}
    marked = [one.with_reasons("scale-doubtful") if one.sample in samples else one for one in prints]
    notes = [
        f"At the scale of {scale:.4g} µm per px hardly a spore shows, at {scale * factor:.4g} many would: "
        "was this the objective?"
        for scale, factor in doubtful.items()
    ]
    return tuple(marked), notes

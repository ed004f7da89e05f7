"""Files that happen to lie among the photos: pictures of something else, and what is no photo at all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable
from dataclasses import replace

from sporecount.files.kept import FieldPlace, KeptFields
from sporecount.reasons import REASONS
from sporecount.records import FailedPhoto
from sporecount.session.groups import told_by_name_alone
from sporecount.session.plan import Plan

_UNLIKE = "unlike-known"
_NO_PHOTO = "not-a-photo"
"""A file cut short, damaged or of a kind that is not read may be an animal's only photo, so it stays a print."""


def find_strays(
    plan: Plan, places: Iterable[FieldPlace], failed: Iterable[FailedPhoto], kept: KeptFields
) -> set[str]:
    """Find what is no print: a single file at the top of the folder that is called so and is no picture of one.

    What stands in the table, lies in a folder of its own or is numbered, as `FH-12_1.jpg`, somebody calls a print:
    it stays one, whatever its photos look like, since they may be an animal's only ones.

    Parameters
    ----------
    plan : Plan
    places : iterable of FieldPlace
        Of all photos that were counted.
    failed : iterable of FailedPhoto
    kept : KeptFields

    Returns
    -------
    set of str
        Names of prints that there are not.
    """
    files = plan.files
    unread = [one for one in failed if one.code != "missing"]
    seen = list(places)
    files_of = Counter([*(place.sample for place in seen), *(one.sample for one in unread)])

    def nobody_calls_it_one(photo: str, sample: str) -> bool:
        file = files[photo]
        named_so = file.name.rpartition(".")[0] == sample and told_by_name_alone(file, None, sample)
        return bool(sample) and named_so and files_of[sample] == 1 and photo not in plan.rows

    def unlike(place: FieldPlace) -> bool:
        field = kept.result(place.key)
        return field is not None and _UNLIKE in field.tally.reasons

    return {
        *(
            one.sample
            for one in unread
            if one.code == _NO_PHOTO and nobody_calls_it_one(one.photo, one.sample)
        ),
        *(one.sample for one in seen if nobody_calls_it_one(one.photo, one.sample) and unlike(one)),
    }


def with_strays(
    failed: Iterable[FailedPhoto], places: Iterable[FieldPlace], strays: Collection[str]
) -> list[FailedPhoto]:
    """Add the pictures that are no prints, with the reason in words; what is a stray bears no print's name."""
    reason = REASONS[_UNLIKE]
    return [
        *(replace(one, sample="") if one.sample in strays else one for one in failed),
        *(
            FailedPhoto(place.photo, "", _UNLIKE, f"{reason.words} {reason.remedy}")
            for place in places
            if place.sample in strays
        ),
    ]

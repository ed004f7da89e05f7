"""Files that happen to lie among the photos: pictures of something else, and what is no photo at all."""

from __future__ import annotations

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
    shown: dict[str, list[FieldPlace]] = {}
    for place in places:
        shown.setdefault(place.sample, []).append(place)
    unread: dict[str, list[FailedPhoto]] = {}
    for one in failed:
        if one.code != "missing":
            unread.setdefault(one.sample, []).append(one)

    files = plan.files

    def stray(sample: str) -> bool:
        of_print = shown.get(sample, [])
        photos = [*(place.photo for place in of_print), *(one.photo for one in unread.get(sample, []))]
        if len(photos) > 1 or files[photos[0]].name.rpartition(".")[0] != sample:
            return False
        if any(one in plan.rows or not told_by_name_alone(files[one], None, sample) for one in photos):
            return False
        if any(one.code != _NO_PHOTO for one in unread.get(sample, [])):
            return False
        fields = (kept.result(place.key) for place in of_print)
        return all(field is not None and _UNLIKE in field.tally.reasons for field in fields)

    return {sample for sample in {*shown, *unread} if sample and stray(sample)}


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

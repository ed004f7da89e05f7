"""Which photo shows which print.

In this order: the table `session.csv`, a QR label photographed before the fields of a print, a
sub-folder for each print, the part of the file name before the last `_` or `-`.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from sporecount.files.session_table import TableRow
from sporecount.session.folder import PhotoFile, natural

_NOT_COUNTED = {
    "ruling": "ruling",
    "micrometer": "ruling",
    "micrometre": "ruling",
    "calibration": "ruling",
    "label": "label",
    "overview": "overview",
}
"""First words of a file name, sub-folder or note that tell of a photo which shows no field of a print."""

_OVERVIEW = re.compile(r"(?:^|(?<=[\s_-]))overview\d*(?=[\s_-]|$)", re.IGNORECASE)
_POWER = re.compile(r"(?:^|(?<=[\s_-]))(\d+(?:[.,]\d+)?)[x\u00d7](?=[\s_-]|$)", re.IGNORECASE)
"""The word for a photo of a whole print, and its objective, as parts of a name."""

_OF_CAMERAS = {
    "img", "imgp", "image", "photo", "picture", "pict", "pic", "pxl", "dsc", "dscn", "dscf", "cimg", "dcim",
    "mvimg", "camera", "screenshot", "scan",
}  # fmt: skip
_BESIDE = {"e", "wa", "edit", "edited", "copy", "cover", "hdr", "burst", "portrait", "night", "raw", "mp"}
"""Words with which cameras, phones and programs that copy from them begin file names, and those that they put
after them (common practice)."""

_DATE = re.compile(r"(?<!\d)(?:19|20)\d\d[-_. ]?(?:0[1-9]|1[0-2])[-_. ]?(?:0[1-9]|[12]\d|3[01])(?!\d)")
_NUMBERED = re.compile(r"[Pp]?[1-9]\d\d[\s_-]?\d{4}|[1-9]\d\d[A-Z][A-Z\d_]{4}")
"""A date in a name; names made of the camera's numbers of folder and photo, or of a folder, as `P1010001` and
`100ABCDE` (JEITA CP-3461, from memory)."""


@dataclass(frozen=True)
class Seen:
    """What is known of a photo once it was looked at.

    Parameters
    ----------
    file : PhotoFile
    taken_at : str
        Empty when unknown.
    label : str
        Text of the QR label that the photo shows; empty without one.
    """

    file: PhotoFile
    taken_at: str = ""
    label: str = ""


def purpose(file: PhotoFile, row: TableRow | None) -> str:
    """Tell what a photo is for when it is no field: "ruling", "label", "overview"; else ""."""
    words = [row.note] if row is not None and row.note else []
    words += [*file.folder.split("/"), file.stem]
    for text in words:
        first = re.split(r"[^a-z]+", text.strip().casefold(), maxsplit=1)[0]
        if first in _NOT_COUNTED:
            return _NOT_COUNTED[first]
    return "overview" if _OVERVIEW.search(file.stem) else ""


def overview_power(file: PhotoFile) -> float | None:
    """Magnification that the name of an overview photo tells, as in `overview_4x.jpg`; None without one."""
    found = _POWER.search(file.stem) or next(filter(None, map(_POWER.search, file.folder.split("/"))), None)
    return float(found[1].replace(",", ".")) if found else None


def sample_of_overview(file: PhotoFile, samples: Collection[str]) -> str:
    """Name the print that an overview photo shows, by what its name says beside "overview".

    Parameters
    ----------
    file : PhotoFile
    samples : collection of str
        The prints there are.

    Returns
    -------
    str
        Empty when it could be of any print, or of none.
    """
    folders = [_POWER.sub("", _OVERVIEW.sub("", part)).strip(" _-") for part in file.folder.split("/")]
    folder = "/".join(part for part in folders if part)
    stem = _POWER.sub("", _OVERVIEW.sub("", file.stem)).strip(" _-")
    stem = re.sub(r"[\s_-]{2,}", "_", stem)
    cut = max(stem.rfind("_"), stem.rfind("-"))
    for name in (folder, stem, stem[:cut].strip() if cut > 0 else ""):
        if name and name in samples:
            return name
    return next(iter(samples)) if len(samples) == 1 and not folder and not stem else ""


def sample_by_name(file: PhotoFile) -> str:
    """Name the print by the sub-folder, else by the file name."""
    if file.folder:
        return file.folder
    stem = file.stem
    cut = max(stem.rfind("_"), stem.rfind("-"))
    return stem[:cut].strip() or stem if cut > 0 else stem


def named_by_camera(file: PhotoFile) -> bool:
    """Tell whether the name that `sample_by_name` goes by is a camera's own, so that it tells no print."""
    name = file.folder.rpartition("/")[2] or file.stem
    words = re.findall(r"[^\W\d_]+", name.casefold())
    if _NUMBERED.fullmatch(name) or (not words and _DATE.match(name)):
        return True
    if _DATE.search(name) and not _OF_CAMERAS.isdisjoint(words):
        return True
    return bool(words) and words[0] in _OF_CAMERAS and (_OF_CAMERAS | _BESIDE).issuperset(words)


def told_by_name_alone(file: PhotoFile, row: TableRow | None, sample: str) -> bool:
    """Whether neither table nor label says that a photo shows this print, but its name alone."""
    return not (row is not None and row.sample) and sample == sample_by_name(file)


def assign_samples(photos: Iterable[Seen], rows: Mapping[str, TableRow]) -> dict[str, str]:
    """Name the print of every photo that shows a field.

    Within a folder, a label holds for the photos after it, in order of time where the camera noted it for
    each of them, else in order of name.

    Parameters
    ----------
    photos : iterable of Seen
    rows : mapping
        Photo to its row of the table.

    Returns
    -------
    dict
        Photo to print; photos of labels are left out.
    """
    samples: dict[str, str] = {}
    ordered = sorted(photos, key=lambda photo: natural(photo.file.folder))
    for _, group in groupby(ordered, key=lambda photo: photo.file.folder):
        current = ""
        for photo in in_order(list(group)):
            if photo.label:
                current = photo.label
                continue
            row = rows.get(photo.file.name)
            said = row.sample if row is not None else ""
            samples[photo.file.name] = said or current or sample_by_name(photo.file)
    return samples


def in_order(photos: Sequence[Seen]) -> list[Seen]:
    """Sort photos by time where all have it, else by name."""
    timed = all(photo.taken_at for photo in photos)
    return sorted(photos, key=lambda photo: (photo.taken_at if timed else "", natural(photo.file.name)))


def number_fields(samples: Mapping[str, str]) -> list[tuple[str, str, int]]:
    """Count the photos of each print, in order.

    Parameters
    ----------
    samples : mapping
        Photo to print.

    Returns
    -------
    list of (photo, sample, field)
        Sorted by print and photo; fields from 1.
    """
    ordered = sorted(samples, key=lambda photo: (natural(samples[photo]), natural(photo)))
    count: dict[str, int] = {}
    places = []
    for photo in ordered:
        sample = samples[photo]
        count[sample] = count.get(sample, 0) + 1
        places.append((photo, sample, count[sample]))
    return places

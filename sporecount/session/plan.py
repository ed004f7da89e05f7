"""What is to be done with a folder, before any photo is opened."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sporecount.errors import SessionError
from sporecount.files.session_table import TABLE_NAME, TableRow, match_rows, read_session_table
from sporecount.report.phrases import plural
from sporecount.session.folder import Contents, PhotoFile, look_into, overlay_names, printable
from sporecount.session.groups import overview_power, purpose
from sporecount.session.scales import ScaleWish, plausible

HIGHEST_OVERVIEW_POWER = 5.0
"""A print is first scanned at 4x or 5x (common practice)."""


@dataclass(frozen=True)
class Plan:
    """What is to be done with a folder.

    Parameters
    ----------
    folder, out : Path
    contents : Contents
    rows : dict
        Photo to its row of `session.csv`.
    missing : list of TableRow
    purposes : dict
        Photo to what it is for, where it is no field.
    wishes : dict
        Photo to what is said of its scale.
    overlays : dict
        Photo to the file name of its overlay.
    passed_over : tuple of str
        What was asked for all photos and gives way to something else, one sentence each.
    """

    folder: Path
    out: Path
    contents: Contents
    rows: dict[str, TableRow]
    missing: list[TableRow]
    purposes: dict[str, str]
    wishes: dict[str, ScaleWish]
    overlays: dict[str, str]
    passed_over: tuple[str, ...] = ()

    @property
    def files(self) -> dict[str, PhotoFile]:
        """The photos, by name."""
        return {photo.name: photo for photo in self.contents.photos}

    @property
    def profiles(self) -> dict[str, Any]:
        """The adapter profiles in use, by name."""
        used = [wish.profile for wish in self.wishes.values() if wish.profile is not None]
        return {profile["name"]: profile for profile in used}


def make_plan(
    folder: str | Path,
    *,
    out: str | Path | None = None,
    adapter: str | None = None,
    objective: float | None = None,
    um_per_px: float | None = None,
) -> Plan:
    """Look at a folder and say what is to be done; parameters and errors as in `count_folder`."""
    folder = Path(folder)
    out = Path(out) if out is not None else folder / "sporecount"
    if um_per_px is not None and not plausible(um_per_px):
        raise SessionError(f"{um_per_px:g} um per px cannot be", remedy="Give a number such as 0.52")
    if objective is not None and not 0.5 <= objective <= 200:
        raise SessionError(f"an objective of {objective:g}x cannot be", remedy="Give a number such as 10")
    contents = look_into(folder, out)
    if not contents.photos:
        raise SessionError(
            "there are no photos in this folder",
            where=printable(str(folder)),
            remedy="Put JPEG, HEIC, PNG or TIFF files there",
        )
    if out.resolve() == folder.resolve():
        raise SessionError(
            "the results cannot go among the photos",
            where=printable(str(out)),
            remedy="Give another folder with --out",
        )
    rows, missing = _table(folder, contents)
    purposes = {photo.name: purpose(photo, rows.get(photo.name)) for photo in contents.photos}
    wishes = {
        photo.name: _overview_wish(photo, rows.get(photo.name), adapter)
        if purposes[photo.name] == "overview"
        else _wish(rows.get(photo.name), adapter=adapter, objective=objective, um_per_px=um_per_px)
        for photo in contents.photos
    }
    names = overlay_names(photo.name for photo in contents.photos)
    fields = [rows[name] for name, what in purposes.items() if name in rows and not what]
    passed_over = _passed_over(fields, adapter=adapter, objective=objective, um_per_px=um_per_px)
    return Plan(folder, out, contents, rows, missing, purposes, wishes, names, tuple(passed_over))


def _passed_over(
    rows: Sequence[TableRow], *, adapter: str | None, objective: float | None, um_per_px: float | None
) -> Iterator[str]:
    """Say for how many photos the session's table goes before what was asked for."""

    def said(what: str, others: Sequence[TableRow], asked: str) -> Iterator[str]:
        if others:
            them = "it" if len(others) == 1 else "them"
            photos = plural(len(others), "photo")
            yield f"{TABLE_NAME} gives the {what} of {photos}, so {asked} was not used for {them}."

    scaled = [row for row in rows if row.um_per_px is not None]
    if um_per_px is not None:
        others = [row for row in scaled if row.um_per_px != um_per_px]
        yield from said("scale", others, f"{um_per_px:g} um per px")
        if adapter:
            yield f"{um_per_px:g} um per px was asked for, so the adapter profile {adapter} was not used."
    elif adapter:
        yield from said("scale", scaled, f"the adapter profile {adapter}")
        unscaled = [row for row in rows if row.um_per_px is None and row.adapter]
        named = [row for row in unscaled if row.adapter.casefold() != adapter.casefold()]
        yield from said("adapter", named, f"the adapter profile {adapter}")
    if objective is not None:
        others = [row for row in rows if row.objective not in (None, objective)]
        yield from said("objective", others, f"{objective:g}x")


def _table(folder: Path, contents: Contents) -> tuple[dict[str, TableRow], list[TableRow]]:
    path = folder / TABLE_NAME
    if not path.is_file():
        return {}, []
    table = read_session_table(path.read_bytes(), printable(str(path)))
    return match_rows(table, [photo.name for photo in contents.photos])


def _wish(
    row: TableRow | None, *, adapter: str | None, objective: float | None, um_per_px: float | None
) -> ScaleWish:
    row = row or TableRow("")
    power = row.objective if row.objective is not None else objective
    if row.um_per_px is not None:
        return ScaleWish(um_per_px=row.um_per_px, source="table", objective=power)
    if um_per_px is not None:
        return ScaleWish(um_per_px=um_per_px, source="given", objective=power)
    name = row.adapter or adapter
    if name:
        from sporecount.calibration.profile import profile_from_json
        from sporecount.files.profiles import load_profile

        profile = load_profile(name, power)
        profile_from_json(profile)  # a bad one shows before any photo is opened
        return ScaleWish(profile=profile, objective=power)
    return ScaleWish(objective=power)


def _overview_wish(photo: PhotoFile, row: TableRow | None, adapter: str | None) -> ScaleWish:
    """Scale of a photo of a whole print, which is taken through another objective than the fields."""
    row = row or TableRow("")
    power = row.objective if row.objective is not None else overview_power(photo)
    if row.um_per_px is not None:
        return ScaleWish(um_per_px=row.um_per_px, source="table", objective=power)
    name = row.adapter or adapter
    if name:
        from sporecount.files.profiles import list_profiles

        fitting = [
            one
            for one in list_profiles()
            if str(one["name"]).casefold() == name.casefold()
            and (one.get("objective") == power if power is not None else _is_low(one.get("objective")))
        ]
        if len(fitting) == 1:
            return ScaleWish(profile=fitting[0], objective=power or fitting[0].get("objective"))
    return ScaleWish(objective=power)


def _is_low(objective: float | None) -> bool:
    return objective is not None and objective <= HIGHEST_OVERVIEW_POWER

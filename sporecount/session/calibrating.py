"""Photos of a ruling, from the files to a reading and an adapter profile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from sporecount.calibration.profile import (
    build_profile,
    check_drift,
    check_objectives,
    compare_profiles,
    profile_from_json,
)
from sporecount.calibration.records import AdapterProfile, CalibrationCheck, RulingReading
from sporecount.errors import CalibrationError, PhotoError
from sporecount.files.decode import decode
from sporecount.files.profiles import list_profiles, load_profile, save_profile
from sporecount.files.whole import write_whole
from sporecount.records import Photo
from sporecount.session.folder import printable


@dataclass(frozen=True)
class RulingPhoto:
    """A photo of a ruling with what was read from it."""

    name: str
    photo: Photo
    reading: RulingReading


def read_rulings(
    paths: Sequence[Path], *, objective: float | None, division_um: float | None, field_number_mm: float
) -> list[RulingPhoto]:
    """Read photos of rulings.

    Parameters
    ----------
    paths : sequence of Path
    objective : float or None
        Magnification.
    division_um : float or None
        Size of the ruling's finest division; told from the view when None.
    field_number_mm : float
        Of the eyepiece.

    Raises
    ------
    PhotoError
        A file that is no photo.
    CalibrationError
        A photo that gives no trustworthy number; several that are no use are all named.
    """
    read, faults = [], []
    for path in paths:
        try:
            read.append(_read(path, objective, division_um, field_number_mm))
        except (PhotoError, CalibrationError) as fault:
            faults.append(fault)
    if len(faults) > 1:
        each = "; ".join(f"{one.where} ({one.what})" for one in faults)
        raise CalibrationError(
            f"{len(faults)} of {len(paths)} photos give no number: {each}",
            code=faults[0].code,
            remedy=". ".join(dict.fromkeys(one.remedy for one in faults)),
        )
    if faults:
        raise faults[0]
    return read


def open_photo(path: Path, name: str | None = None) -> Photo:
    """Open a photo of a ruling, or of none; its name is the path unless another is given.

    Raises
    ------
    PhotoError
        A file that is no photo.
    """
    name = printable(str(path)) if name is None else name
    try:
        data = path.read_bytes()
    except OSError as fault:
        raise PhotoError(
            f"the file cannot be read ({fault.strerror})",
            code="unreadable",
            where=name,
            remedy="Check the path",
        ) from None
    return decode(data, name)


def _read(
    path: Path, objective: float | None, division_um: float | None, field_number_mm: float
) -> RulingPhoto:
    from sporecount.chain import read_ruling_photo

    photo = open_photo(path)
    name = photo.name
    try:
        reading = read_ruling_photo(
            photo, division_um=division_um, objective=objective, field_number_mm=field_number_mm
        )
    except CalibrationError as fault:
        raise CalibrationError(
            fault.what, code=fault.code, where=fault.where or name, remedy=fault.remedy
        ) from None
    return RulingPhoto(name, photo, reading)


def join_rulings(rulings: Sequence[RulingPhoto], *, name: str, date: str) -> AdapterProfile:
    """Join the readings to a profile; the camera is that of the first photo.

    Raises
    ------
    CalibrationError
        Readings that disagree.
    """
    first = rulings[0].photo
    return build_profile(
        [(one.name, one.reading) for one in rulings],
        name=name,
        date=date,
        camera=first.camera,
        focal_length_mm=first.focal_length_mm,
        digital_zoom=first.digital_zoom,
    )


def need_objective(objective: float | None) -> None:
    """Refuse to store a profile of no objective.

    Raises
    ------
    CalibrationError
    """
    if objective is None:
        raise CalibrationError(
            "a profile holds for one objective, and none was named",
            code="bad-call",
            remedy="Name the objective, such as 10 for 10x",
        )


def store(profile: AdapterProfile) -> tuple[Path, list[CalibrationCheck]]:
    """Store a profile, and check it against its forerunner and the adapter's other objectives.

    Returns
    -------
    path : Path
    checks : list of CalibrationCheck

    Raises
    ------
    CalibrationError
        A profile of no objective, or with a name that no list could show.
    """
    need_objective(profile.objective)
    mine = [one for one in list_profiles() if str(one["name"]).casefold() == profile.name.casefold()]
    before = [
        _against_forerunner(profile_from_json(one), profile)
        for one in mine
        if one.get("objective") == profile.objective
    ]
    path = save_profile(asdict(profile))
    others = [one for one in mine if one.get("objective") != profile.objective]
    return path, before + check_objectives([profile_from_json(one) for one in (*others, asdict(profile))])


def _against_forerunner(old: AdapterProfile, new: AdapterProfile) -> CalibrationCheck:
    check = compare_profiles(replace(old, name=f"the profile of {old.date or 'before'}"), new)
    if not old.rulings or new.rulings:
        return check
    surer = "The one before was read from a ruling and is surer; it is kept in the folder adapters/earlier."
    return replace(check, words=f"{check.words} {surer}")


def profile_names(
    adapter: str, objective: float | None, division_um: float | None
) -> tuple[float | None, float]:
    """Give objective and division of a stored profile where they were not named."""
    profile = profile_from_json(load_profile(adapter, objective))
    return objective or profile.objective, division_um or profile.division_um


def check_against(name: str, rulings: Sequence[RulingPhoto]) -> list[CalibrationCheck]:
    """Check photos of a ruling against a stored profile.

    Raises
    ------
    CalibrationError
        No such profile.
    """
    profile = profile_from_json(load_profile(name, rulings[0].reading.objective))
    return [check_drift(profile, one.reading) for one in rulings]


def write_certificate(path: Path, profile: AdapterProfile, rulings: Sequence[RulingPhoto]) -> None:
    """Write the certificate, one HTML page that needs nothing else."""
    from sporecount.report.certificate import certificate_html, marked_ruling

    readings = [(one.name, one.reading) for one in rulings]
    pictures = [marked_ruling(one.photo.rgb, one.reading) for one in rulings]
    write_whole(path, certificate_html(profile, readings, pictures))

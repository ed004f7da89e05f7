"""Photos of a ruling, read one by one in a process of their own, then joined to a profile."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from sporecount.calibration.profile import build_profile, check_drift, profile_from_json
from sporecount.calibration.records import AdapterProfile, CalibrationCheck, RulingReading
from sporecount.errors import CalibrationError, PhotoError, SporecountError
from sporecount.files.profiles import list_profiles
from sporecount.files.whole import write_whole
from sporecount.session.calibrating import read_rulings, store
from sporecount.session.tiles import Refused
from sporecount.session.without_ruling import Seen, see


@dataclass(frozen=True)
class RulingJob:
    """Read a photo of a ruling; fields as in `calibrating.read_rulings`."""

    path: str
    name: str
    objective: float | None
    division_um: float | None
    field_number_mm: float


@dataclass(frozen=True)
class SeeJob:
    """Look at a photo without reading a ruling; fields as in `without_ruling.see`."""

    path: str
    name: str


@dataclass(frozen=True)
class RulingRead:
    """What came out of a photo of a ruling.

    Parameters
    ----------
    name : str
    reading : RulingReading or None
        None for a photo that gives no number.
    marked : bytes
        The photo with every line marked, JPEG; empty without a reading.
    charts : str
        Residual and local scale along the ruling, SVG.
    camera : str or None
    focal_length_mm, digital_zoom : float or None
    what, remedy, code : str
        Why there is no number, and what to do.
    """

    name: str
    reading: RulingReading | None = None
    marked: bytes = b""
    charts: str = ""
    camera: str | None = None
    focal_length_mm: float | None = None
    digital_zoom: float | None = None
    what: str = ""
    remedy: str = ""
    code: str = ""


def make_reader(_setup: None) -> Callable[[RulingJob | SeeJob], RulingRead | Seen | Refused]:
    """Make the function that reads a photo of a ruling, or looks at one without."""

    def work(job: RulingJob | SeeJob) -> RulingRead | Seen | Refused:
        if isinstance(job, RulingJob):
            return read_one(job)
        try:
            return see(Path(job.path), job.name)
        except PhotoError as fault:
            return Refused(fault.what, fault.code, fault.remedy)

    return work


def read_one(job: RulingJob) -> RulingRead:
    """Read a photo of a ruling; what cannot be read is an answer, too."""
    from sporecount.report.certificate import line_charts, marked_ruling

    try:
        (one,) = read_rulings(
            [Path(job.path)],
            objective=job.objective,
            division_um=job.division_um,
            field_number_mm=job.field_number_mm,
        )
    except (PhotoError, CalibrationError) as fault:
        return RulingRead(job.name, what=fault.what, remedy=fault.remedy, code=fault.code)
    except SporecountError as fault:
        return RulingRead(job.name, what=fault.what, remedy=fault.remedy, code=fault.code)
    return RulingRead(
        job.name,
        one.reading,
        marked_ruling(one.photo.rgb, one.reading),
        line_charts(one.reading),
        one.photo.camera,
        one.photo.focal_length_mm,
        one.photo.digital_zoom,
    )


def join(reads: Sequence[RulingRead], *, name: str, date: str) -> AdapterProfile:
    """Join the readings to a profile; the camera is that of the first photo.

    Raises
    ------
    CalibrationError
        No reading, or readings that disagree.
    """
    good = [(one.name, one.reading) for one in reads if one.reading is not None]
    if not good:
        raise CalibrationError(
            "no photo gave a number yet", code="no-ruling", remedy="Add a photo of the ruling, in focus"
        )
    first = next(one for one in reads if one.reading is not None)
    return build_profile(
        good,
        name=name,
        date=date,
        camera=first.camera,
        focal_length_mm=first.focal_length_mm,
        digital_zoom=first.digital_zoom,
    )


def against_stored(
    reads: Sequence[RulingRead], objective: float | None
) -> list[tuple[AdapterProfile, CalibrationCheck]]:
    """Check the readings against the stored profiles of this objective, the last reading of each."""
    reading = next((one.reading for one in reversed(reads) if one.reading is not None), None)
    if reading is None:
        return []
    stored = [profile_from_json(one) for one in list_profiles()]
    fitting = [
        one for one in stored if one.objective is None or objective is None or one.objective == objective
    ]
    return [(one, check_drift(one, reading)) for one in fitting]


def keep(profile: AdapterProfile, reads: Sequence[RulingRead]) -> tuple[Path, list[CalibrationCheck]]:
    """Store a profile and its certificate beside it; give the certificate's file and the checks."""
    from sporecount.report.certificate import certificate_html

    path, checks = store(profile)
    good = [one for one in reads if one.reading is not None]
    page = certificate_html(
        profile,
        [(one.name, one.reading) for one in good if one.reading is not None],
        [one.marked for one in good],
    )
    certificate = path.with_suffix(".html")
    write_whole(certificate, page)
    return certificate, checks

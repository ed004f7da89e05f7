"""What one worker does: look at a photo, count its field, draw its overlay; tally a print."""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from sporecount.errors import PhotoError, SporecountError
from sporecount.files.decode import MAX_BYTES, decode
from sporecount.files.kept import (
    FieldPlace,
    FieldsOnDisk,
    KeptFields,
    KeptOverviews,
    KeptPrints,
    key_of,
)
from sporecount.files.pictures import FieldPictures
from sporecount.files.whole import write_whole
from sporecount.records import FalseRate, FieldPreview, FieldResult, OwnRecall, Photo, PrintTally
from sporecount.session.folder import KEPT, PhotoFile
from sporecount.session.label import read_label
from sporecount.session.scale_check import ScaleJob, factors_for, spores_of_one_size
from sporecount.session.scales import ScaleWish, find_scale
from sporecount.settings import CountSettings


@dataclass(frozen=True)
class Setup:
    """What all jobs of a run share.

    Parameters
    ----------
    out : str
        Folder of the results.
    settings : CountSettings
    made_by : dict
        Versions that the answer depends on.
    """

    out: str
    settings: CountSettings
    made_by: dict[str, Any]


@dataclass(frozen=True)
class PhotoJob:
    """Look at a photo.

    Parameters
    ----------
    file : PhotoFile
    sample : str
    field : int
    wish : ScaleWish
    overlay : str
        File name for its overlay.
    label : {"no", "maybe", "only"}
        Whether it may show a label instead of a field, or should show nothing else.
    """

    file: PhotoFile
    sample: str
    field: int
    wish: ScaleWish
    overlay: str
    label: str = "maybe"


@dataclass(frozen=True)
class OverviewJob:
    """Look at a photo of a whole print."""

    file: PhotoFile
    wish: ScaleWish


@dataclass(frozen=True)
class PhotoDone:
    """What became of a photo.

    Parameters
    ----------
    photo : str
    state : {"counted", "kept", "label", "overview", "failed"}
        "kept" when an earlier run had counted it.
    key : str
        Of the kept field, or overview.
    sha256, taken_at, label : str
        Empty when unknown.
    code, message : str
        Of the fault, for a photo that failed.
    """

    photo: str
    state: str
    key: str = ""
    sha256: str = ""
    taken_at: str = ""
    label: str = ""
    code: str = ""
    message: str = ""


@dataclass(frozen=True)
class PrintJob:
    """Tally a print from its fields.

    Parameters
    ----------
    sample : str
    places : tuple of FieldPlace
    overviews : tuple of str
        Keys of its kept overviews.
    entered_mm2 : float or None
        Area of the whole print, where the table tells it.
    own_recall : OwnRecall or None
        Of the session, where a spike-in holds.
    false_rate : FalseRate or None
        Of false spores, where there is one to take off.
    """

    sample: str
    places: tuple[FieldPlace, ...] = field(default_factory=tuple)
    overviews: tuple[str, ...] = ()
    entered_mm2: float | None = None
    own_recall: OwnRecall | None = None
    false_rate: FalseRate | None = None


@dataclass(frozen=True)
class Hello:
    """Ask a worker which model it counts with."""


@dataclass(frozen=True)
class GetReady:
    """Have all loaded that a count needs, so that the first photo does not wait for it."""


def make_worker(setup: Setup) -> Callable[[Any], Any]:
    """Make the function that does a job."""
    import sporecount.chain  # noqa: F401  a missing library shows here, before any photo

    worker = Worker(setup)
    return worker.do


class Worker:
    """Does jobs, one at a time, and keeps what comes out."""

    def __init__(self, setup: Setup) -> None:
        kept = Path(setup.out) / KEPT
        self._setup = setup
        self._fields = KeptFields(kept / "fields")
        self._prints = KeptPrints(kept / "prints")
        self._overviews = KeptOverviews(kept / "overviews")
        self._pictures = FieldPictures(Path(setup.out), kept)

    def do(self, job: Hello | GetReady | PhotoJob | OverviewJob | PrintJob | ScaleJob) -> Any:
        """Do one job. A fault of a photo is an answer, not an error."""
        if isinstance(job, Hello):
            from sporecount.chain import model_id

            return model_id()
        if isinstance(job, GetReady):
            return _count_a_speck(self._setup.settings)
        if isinstance(job, PrintJob):
            return self._tally(job)
        if isinstance(job, ScaleJob):
            return self._at_other_scales(job)
        try:
            return self._look_over(job) if isinstance(job, OverviewJob) else self._look(job)
        except PhotoError as fault:
            return _failed(job, fault.code, fault)
        except SporecountError as fault:
            return _failed(job, fault.code, fault)
        except MemoryError:
            what = "There was not enough memory. Use fewer --workers."
            return PhotoDone(job.file.name, "failed", code="memory", message=what)
        except ImportError:
            raise
        except Exception as fault:
            what = (
                f"It could not be counted: {type(fault).__name__} {_place(fault)}. Please report this photo."
            )
            return PhotoDone(job.file.name, "failed", code="internal", message=what)

    def _look(self, job: PhotoJob) -> PhotoDone:
        data = _bytes_of(job.file)
        sha256 = hashlib.sha256(data).hexdigest()
        key = key_of(sha256, asdict(job.wish), asdict(self._setup.settings), self._setup.made_by)
        drawn_from = key_of(key, job.file.name, job.sample, job.field)
        kept = None if job.label == "only" else self._fields.result(key)
        if kept is not None and self._pictures.has(job.overlay, drawn_from):
            return PhotoDone(job.file.name, "kept", key=key, sha256=sha256, taken_at=kept.taken_at)
        photo = _opened(data, job.file.name)
        del data
        preview = None if kept is None else self._fields.preview(key)
        if kept is not None and preview is not None:
            self._draw(photo, job, kept, preview, drawn_from)
            return PhotoDone(job.file.name, "kept", key=key, sha256=sha256, taken_at=kept.taken_at)
        taken_at = photo.taken_at or ""
        label = self._label(photo, job)
        if label or job.label == "only":
            return PhotoDone(job.file.name, "label", sha256=sha256, taken_at=taken_at, label=label)
        self._draw(photo, job, *self._count(photo, job, key), drawn_from)
        return PhotoDone(job.file.name, "counted", key=key, sha256=sha256, taken_at=taken_at)

    def _look_over(self, job: OverviewJob) -> PhotoDone:
        data = _bytes_of(job.file)
        sha256 = hashlib.sha256(data).hexdigest()
        key = key_of(
            "overview", job.file.name, sha256, asdict(job.wish), asdict(self._setup.settings),
            self._setup.made_by,
        )  # fmt: skip
        kept = self._overviews.load(key)
        if kept is None:
            from sporecount.chain import look_over

            photo = decode(data, job.file.name)
            kept = look_over(photo, find_scale(photo, job.wish, self._setup.settings)), photo.taken_at or ""
            self._overviews.save(key, *kept)
        return PhotoDone(job.file.name, "overview", key=key, sha256=sha256, taken_at=kept[1])

    def _label(self, photo: Photo, job: PhotoJob) -> str:
        from sporecount.chain import find_view

        if job.label == "no":
            return ""
        if job.label == "only":
            return read_label(photo.rgb, careful=True)
        # the round view shows that this was taken through the eyepiece
        return "" if find_view(photo).found else read_label(photo.rgb, careful=False)

    def _count(self, photo: Photo, job: PhotoJob, key: str) -> tuple[FieldResult, FieldPreview]:
        from sporecount.chain import count_field

        scale = find_scale(photo, job.wish, self._setup.settings)
        result, preview = count_field(photo, scale, self._setup.settings, sample=job.sample, field=job.field)
        return result, self._fields.save(key, result, preview)

    def _draw(
        self, photo: Photo, job: PhotoJob, result: FieldResult, preview: FieldPreview, drawn_from: str
    ) -> None:
        from sporecount.report import doubtful_sheet, object_crops, overlay_jpeg
        from sporecount.report.overlay import SMALL_PX, reduce_jpeg
        from sporecount.report.sorts import objects_to_show

        named = replace(result, photo=job.file.name, sample=job.sample, field=job.field)
        if photo.halved:
            from sporecount.steps.halved import resized_field, resized_preview

            named, preview = resized_field(named, 0.5), resized_preview(preview, 0.5)
        settings = self._setup.settings
        overlay = overlay_jpeg(photo.rgb, named, preview, settings)
        sheet = b""
        if len(objects_to_show(named, settings)[0]):
            crops = object_crops(photo.rgb, named, settings=settings)
            sheet = doubtful_sheet(crops, named, settings=settings)
        small = reduce_jpeg(overlay, SMALL_PX)
        self._pictures.save(job.overlay, drawn_from, overlay=overlay, small=small, sheet=sheet)

    def _tally(self, job: PrintJob) -> tuple[str, PrintTally]:
        from sporecount.chain import count_print, map_print, measure_extent
        from sporecount.session.maps import draw_map
        from sporecount.steps.print_area import print_area
        from sporecount.steps.print_tally import with_own_recall

        settings = self._setup.settings
        key = key_of("print", asdict(job), asdict(settings), self._setup.made_by)
        tally = self._prints.tally(key)
        if tally is None or self._prints.map_svg(key) is None:
            on_disk = FieldsOnDisk(self._fields, job.places)
            fields = list(on_disk)
            overviews = [one[0] for at in job.overviews if (one := self._overviews.load(at)) is not None]
            extent = measure_extent(overviews) if overviews else None
            placed = map_print(fields, on_disk.preview)
            area = print_area(settings, extent, job.entered_mm2)
            known = with_own_recall(fields, job.own_recall)
            tally = count_print(known, on_disk.preview, settings, placed, area, job.false_rate)
            self._prints.save(key, tally, draw_map(placed, fields, on_disk.preview, tally))
        return key, tally

    def _at_other_scales(self, job: ScaleJob) -> dict[float, int]:
        """Factor to sure spores at that many times the scale; kept, for it is asked after every count."""
        from sporecount.chain import count_field

        path = Path(self._setup.out) / KEPT / "scales" / f"{job.key}.json"
        with contextlib.suppress(OSError, ValueError):
            return {float(factor): int(number) for factor, number in json.loads(path.read_bytes()).items()}
        field = self._fields.result(job.key)
        if field is None:
            return {}
        try:
            photo = _opened(_bytes_of(job.file), job.file.name)
        except SporecountError:
            return {}
        found = {}
        for factor in factors_for(field.scale.um_per_px * (1 + photo.halved)):  # of the pixels that are read
            scale = replace(field.scale, um_per_px=factor * field.scale.um_per_px)
            result, _ = count_field(photo, scale, self._setup.settings)
            usable = result.tally.flag != "unusable"
            found[factor] = spores_of_one_size(result, self._setup.settings) if usable else 0
        path.parent.mkdir(exist_ok=True)
        write_whole(path, json.dumps(found).encode(), settled=False)
        return found


def _count_a_speck(settings: CountSettings) -> None:
    """Count a drawn speck on an empty card; only what is loaded on the way matters."""
    import numpy as np

    import sporecount.report.overlay
    import sporecount.report.sheet  # noqa: F401
    from sporecount.chain import count_field
    from sporecount.records import Scale

    card = np.full((160, 200, 3), 225, np.uint8)
    card[76:83, 94:105] = (150, 100, 50)
    count_field(Photo(card, "speck"), Scale(1.0), settings)


def _opened(data: bytes, name: str) -> Photo:
    """Decode a photo; a large one to half its size, where its view is wide enough for that."""
    from sporecount.chain import find_view
    from sporecount.steps.halved import LEAST_VIEW_PX

    photo = decode(data, name, whole=False)
    if photo.halved:
        view = find_view(photo)
        if view.found and view.radius_px < LEAST_VIEW_PX:  # as wide as half of it, across
            return decode(data, name)
    return photo


def _failed(job: PhotoJob | OverviewJob, code: str, fault: SporecountError) -> PhotoDone:
    what = fault.what[:1].upper() + fault.what[1:]
    return PhotoDone(
        job.file.name, "failed", code=code, message=f"{what}. {fault.remedy}." if fault.remedy else f"{what}."
    )


def _place(fault: BaseException) -> str:
    """Tell where a fault of ours arose, for the report of it."""
    import traceback

    last = traceback.extract_tb(fault.__traceback__)[-1]
    return f"at {Path(last.filename).name}:{last.lineno}"


def _bytes_of(file: PhotoFile) -> bytes:
    path = Path(file.path)
    try:
        size = path.stat().st_size
        if size > MAX_BYTES:
            raise PhotoError(
                f"the file has {size / 1e6:.0f} MB, more than {MAX_BYTES / 1e6:.0f}",
                code="too-large",
                where=file.name,
                remedy="Save it as JPEG",
            )
        return path.read_bytes()
    except FileNotFoundError:
        raise PhotoError(
            "the file is not there any more",
            code="missing",
            where=file.name,
            remedy="Copy it into the folder again",
        ) from None
    except OSError as fault:
        raise PhotoError(
            f"the file cannot be read ({fault.strerror})",
            code="unreadable",
            where=file.name,
            remedy="Check its rights",
        ) from None

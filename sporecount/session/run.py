"""A folder of photos, from the files to the results: joining, order, and what is done again."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from contextlib import ExitStack
from dataclasses import asdict
from pathlib import Path

from sporecount import __version__
from sporecount.errors import SessionError
from sporecount.files.kept import (
    FieldPlace,
    FieldsOnDisk,
    KeptFields,
    KeptOverviews,
    KeptPrints,
    key_of,
)
from sporecount.files.pictures import FieldPictures
from sporecount.files.session_table import TABLE_NAME, as_json
from sporecount.files.whole import only_run, sweep
from sporecount.records import FailedPhoto, OwnRecall, PrintTally, Provenance, SessionResult
from sporecount.session.blanks import is_blank, weigh_blanks
from sporecount.session.crew import Crew, WorkerDied
from sporecount.session.folder import KEPT, PhotoFile, natural, printable
from sporecount.session.groups import Seen, assign_samples, number_fields
from sporecount.session.known import known_range, weigh_known
from sporecount.session.outputs import write_report, write_session, write_tables
from sporecount.session.overviews import assign_overviews, entered_areas, overview_notes
from sporecount.session.own_recall import read_own_recall
from sporecount.session.plan import Plan, make_plan
from sporecount.session.program import library_versions, program_id
from sporecount.session.readers import ReadSession
from sporecount.session.scale_check import doubtful_scales, mark_scales, scale_jobs
from sporecount.session.sizes import Sizes
from sporecount.session.worker import Hello, OverviewJob, PhotoDone, PhotoJob, PrintJob, Setup
from sporecount.settings import CountSettings

Progress = Callable[[int, int, PhotoDone], None]
"""Called after each photo with the number done, the number in all, and what became of it."""

_MAKER = "sporecount.session.worker:make_worker"


def count_folder(
    folder: str | Path,
    *,
    out: str | Path | None = None,
    adapter: str | None = None,
    objective: float | None = None,
    um_per_px: float | None = None,
    settings: CountSettings | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
    crew: Crew | None = None,
) -> SessionResult:
    """Count a session: every photo of a folder, every print, and write the results.

    What an earlier run counted is taken over where photo, scale, settings and program are the same.

    Parameters
    ----------
    folder : str or Path
        Never written to, except for `out`.
    out : str or Path, optional
        Folder of the results; `sporecount` inside `folder` if left out.
    adapter : str, optional
        Name of an adapter profile.
    objective : float, optional
        Magnification, where the table says none.
    um_per_px : float, optional
        Scale of all photos; goes before a profile, not before the table.
    settings : CountSettings, optional
    workers : int, optional
        Worker processes; as many as there are processors if left out. 0 works in this process, where a
        photo that brings a decoder down brings the run down.
    progress : callable, optional
        Whatever it raises ends the run; what is counted by then is kept.
    crew : Crew, optional
        Workers that are there already, as `make_crew` makes them for the same place and settings.

    Returns
    -------
    SessionResult
        Its fields are loaded from the results when they are asked for.

    Raises
    ------
    SessionError
        No folder, no photos, no place for the results, or another run at work there.
    CalibrationError
        An adapter profile that is not there.
    """
    settings = settings or CountSettings()
    plan = make_plan(folder, out=out, adapter=adapter, objective=objective, um_per_px=um_per_px)
    kept = _make_place(plan.out)
    with only_run(kept):
        with ExitStack() as stack:
            at_work = crew or stack.enter_context(
                make_crew(plan.out, settings, _workers(workers, len(plan.contents.photos)))
            )
            # each worker is asked, so that they start side by side
            processes = max(1, _workers(workers, len(plan.contents.photos)))
            model, *others = (answer for _, answer in at_work.do([Hello()] * processes))
            if any(isinstance(answer, WorkerDied) for answer in (model, *others)):
                raise SessionError(
                    "a worker process could not load what it counts with",
                    remedy="Run again with --workers 0 to see why",
                )
            done, places, failed = _count_photos(at_work, plan, progress)
            of_print = assign_overviews(plan, done, (place.sample for place in places))
            own_recall, of_spike = read_own_recall(plan.out, model, settings)
            tallies = _tally_prints(at_work, _print_jobs(plan, places, done, of_print, own_recall), failed)
            kept_fields = KeptFields(kept / "fields")
            fields = FieldsOnDisk(kept_fields, places)
            doubtful = _try_scales(at_work, plan, fields, places, settings)
        provenance = Provenance(
            version=__version__,
            model=model,
            settings=asdict(settings),
            libraries=library_versions(),
            photos={name: one.sha256 for name, one in sorted(done.items()) if one.sha256},
            adapter=plan.profiles or None,
        )
        prints, of_blanks = weigh_blanks(
            [tally for _, tally in tallies], _blanks(plan, kept_fields, places), settings
        )
        prints, of_known = weigh_known(prints, _known(plan, places))
        sizes = Sizes(fields, settings)
        prints, of_scales = mark_scales(sizes.mark(prints), fields, doubtful)
        result = SessionResult(
            folder=printable(plan.folder.resolve().name),
            fields=fields,
            prints=prints,
            failed=tuple(failed),
            provenance=provenance,
            notes=(
                *of_blanks,
                *of_known,
                *_next_print(plan, prints),
                *of_scales,
                *sizes.notes(),
                *of_spike,
                *overview_notes(of_print),
                *_notes(plan, done, places),
            ),
            spore_size=sizes.session,
            own_recall=own_recall,
        )
        book = ReadSession(plan.out)
        result = book.tallied(result, fields.preview)
        write_tables(plan.out, result)
        if book.readings:
            book.write(plan.out, result)
        sizes.write(plan.out)
        table = {name: as_json(row) for name, row in plan.rows.items()}
        made_from = write_session(plan.out, result, places, plan.overlays, table)
        pictures = FieldPictures(plan.out, kept)
        keys = {tally.sample: key for key, tally in tallies}
        maps = KeptPrints(kept / "prints")
        write_report(
            plan.out,
            result,
            pictures,
            plan.overlays,
            lambda sample: maps.map_svg(keys[sample]),
            key_of(made_from, program_id(), book.key),
        )
        _tidy(plan, done, places, [key for key, _ in tallies])
    return result


def make_crew(out: Path, settings: CountSettings, workers: int) -> Crew:
    """Make workers that count into a folder of results with these settings."""
    made_by = {"program": program_id(), "libraries": library_versions()}
    return Crew(workers, _MAKER, Setup(str(out), settings, made_by))


def _make_place(out: Path) -> Path:
    kept = out / KEPT
    try:
        kept.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise SessionError(
            f"the results cannot be written there ({fault.strerror})",
            where=printable(str(out)),
            remedy="Give another folder with --out",
        ) from None
    return kept


def _workers(wanted: int | None, photos: int) -> int:
    if wanted == 0:
        return 0
    available = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min(wanted or available, photos))


def _count_photos(
    crew: Crew, plan: Plan, progress: Progress | None
) -> tuple[dict[str, PhotoDone], list[FieldPlace], list[FailedPhoto]]:
    """Count every photo, then draw again where a label gave the photo to another print."""
    files = {photo.name: photo for photo in plan.contents.photos}
    chosen = [photo for photo in files.values() if plan.purposes[photo.name] in ("", "label")]
    places = _places(plan, chosen, {})
    jobs: list[PhotoJob | OverviewJob] = [
        _job(plan, files[name], *places[name]) for name in files if name in places
    ]
    jobs += [_job(plan, photo, "", 0) for photo in chosen if photo.name not in places]
    jobs += [
        OverviewJob(photo, plan.wishes[photo.name])
        for photo in files.values()
        if plan.purposes[photo.name] == "overview"
    ]
    done: dict[str, PhotoDone] = {}
    for job, answer in crew.do(jobs):
        done[job.file.name] = one = answer if isinstance(answer, PhotoDone) else _crashed(job)
        if progress is not None:
            progress(len(done), len(jobs), one)
    settled = _places(plan, chosen, done)
    moved = [
        _job(plan, files[name], *place)
        for name, place in settled.items()
        if place != places.get(name) and done[name].key
    ]
    for job, answer in crew.do(moved):
        done[job.file.name] = answer if isinstance(answer, PhotoDone) else _crashed(job)
    counted = [
        FieldPlace(done[name].key, name, sample, field)
        for name, (sample, field) in settled.items()
        if done[name].state in ("counted", "kept")
    ]
    failed = [
        FailedPhoto(name, settled.get(name, ("", 0))[0], one.code, one.message)
        for name, one in done.items()
        if one.state == "failed"
    ]
    failed += [
        FailedPhoto(
            row.photo, row.sample, "missing",
            f"{TABLE_NAME} names it in line {row.line}, but it is not in the folder.",
        )
        for row in plan.missing
    ]  # fmt: skip
    return done, counted, sorted(failed, key=lambda one: natural(one.photo))


def _places(
    plan: Plan, chosen: Iterable[PhotoFile], done: Mapping[str, PhotoDone]
) -> dict[str, tuple[str, int]]:
    """Give each photo of a field its print and number, by what is known so far."""
    nothing = PhotoDone("", "")
    seen = []
    for photo in chosen:
        one = done.get(photo.name, nothing)
        if one.state == "label" or (plan.purposes[photo.name] == "label" and not done):
            if one.label:
                seen.append(Seen(photo, one.taken_at, one.label))
        elif plan.purposes[photo.name] != "label":
            seen.append(Seen(photo, one.taken_at))
    samples = assign_samples(seen, plan.rows)
    return {name: (sample, field) for name, sample, field in number_fields(samples)}


def _job(plan: Plan, photo: PhotoFile, sample: str, field: int) -> PhotoJob:
    row = plan.rows.get(photo.name)
    label = (
        "only"
        if plan.purposes[photo.name] == "label"
        else "no"
        if row is not None and row.sample
        else "maybe"
    )
    return PhotoJob(photo, sample, field, plan.wishes[photo.name], plan.overlays[photo.name], label)


def _crashed(job: PhotoJob | OverviewJob) -> PhotoDone:
    return PhotoDone(
        job.file.name,
        "failed",
        code="crashed",
        message="Reading it brought a worker process down twice. Save it anew as JPEG, or leave it out.",
    )


def _print_jobs(
    plan: Plan,
    places: Iterable[FieldPlace],
    done: Mapping[str, PhotoDone],
    of_print: Mapping[str, str],
    own_recall: OwnRecall | None,
) -> list[PrintJob]:
    """Put together what belongs to each print; copies of one file count once."""
    members: dict[str, list[FieldPlace]] = {}
    for place in places:
        known = members.setdefault(place.sample, [])
        if all(done[place.photo].sha256 != done[other.photo].sha256 for other in known):
            known.append(place)
    sample_of = {place.photo: sample for sample, fields in members.items() for place in fields}
    entered = entered_areas(plan, {**sample_of, **of_print})
    return [
        PrintJob(
            sample,
            tuple(fields),
            overviews=tuple(
                done[photo].key for photo, name in of_print.items() if name == sample and done[photo].key
            ),
            entered_mm2=entered.get(sample),
            own_recall=own_recall,
        )
        for sample, fields in members.items()
    ]


def _tally_prints(
    crew: Crew, jobs: Iterable[PrintJob], failed: Iterable[FailedPhoto]
) -> list[tuple[str, PrintTally]]:
    """Tally every print; one without a usable photo is named too."""
    tallies: dict[str, tuple[str, PrintTally]] = {}
    for job, answer in crew.do(jobs):
        if isinstance(answer, WorkerDied):
            raise SessionError(
                "the tally brought a worker process down twice",
                where=job.sample,
                remedy="Use fewer --workers",
            )
        tallies[job.sample] = answer
    for one in failed:
        if one.sample and one.sample not in tallies and one.code != "missing":
            tallies[one.sample] = ("", _nothing_usable(one.sample))
    return [tallies[sample] for sample in sorted(tallies, key=natural)]


def _try_scales(
    crew: Crew,
    plan: Plan,
    fields: FieldsOnDisk,
    places: Iterable[FieldPlace],
    settings: CountSettings,
) -> dict[float, float]:
    """Look where hardly a spore was found whether another scale shows some; stated scale to that factor."""
    files = {photo.name: photo for photo in plan.contents.photos}
    jobs = scale_jobs(fields, {place.photo: place.key for place in places}, files, settings)
    answers = dict(crew.do([job for of_scale in jobs.values() for job in of_scale]))
    return doubtful_scales(
        {
            scale: [answers[job] for job in of_scale if not isinstance(answers[job], WorkerDied)]
            for scale, of_scale in jobs.items()
        }
    )


def _blanks(plan: Plan, kept: KeptFields, places: Iterable[FieldPlace]) -> dict[str, FieldsOnDisk]:
    """Fields of the blank prints."""
    members: dict[str, list[FieldPlace]] = {}
    for place in places:
        members.setdefault(place.sample, []).append(place)
    return {
        sample: FieldsOnDisk(kept, of_print)
        for sample, of_print in members.items()
        if is_blank(sample, (place.photo for place in of_print), plan.rows)
    }


def _known(plan: Plan, places: Iterable[FieldPlace]) -> dict[str, tuple[float, float]]:
    """Find the prints of known load."""
    photos: dict[str, list[str]] = {}
    for place in places:
        photos.setdefault(place.sample, []).append(place.photo)
    ranges = {sample: known_range(of_print, plan.rows) for sample, of_print in photos.items()}
    return {sample: known for sample, known in ranges.items() if known is not None}


def _nothing_usable(sample: str) -> PrintTally:
    nan = float("nan")
    return PrintTally(
        sample=sample, photos=0, fields=0, examined_mm2=0.0, spores=0,
        density_per_mm2=nan, density_low=nan, density_high=nan, could_hide_per_mm2=nan,
        load_class=0, load_class_probability=(nan,) * 6, flag="unusable", reasons=("unreadable",),
    )  # fmt: skip


def _next_print(plan: Plan, prints: Iterable[PrintTally]) -> list[str]:
    """Say which print to photograph next, blank ones left out: nobody asks for their load."""
    from sporecount.report.session_words import next_print_words

    blank = {row.sample for photo, row in plan.rows.items() if is_blank(row.sample, (photo,), plan.rows)}
    asked = [one for one in prints if one.sample not in blank and not is_blank(one.sample, (), {})]
    return [words] if (words := next_print_words(asked)) else []


def _notes(plan: Plan, done: Mapping[str, PhotoDone], places: Iterable[FieldPlace]) -> list[str]:
    """Say what a keeper may wonder about, one sentence each."""
    notes = []
    rulings = [name for name, what in plan.purposes.items() if what == "ruling"]
    if rulings:
        notes.append(f"Not counted, by name or note a ruling: {', '.join(rulings)}.")
    for name, one in sorted(done.items(), key=lambda item: natural(item[0])):
        if one.state == "label":
            said = (
                f"is the label of {one.label}" if one.label else "should be a label, but none could be read"
            )
            notes.append(f"{name} {said}.")
    first: dict[tuple[str, str], str] = {}
    for place in places:
        other = first.setdefault((place.sample, done[place.photo].sha256), place.photo)
        if other != place.photo:
            notes.append(f"{place.photo} is the same file as {other} and counts once.")
    others = [name for name in plan.contents.ignored if name != TABLE_NAME]
    if others:
        some = ", ".join(others[:5]) + (f" and {len(others) - 5} more" if len(others) > 5 else "")
        notes.append(f"Left alone, no photos: {some}.")
    return notes


def _tidy(
    plan: Plan, done: Mapping[str, PhotoDone], places: Iterable[FieldPlace], print_keys: Iterable[str]
) -> None:
    """Let go of what belongs to photos that are gone, and of what interrupted runs left half written."""
    kept = plan.out / KEPT
    places = list(places)
    KeptFields(kept / "fields").prune(place.key for place in places)
    KeptPrints(kept / "prints").prune(print_keys)
    KeptOverviews(kept / "overviews").prune(one.key for one in done.values() if one.state == "overview")
    FieldPictures(plan.out, kept).prune(plan.overlays[place.photo] for place in places)
    keys = {place.key for place in places}
    for path in (kept / "scales").glob("*.json"):
        if path.stem not in keys:
            path.unlink(missing_ok=True)
    for folder in (plan.out, kept / "fields", kept / "prints", kept / "overviews", kept / "scales"):
        sweep(folder)

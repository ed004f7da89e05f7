"""From the photos of a plan to their kept fields: which print each shows, who counts it, what failed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from sporecount.files.kept import FieldPlace
from sporecount.files.session_table import TABLE_NAME
from sporecount.records import FailedPhoto
from sporecount.session.crew import Crew
from sporecount.session.folder import PhotoFile, natural
from sporecount.session.groups import Seen, assign_samples, number_fields
from sporecount.session.plan import Plan
from sporecount.session.worker import OverviewJob, PhotoDone, PhotoJob

Progress = Callable[[int, int, PhotoDone], None]
"""Called after each photo with the number done, the number in all, and what became of it."""


def count_photos(
    crew: Crew, plan: Plan, progress: Progress | None
) -> tuple[dict[str, PhotoDone], list[FieldPlace], list[FailedPhoto]]:
    """Count every photo, then draw again where a label gave the photo to another print."""
    files = plan.files
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

"""Counting some photos at other objectives' scales, where hardly a spore shows; see `scale_check`."""

from __future__ import annotations

from collections.abc import Iterable

from sporecount.files.kept import FieldPlace, FieldsOnDisk
from sporecount.session.crew import Crew, WorkerDied
from sporecount.session.plan import Plan
from sporecount.session.scale_check import doubtful_scales, scale_jobs
from sporecount.settings import CountSettings


def try_scales(
    crew: Crew,
    plan: Plan,
    fields: FieldsOnDisk,
    places: Iterable[FieldPlace],
    settings: CountSettings,
) -> dict[float, float]:
    """Look where hardly a spore was found whether another scale shows some; scale to that factor."""
    files = {photo.name: photo for photo in plan.contents.photos}
    jobs = scale_jobs(fields, {place.photo: place.key for place in places}, files, settings)
    answers = dict(crew.do([job for of_scale in jobs.values() for job in of_scale]))
    return doubtful_scales(
        {
            scale: [answers[job] for job in of_scale if not isinstance(answers[job], WorkerDied)]
            for scale, of_scale in jobs.items()
        }
    )

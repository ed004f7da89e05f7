"""From the kept fields to the tallies of their prints, those known to be clean first."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace

from sporecount.errors import SessionError
from sporecount.files.kept import FieldPlace
from sporecount.records import FailedPhoto, FalseRate, OwnRecall, PrintTally
from sporecount.session.crew import Crew, WorkerDied
from sporecount.session.folder import natural
from sporecount.session.known import false_rate_of
from sporecount.session.overviews import entered_areas
from sporecount.session.plan import Plan
from sporecount.session.worker import PhotoDone, PrintJob
from sporecount.steps.print_tally import false_rate_for


def print_jobs(
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


def tally_prints(
    crew: Crew, jobs: Iterable[PrintJob], failed: Iterable[FailedPhoto], clean: Collection[str]
) -> tuple[list[tuple[str, PrintTally]], FalseRate | None]:
    """Tally every print; one without a usable photo is named too.

    Those known to be clean go first, for what they show of false spores is taken off the others.

    Parameters
    ----------
    crew : Crew
    jobs : iterable of PrintJob
    failed : iterable of FailedPhoto
    clean : collection of str
        Prints known to hold no spore.

    Returns
    -------
    tallies : list of (str, PrintTally)
        Key of the kept tally, and the tally; in order of names.
    false_rate : FalseRate or None
        None without a clean print.
    """
    tallies: dict[str, tuple[str, PrintTally]] = {}

    def tally(some: list[PrintJob]) -> None:
        for job, answer in crew.do(some):
            if isinstance(answer, WorkerDied):
                raise SessionError(
                    "the tally brought a worker process down twice",
                    where=job.sample,
                    remedy="Use fewer --workers",
                )
            tallies[job.sample] = answer

    jobs = list(jobs)
    tally([job for job in jobs if job.sample in clean])
    rate = false_rate_of([one for _, one in tallies.values()])
    tally(
        [replace(job, false_rate=false_rate_for(rate, job.sample)) for job in jobs if job.sample not in clean]
    )
    for one in failed:
        key, known = tallies.get(one.sample, ("", None))
        if key and known:
            tallies[one.sample] = (key, known.with_reasons("photos-left-out"))
        elif one.sample and one.code != "missing":  # a season's table may name prints of other folders
            tallies[one.sample] = ("", _nothing_usable(one.sample))
    return [tallies[sample] for sample in sorted(tallies, key=natural)], rate


def _nothing_usable(sample: str) -> PrintTally:
    nan = float("nan")
    return PrintTally(
        sample=sample, photos=0, fields=0, examined_mm2=0.0, spores=0,
        density_per_mm2=nan, density_low=nan, density_high=nan, could_hide_per_mm2=nan,
        load_class=0, load_class_probability=(nan,) * 6, flag="unusable", reasons=("unreadable",),
    )  # fmt: skip

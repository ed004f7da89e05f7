"""A folder of photos, from the files to the results: the order of a count; see the package for who does what."""

from __future__ import annotations

import os
from contextlib import ExitStack
from dataclasses import asdict
from pathlib import Path
from threading import Thread

from sporecount import __version__
from sporecount.errors import SessionError
from sporecount.files.kept import FieldsOnDisk, KeptFields, KeptPrints, key_of
from sporecount.files.pictures import FieldPictures
from sporecount.files.session_table import as_json
from sporecount.files.whole import only_run
from sporecount.records import SIMULATED_CAMERA, Provenance, SessionResult
from sporecount.session.blanks import blank_fields, weigh_blanks
from sporecount.session.crew import Crew, WorkerDied
from sporecount.session.folder import KEPT, natural, printable
from sporecount.session.known import clean_prints, known_prints, weigh_known
from sporecount.session.notes import mark_camera_named, mark_filed_twice, next_print, photo_notes
from sporecount.session.outputs import write_report, write_session, write_tables
from sporecount.session.overviews import assign_overviews, overview_notes
from sporecount.session.own_recall import read_own_recall
from sporecount.session.photo_run import Progress, count_photos
from sporecount.session.plan import make_plan
from sporecount.session.print_run import print_jobs, tally_prints
from sporecount.session.program import library_versions, program_id
from sporecount.session.readers import ReadSession
from sporecount.session.scale_check import mark_scales
from sporecount.session.scale_run import try_scales
from sporecount.session.sizes import Sizes
from sporecount.session.strays import find_strays, with_strays
from sporecount.session.tidy import tidy
from sporecount.session.worker import Hello, Setup
from sporecount.settings import CountSettings

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
            if workers != 0:
                Thread(target=_get_report_ready).start()  # no daemon: libraries in C++ must not be cut off
            done, all_places, failed = count_photos(at_work, plan, progress)
            kept_fields = KeptFields(kept / "fields")
            strays = find_strays(plan, all_places, failed, kept_fields)
            places = [place for place in all_places if place.sample not in strays]
            of_print = assign_overviews(plan, done, (place.sample for place in places))
            own_recall, of_spike = read_own_recall(plan.out, model, settings)
            known = known_prints(plan.rows, places)
            jobs = print_jobs(plan, places, done, of_print, own_recall)
            of_prints = [one for one in failed if one.sample not in strays]
            tallies, false_rate = tally_prints(at_work, jobs, of_prints, clean_prints(known))
            fields = FieldsOnDisk(kept_fields, places)
            doubtful = try_scales(at_work, plan, fields, places, settings)
        provenance = Provenance(
            version=__version__,
            model=model,
            settings=asdict(settings),
            libraries=library_versions(),
            photos={name: one.sha256 for name, one in sorted(done.items()) if one.sha256},
            adapter=plan.profiles or None,
        )
        prints, of_blanks = weigh_blanks(
            [tally for _, tally in tallies],
            blank_fields(plan.rows, kept_fields, places),
            settings,
            false_rate,
        )
        prints, of_known = weigh_known(prints, known, false_rate)
        prints = mark_filed_twice(prints, done, places)
        prints, of_names = mark_camera_named(plan, prints, done, places)
        sizes = Sizes(fields, settings)
        prints, of_scales = mark_scales(sizes.mark(prints), fields, doubtful)
        comes_next = next_print(plan.rows, prints)
        machine = SessionResult(
            folder=printable(plan.folder.resolve().name),
            fields=fields,
            prints=prints,
            failed=tuple(sorted(with_strays(failed, all_places, strays), key=lambda one: natural(one.photo))),
            provenance=provenance,
            notes=(
                *plan.passed_over,
                *of_blanks,
                *of_known,
                *([comes_next] if comes_next else ()),
                *of_scales,
                *sizes.notes(),
                *of_spike,
                *overview_notes(of_print),
                *of_names,
                *photo_notes(plan, done, places),
            ),
            spore_size=sizes.session,
            own_recall=own_recall,
            false_rate=false_rate,
            next_print=comes_next,
            simulated=sum(one.camera == SIMULATED_CAMERA for one in fields),
        )
        book = ReadSession(plan.out)
        result = book.tallied(machine, fields.preview, plan.rows)
        write_tables(plan.out, result)
        if book.readings:
            book.write(plan.out, result)
        sizes.write(plan.out)
        table = {name: as_json(row) for name, row in plan.rows.items()}
        made_from = write_session(plan.out, machine, places, plan.overlays, table)
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
        tidy(plan, done, all_places, [key for key, _ in tallies])
    return result


def make_crew(out: Path, settings: CountSettings, workers: int) -> Crew:
    """Make workers that count into a folder of results with these settings."""
    made_by = {"program": program_id(), "libraries": library_versions()}
    return Crew(workers, _MAKER, Setup(str(out), settings, made_by))


def _get_report_ready() -> None:
    from sporecount.report.charts import get_ready
    from sporecount.report.document import session_html  # noqa: F401

    get_ready()


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

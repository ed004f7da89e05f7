"""A spike-in: how many spores, placed into a session's own photos, the count finds."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from sporecount.errors import SessionError
from sporecount.files.tables import write_csv
from sporecount.files.whole import only_run, write_whole, written_whole
from sporecount.records import OwnRecall, SessionResult
from sporecount.session.crew import Crew, WorkerDied
from sporecount.session.folder import KEPT, look_into, printable
from sporecount.session.opened import open_session
from sporecount.session.outputs import SESSION_FILE
from sporecount.session.own_recall import SPIKE_FILE, SPIKE_FORM, decisive
from sporecount.session.spike_donors import donor_of, lone_spores
from sporecount.session.spike_job import KeptPhoto, PlacedSpore, SpikeDone, SpikeJob, SpikeSetup
from sporecount.settings import CountSettings
from sporecount.stats.control import recovery
from sporecount.steps.print_tally import UNFIT_FOR_SPIKING

_MAKER = "sporecount.session.spike_job:make_spiker"

_PER_COPY = 5
"""Spores in one copy of a photo: as few as on a light print, for many spores would help to tell one another."""

SPIKE_COLUMNS: dict[str, str] = {
    "photo": "", "sample": "", "cut_from": "", "cut_sample": "", "turn": "d", "x_px": ".1f", "y_px": ".1f",
    "length_um": ".2f", "width_um": ".2f", "angle_deg": ".1f", "blur_um": ".2f", "background": "", "focus": "",
    "found": "", "probability": ".4f",
}  # fmt: skip
"""Columns of `spike.csv`, one row for each placed spore."""


@dataclass(frozen=True)
class Recovered:
    """Spores placed, counted and found under one condition.

    Parameters
    ----------
    background : str
        "card", "scales", "glue", or "" for all that was examined.
    focus : str
        "sharp", "blurred", or "" for both.
    counted, found, placed : int
        Found are those that are counted, and those that stand among the doubtful objects.
    share, low, high : float
        Of the found ones, with Clopper and Pearson's 95 % interval; nan where none was placed.
    """

    background: str
    focus: str
    counted: int
    found: int
    placed: int
    share: float
    low: float
    high: float


@dataclass(frozen=True)
class SpikeResult:
    """What a spike-in found.

    Parameters
    ----------
    rows : tuple of Recovered
        By background and focus; last all that was examined together.
    photos : int
        Photos that spores were placed into.
    own_recall : OwnRecall or None
        What the next count of the session uses; None where the spores had to be drawn.
    notes : tuple of str
    """

    rows: tuple[Recovered, ...]
    photos: int
    own_recall: OwnRecall | None
    notes: tuple[str, ...]


def spike_session(
    folder: str | Path,
    *,
    out: str | Path | None = None,
    spores: int = 150,
    seed: int = 1,
    workers: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> SpikeResult:
    """Place spores into copies of a counted session's photos, count those, and keep what was found.

    They are copies of the photo's own likely spores; where it shows too few, of those of its print, or of the
    session. Where this, too, shows too few, spores are drawn.

    Writes `spike.csv`, `spike.jpg` and `spike.json` to the results; the next count of the session uses the last.
    The photos themselves are only read.

    Parameters
    ----------
    folder : str or Path
        Of the photos.
    out : str or Path, optional
        Of the results; `sporecount` inside `folder` if left out.
    spores : int
        About how many are placed, at least 1.
    seed : int
        The same seed gives the same places.
    workers : int
        Processes; 0 works in this one.
    progress : callable, optional
        Called with the copies counted and their number.

    Raises
    ------
    SessionError
        No results there, or no usable photo with room for a spore.
    """
    folder = Path(folder)
    out = Path(out) if out is not None else folder / "sporecount"
    result, _ = open_session(out)
    settings = CountSettings(**result.provenance.settings)
    jobs = _jobs(folder, out, result, settings, spores, seed)
    if not jobs:
        raise SessionError(
            "no photo of this session is usable for a spike-in",
            where=printable(str(folder)),
            remedy="Count photos first that lie in this folder, are sharp and are not on dark card",
        )
    setup = SpikeSetup(str(out), settings, seed)
    with only_run(out / KEPT):
        done: dict[SpikeJob, SpikeDone] = {}
        with Crew(min(workers, len(jobs)), _MAKER, setup) as crew:
            for job, answer in crew.do(jobs):
                died = isinstance(answer, WorkerDied)
                done[job] = (
                    SpikeDone(fault=f"{job.photo.file.name}: it brought a worker process down")
                    if died
                    else answer
                )
                if progress is not None:
                    progress(len(done), len(jobs))
        answers = [done[job] for job in jobs]
        placed = [one for answer in answers for one in answer.placed]
        found = _judged(placed, tuple(dict.fromkeys(one.fault for one in answers if one.fault)))
        if not found.rows[-1].placed:
            raise SessionError(
                "no spore could be placed where the count looks",
                where=printable(str(folder)),
                remedy="; ".join(found.notes) or "Photograph places with some empty card",
            )
        _write(out, found, placed, answers, result.provenance.model, settings, seed)
    return found


def _jobs(
    folder: Path, out: Path, result: SessionResult, settings: CountSettings, spores: int, seed: int
) -> list[SpikeJob]:
    """Spread the spores over the usable photos, in as many copies of each as it takes."""
    files = {one.name: one for one in look_into(folder, out).photos}
    keys = {one["photo"]: one["key"] for one in json.loads((out / SESSION_FILE).read_bytes())["fields"]}
    usable: dict[str, KeptPhoto] = {}
    expected: dict[str, float] = {}
    known = set()
    for field in result.fields:
        tally = field.tally
        fit = tally.flag != "unusable" and not UNFIT_FOR_SPIKING.intersection(tally.reasons)
        if fit and field.photo in files and field.sha256 not in known:
            known.add(field.sha256)
            usable[field.photo] = KeptPhoto(files[field.photo], keys[field.photo], field.sample)
            expected[field.photo] = lone_spores(field, settings).expected
    sample_of = {name: one.sample for name, one in usable.items()}
    rng = np.random.default_rng(seed)
    jobs: list[SpikeJob] = []
    left, turn = spores, 0
    while usable and left > 0:
        share = min(_PER_COPY, -(-left // len(usable)))
        for name, photo in usable.items():
            if left > 0:
                number = min(share, left)
                donor = usable.get(donor_of(name, sample_of, expected, rng))
                jobs.append(SpikeJob(photo, donor, turn, number))
                left -= number
        turn += 1
    return jobs


def _judged(placed: Sequence[PlacedSpore], notes: tuple[str, ...]) -> SpikeResult:
    from sporecount.steps.backgrounds import BACKGROUNDS

    rows = [
        _recovered(
            [one for one in placed if one.background == background and one.sharp is sharp], background, focus
        )
        for background in BACKGROUNDS
        for focus, sharp in (("sharp", True), ("blurred", False))
    ]
    examined = [one for one in placed if one.background != "glue"]
    rows.append(_recovered(examined, "", ""))
    return SpikeResult(tuple(rows), len({one.photo for one in placed}), _own_recall(examined), notes)


def _own_recall(examined: Sequence[PlacedSpore]) -> OwnRecall | None:
    """Count what tells of the session's own spores: copies. How drawn ones fare says little of those."""

    def found_of(chosen: Iterable[PlacedSpore]) -> tuple[int, int]:
        found = [one.found for one in chosen]
        return sum(found), len(found)

    copies = [one for one in examined if one.cut_from]
    own = [one for one in copies if one.cut_sample == one.sample]
    strange = found_of(one for one in copies if one.cut_sample != one.sample)
    sharp, blurred = (found_of(one for one in own if one.sharp is focus) for focus in (True, False))
    return OwnRecall(*sharp, *blurred, *strange) if copies else None


def _recovered(placed: Sequence[PlacedSpore], background: str, focus: str) -> Recovered:
    found = sum(one.found for one in placed)
    nan = float("nan")
    share = recovery(found, len(placed)).share if placed else (nan, nan, nan)
    counted = sum(one.counted for one in placed)
    return Recovered(background, focus, counted, found, len(placed), *share)


def _write(
    out: Path,
    found: SpikeResult,
    placed: Sequence[PlacedSpore],
    answers: Iterable[SpikeDone],
    model: str,
    settings: CountSettings,
    seed: int,
) -> None:
    from sporecount.report import spike_sheet, unpack_crops

    with written_whole(out / "spike.csv") as file:
        write_csv(file, SPIKE_COLUMNS, (_row(one) for one in placed))
    packed = [unpack_crops(answer.crops) for answer in answers if answer.crops]
    examined = found.rows[-1]
    write_whole(
        out / "spike.jpg", spike_sheet(np.concatenate(packed), placed, (examined.found, examined.placed))
    )
    said = {
        "form": SPIKE_FORM,
        "simulated": True,
        "model": model,
        "settings": decisive(settings),
        "seed": seed,
        "photos": found.photos,
        "own_recall": None if found.own_recall is None else asdict(found.own_recall),
        "rows": [{**asdict(row), **_known(row)} for row in found.rows],
    }
    write_whole(out / SPIKE_FILE, json.dumps(said, indent=1, sort_keys=True).encode() + b"\n")


def _known(row: Recovered) -> dict[str, Any]:
    return {} if row.placed else {"share": None, "low": None, "high": None}


def _row(one: PlacedSpore) -> dict[str, Any]:
    return {
        **asdict(one),
        "focus": "sharp" if one.sharp else "blurred",
        "found": "yes" if one.counted else "in doubt" if one.found else "no",
    }

"""A spike-in: how many simulated spores, placed into a session's own photos, the count finds."""

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
from sporecount.session.spike_job import PlacedSpore, SpikeDone, SpikeJob, SpikeSetup
from sporecount.settings import CountSettings
from sporecount.simulate.spike import SpikeSpore
from sporecount.stats.control import recovery
from sporecount.steps.print_tally import UNFIT_FOR_SPIKING

_MAKER = "sporecount.session.spike_job:make_spiker"

_PER_COPY = 5
"""Spores in one copy of a photo: as few as on a light print, for many spores would help to tell one another."""

_FEWEST = 8
"""Sure spores from which on the session's own tell what the simulated ones look like."""

_MEAN_OF_BODY = 0.75
"""Mean density within the outline over that through the middle, after a little blur."""

SPIKE_COLUMNS: dict[str, str] = {
    "photo": "", "sample": "", "turn": "d", "x_px": ".1f", "y_px": ".1f", "length_um": ".2f",
    "width_um": ".2f", "angle_deg": ".1f", "blur_um": ".2f", "background": "", "focus": "", "found": "",
    "probability": ".4f",
}  # fmt: skip
"""Columns of `spike.csv`, one row for each placed spore."""


@dataclass(frozen=True)
class Recovered:
    """Spores placed and found under one condition.

    Parameters
    ----------
    background : str
        "card", "scales", "glue", or "" for all that was examined.
    focus : str
        "sharp", "blurred", or "" for both.
    found, placed : int
    share, low, high : float
        With Clopper and Pearson's 95 % interval; nan where none was placed.
    """

    background: str
    focus: str
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
    own_recall : OwnRecall
        What the next count of the session uses.
    notes : tuple of str
    """

    rows: tuple[Recovered, ...]
    photos: int
    own_recall: OwnRecall
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
    """Place simulated spores into copies of a counted session's photos, count those, and keep what was found.

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
    jobs = _jobs(folder, out, result, spores)
    if not jobs:
        raise SessionError(
            "no photo of this session is usable for a spike-in",
            where=printable(str(folder)),
            remedy="Count photos first that lie in this folder, are sharp and are not on dark card",
        )
    setup = SpikeSetup(str(out), settings, own_look(result, settings), seed)
    with only_run(out / KEPT):
        done: dict[SpikeJob, SpikeDone] = {}
        with Crew(min(workers, len(jobs)), _MAKER, setup) as crew:
            for job, answer in crew.do(jobs):
                died = isinstance(answer, WorkerDied)
                done[job] = SpikeDone(fault="it brought a worker process down") if died else answer
                if progress is not None:
                    progress(len(done), len(jobs))
        answers = [done[job] for job in jobs]
        placed = [one for answer in answers for one in answer.placed]
        found = _judged(placed, _faults(jobs, answers))
        if not found.own_recall.placed:
            raise SessionError(
                "no spore could be placed where the count looks",
                where=printable(str(folder)),
                remedy="; ".join(found.notes) or "Photograph places with some empty card",
            )
        _write(out, found, placed, answers, result.provenance.model, settings, seed)
    return found


def _jobs(folder: Path, out: Path, result: SessionResult, spores: int) -> list[SpikeJob]:
    """Spread the spores over the usable photos, in as many copies of each as it takes."""
    files = {one.name: one for one in look_into(folder, out).photos}
    keys = {one["photo"]: one["key"] for one in json.loads((out / SESSION_FILE).read_bytes())["fields"]}
    usable, known = [], set()
    for field in result.fields:
        tally = field.tally
        fit = tally.flag != "unusable" and not UNFIT_FOR_SPIKING.intersection(tally.reasons)
        if fit and field.photo in files and field.sha256 not in known:
            known.add(field.sha256)
            usable.append((field.photo, field.sample))
    jobs: list[SpikeJob] = []
    left, turn = spores, 0
    while usable and left > 0:
        share = min(_PER_COPY, -(-left // len(usable)))
        for photo, sample in usable:
            if left > 0:
                number = min(share, left)
                jobs.append(SpikeJob(files[photo], keys[photo], sample, turn, number))
                left -= number
        turn += 1
    return jobs


def own_look(result: SessionResult, settings: CountSettings) -> SpikeSpore:
    """Make the simulated spores like the session's own sure ones; like most spores, where there are few."""
    sure: list[np.ndarray] = []
    for field in result.fields:
        if UNFIT_FOR_SPIKING.intersection(field.tally.reasons):
            continue
        objects = field.objects
        good = field.counted & (field.kinds.spore > settings.doubt_high) & (objects.clump == 1)
        good &= objects.optical_density > 0.03
        columns = (objects.length_um, objects.width_um, objects.optical_density, objects.amber)
        sure.append(np.stack([np.asarray(column[good], float) for column in columns], axis=1))
    every = np.concatenate(sure) if sure else np.zeros((0, 4))
    every = every[np.isfinite(every).all(axis=1)]
    if len(every) < _FEWEST:
        middle = float(np.sqrt(settings.spore_length_min_um * settings.spore_length_max_um))
        return SpikeSpore(length_um=middle, length_cv=0.1, density_cv=0.25)
    length, width, density, amber = np.median(every, axis=0)
    green = float(np.clip(density / _MEAN_OF_BODY, 0.12, 1.2))
    half = float(np.sqrt(np.clip(amber, 1.05, 6.0)))  # blue over red; green lies between them
    return SpikeSpore(
        length_um=float(length),
        ratio=float(np.clip(length / width, 1.1, 2.5)),
        length_cv=float(np.clip(_relative_spread(every[:, 0]), 0.04, 0.15)),
        density_cv=float(np.clip(_relative_spread(every[:, 2]), 0.12, 0.5)),
        amber=(green / half, green, green * half),
    )


def _relative_spread(values: np.ndarray) -> float:
    middle = np.median(values)
    return float(1.4826 * np.median(np.abs(values - middle)) / middle)


def _faults(jobs: Sequence[SpikeJob], answers: Sequence[SpikeDone]) -> tuple[str, ...]:
    said = {job.file.name: answer.fault for job, answer in zip(jobs, answers, strict=True) if answer.fault}
    return tuple(f"{photo}: {fault}" for photo, fault in said.items())


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
    sharp_ones = [one for one in examined if one.sharp]
    sharp_found, found = sum(one.found for one in sharp_ones), sum(one.found for one in examined)
    own = OwnRecall(sharp_found, len(sharp_ones), found - sharp_found, len(examined) - len(sharp_ones))
    return SpikeResult(tuple(rows), len({one.photo for one in placed}), own, notes)


def _recovered(placed: Sequence[PlacedSpore], background: str, focus: str) -> Recovered:
    found = sum(one.found for one in placed)
    nan = float("nan")
    share = recovery(found, len(placed)).share if placed else (nan, nan, nan)
    return Recovered(background, focus, found, len(placed), *share)


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
        "own_recall": asdict(found.own_recall),
        "rows": [{**asdict(row), **_known(row)} for row in found.rows],
    }
    write_whole(out / SPIKE_FILE, json.dumps(said, indent=1, sort_keys=True).encode() + b"\n")


def _known(row: Recovered) -> dict[str, Any]:
    return {} if row.placed else {"share": None, "low": None, "high": None}


def _row(one: PlacedSpore) -> dict[str, Any]:
    return {
        **asdict(one),
        "focus": "sharp" if one.sharp else "blurred",
        "found": "yes" if one.found else "no",
    }

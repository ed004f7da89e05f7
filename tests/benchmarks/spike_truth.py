"""How far the share that `sporecount spike` finds lies from the share of a session's own spores that is found.

    PYTHONPATH=. OMP_NUM_THREADS=1 python -m tests.benchmarks.spike_truth [--recipes MODULE,MODULE]
        [--sets NAME,NAME] [--photos N] [--spores N] [--seed N] [--workers N] [--cache DIR]

Each recipe and set gives a session of several prints, a photo each, as different from one another as the recipe
draws them, and as many sessions of one photo; those of them that show no spore to copy stand by themselves
("drawn"). Each is counted and spiked as by the commands. The truth is the share of countable spores, on the photos
that the spike-in used, that is found: counted, or at least among the doubtful objects, as the expected recall of a
field means it. Beside it stand what the spike-in says, the recall that the law gives the fields, and the one that
the next count uses (means over the countable spores). The last table tells the mean difference from the truth, its
spread, what of that is more than the chance of few spores, and how many truths lie within two standard
uncertainties. Simulated photos all.
"""

from __future__ import annotations

import argparse
import csv
import itertools
import multiprocessing
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import cv2
import numpy as np

from sporecount.errors import SessionError
from sporecount.records import FieldResult
from sporecount.session import count_folder
from sporecount.session.spiking import spike_session
from sporecount.settings import CountSettings
from sporecount.simulate.truth import SimulatedPhoto
from sporecount.stats.control import recovery
from sporecount.steps.classify.training.recall import found_of
from sporecount.steps.print_tally import UNFIT_FOR_SPIKING, with_own_recall
from tests.benchmarks.scorecard_draws import draw_or_load, recipe_stamp

RECIPES = tuple(
    f"tests.recipes.{name}"
    for name in ("drifter", "nomad", "pilgrim", "ranger", "rover", "rambler", "roamer", "voyager")
)
"""Those that constants may be set on; `wanderer` and `trekker` are for measuring only."""

_ABOUT = 0.05
"""About what a share strays by beside chance: sessions are weighted by the inverse of both together."""

HELD = ("spike", "law", "used")
"""What is held to be the recall: the share of the spike-in, the law, and what the next count makes of both."""


@dataclass(frozen=True)
class Session:
    """Photos `first` to `first + photos - 1` of a recipe's set, each of a print of its own."""

    recipe: str
    name: str
    first: int
    photos: int


@dataclass(frozen=True)
class Compared:
    """A session's truth, and what is held to be the truth.

    Parameters
    ----------
    counted, found, there : int
        Countable spores that are counted, that are found at all, and all of them, on the photos spiked.
    copies : bool
        Whether the spores placed were copies of the session's own, not drawn ones.
    recall, recall_u : dict of str to float
        For each of `HELD`; the uncertainty of the spike-in is that of chance alone.
    """

    counted: int
    found: int
    there: int
    copies: bool
    recall: dict[str, float]
    recall_u: dict[str, float]

    @property
    def truth(self) -> float:
        """Share of the countable spores that is found."""
        return self.found / self.there

    @property
    def truth_var(self) -> float:
        """Variance of that share by chance: of few spores it tells little."""
        share = (self.found + 0.5) / (self.there + 1)
        return share * (1 - share) / self.there


def fit_fields(fields: Iterable[FieldResult]) -> list[FieldResult]:
    """Fields into whose photos spores are placed."""
    return [
        one
        for one in fields
        if one.tally.flag != "unusable" and not UNFIT_FOR_SPIKING.intersection(one.tally.reasons)
    ]


def write_session(folder: Path, drawn: Mapping[str, SimulatedPhoto]) -> None:
    """Write photos and the table that tells their true scales."""
    for name, one in drawn.items():
        cv2.imwrite(str(folder / name), cv2.cvtColor(one.rgb, cv2.COLOR_RGB2BGR))
    with (folder / "session.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(("photo", "objective", "um_per_px"))
        table.writerows((name, one.objective, one.um_per_px) for name, one in drawn.items())


def compare_drawn(drawn: Mapping[str, SimulatedPhoto], spores: int) -> Compared | None:
    """Count and spike a session of these photos, by file name; None where it tells nothing."""
    with tempfile.TemporaryDirectory() as folder:
        write_session(Path(folder), drawn)
        fields = fit_fields(count_folder(folder, workers=0).fields)
        try:
            spiked = spike_session(folder, spores=spores, workers=0)
        except SessionError:
            return None
    settings = CountSettings()
    counted, found = (
        sum(found_of(drawn[one.photo], one, least)[0] for one in fields)
        for least in (settings.count_from, settings.doubt_low)
    )
    there = np.array([sum(spore.countable for spore in drawn[one.photo].spores) for one in fields])
    if not there.sum():
        return None
    tallies = {
        "law": [one.tally for one in fields],
        "used": [one.tally for one in with_own_recall(fields, spiked.own_recall)],
    }
    every = spiked.rows[-1]
    return Compared(
        counted=counted,
        found=found,
        there=int(there.sum()),
        copies=spiked.own_recall is not None,
        recall={"spike": every.found / every.placed}
        | {
            name: float(np.average([one.recall for one in of], weights=there)) for name, of in tallies.items()
        },
        recall_u={"spike": recovery(every.found, every.placed).recall_u}
        | {
            name: float(np.average([one.recall_u for one in of], weights=there))
            for name, of in tallies.items()
        },
    )


def compare(session: Session, *, spores: int, seed: int, cache: Path) -> Compared | None:
    """Draw a session's photos, or load them, and compare."""
    cv2.setNumThreads(1)
    stamp = recipe_stamp(session.recipe)
    drawn = {
        f"P{k:02d}_1.png": draw_or_load(cache, stamp, session.recipe, session.name, seed, k)
        for k in range(session.first, session.first + session.photos)
    }
    return compare_drawn(drawn, spores * session.photos)


def line_of(compared: Sequence[Compared], session: Session, level: str) -> str:
    """Give what several sessions say together."""
    there = np.array([one.there for one in compared], float)
    held = [float(np.average([one.recall[which] for one in compared], weights=there)) for which in HELD]
    worst = max(abs(one.recall["spike"] - one.truth) for one in compared)
    shares = (sum(getattr(one, name) for one in compared) / there.sum() for name in ("counted", "found"))
    return (
        f"{session.recipe.rsplit('.', 1)[-1]:<10}{session.name:<12}{level:<8}{len(there):>3}{there.sum():>8.0f}"
        + "".join(f"{share:>9.3f}" for share in (*shares, *held, worst))
    )


def spread_lines(compared: Sequence[Compared], level: str) -> Iterator[str]:
    """Say how far each of `HELD` lies from the truth, over sessions weighted by what chance leaves of them."""
    for which in HELD if compared else ():
        away = np.array([one.recall[which] - one.truth for one in compared])
        said = np.array([one.recall_u[which] ** 2 for one in compared])
        chance = np.array([one.truth_var for one in compared])
        by_chance = chance + (said if which == "spike" else 0.0)
        weight = 1 / (by_chance + _ABOUT**2)
        spread = np.average(away**2, weights=weight)
        beyond = np.sqrt(max(spread - np.average(by_chance, weights=weight), 0.0))
        within = (np.abs(away) <= 2 * np.sqrt(chance + said)).mean()
        yield (
            f"{level:<8}{which:<7}{len(away):>4}{np.average(away, weights=weight):>+9.3f}{np.sqrt(spread):>9.3f}"
            f"{beyond:>9.3f}{within:>9.2f}"
        )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--recipes", default=",".join(RECIPES), help="modules with draw_photo")
    parser.add_argument("--sets", default="good_focus,ordinary")
    parser.add_argument("--photos", type=int, default=6, help="of a session")
    parser.add_argument("--spores", type=int, default=25, help="placed a photo")
    parser.add_argument("--seed", type=int, default=1203)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--cache", type=Path, help="folder where drawn photos are kept")
    wish = parser.parse_args()
    print(f"simulated photos, seed {wish.seed}, {wish.spores} spores placed a photo\n")
    print(
        f"{'recipe':<10}{'set':<12}{'level':<8}{'n':>3}{'spores':>8}{'counted':>9}{'found':>9}"
        + "".join(f"{which:>9}" for which in HELD)
        + f"{'worst':>9}"
    )
    every: dict[str, list[Compared]] = {"prints": [], "photos": [], "drawn": []}
    with (
        tempfile.TemporaryDirectory() as spare,
        ProcessPoolExecutor(wish.workers, mp_context=multiprocessing.get_context("spawn")) as pool,
    ):
        work = partial(compare, spores=wish.spores, seed=wish.seed, cache=wish.cache or Path(spare))
        for recipe, name in itertools.product(wish.recipes.split(","), wish.sets.split(",")):
            whole = Session(recipe, name, 0, wish.photos)
            of_one = [Session(recipe, name, k, 1) for k in range(wish.photos)]
            together, *alone = (one for one in pool.map(work, [whole, *of_one]))
            got = {
                "prints": [together] if together else [],
                "photos": [one for one in alone if one and one.copies],
                "drawn": [one for one in alone if one and not one.copies],
            }
            for level, some in got.items():
                every[level] += some
                if some:
                    print(line_of(some, whole, level), flush=True)
    print(f"\n{'level':<8}{'held':<7}{'n':>4}{'mean':>9}{'spread':>9}{'beyond':>9}{'within':>9}")
    for level, some in every.items():
        print(*spread_lines(some, level), sep="\n")


if __name__ == "__main__":
    main()

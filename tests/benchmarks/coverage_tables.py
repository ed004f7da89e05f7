"""Do the stated intervals, limits, classes and stops hold on drawn prints? No pictures: numbers only.

    python -m tests.benchmarks.coverage_tables [--repeats 400] [--seed 7]

Prints tables: coverage of the density's interval, with the even (Poisson) one beside it; the detection limit on
ten thousand drawn prints; the load classes by what they say and what is; verdicts of the stop rule that are wrong.
"""

from __future__ import annotations

import argparse

import numpy as np

from sporecount.stats.calibration_error import expected_calibration_error
from sporecount.stats.density import density
from sporecount.stats.detection_limit import hidden_load
from sporecount.stats.evidence import Evidence
from sporecount.stats.load import CLASS_FROM, load_of_print
from sporecount.stats.planning import standing
from tests.stats.test_density import simulated_print
from tests.stats.test_detection_limit import FIELDS, PRINT, found_on_drawn_prints
from tests.stats.test_load import PRINT as UNSURE_PRINT
from tests.stats.test_load import drawn_loads, fields, found_in_fields

CLUMPING = (np.inf, 5.0, 2.0, 1.0, 0.5)


def coverage_of_density(rng: np.random.Generator, repeats: int) -> None:
    print(
        f"density: share of 95 % intervals that hold the truth, {repeats} prints a cell (even scatter assumed)"
    )
    print("  fields x spores per mm2   " + "".join(f"k={k:<14g}" for k in CLUMPING))
    for count, per_mm2 in ((3, 1.5), (3, 15.0), (6, 5.0), (12, 0.3), (12, 15.0)):
        cells = []
        for k in CLUMPING:
            got = [density(simulated_print(rng, per_mm2, k, count)) for _ in range(repeats)]
            inside = np.mean([one.low <= per_mm2 <= one.high for one in got])
            even = np.mean([one.even_low <= per_mm2 <= one.even_high for one in got])
            cells.append(f"{inside:.3f} ({even:.2f})   ")
        print(f"  {count:2d} x {per_mm2:<20g}" + "".join(cells))


def detection_limit(rng: np.random.Generator) -> None:
    print(
        "\nnothing found in 6 fields of 2 mm2, print 60 mm2: limit, and share of 10,000 drawn prints missed"
    )
    for k in CLUMPING:
        load = hidden_load(
            Evidence(FIELDS.counts, FIELDS.areas_mm2, FIELDS.recall, FIELDS.recall_u, k=k), PRINT
        )
        missed = np.mean(found_on_drawn_prints(rng, int(load), k) == 0)
        print(f"  k = {k:<5g} limit {load:5.0f} spores   missed {100 * missed:.2f} in 100 (5 wanted)")


def classes(rng: np.random.Generator, prints: int) -> None:
    cls, loads = drawn_loads(rng, prints)
    k = 1 / np.maximum(rng.rayleigh(0.6, prints), 0.02) ** 2
    got = [
        load_of_print(fields(found_in_fields(rng, n, one)), UNSURE_PRINT)
        for n, one in zip(loads, k, strict=True)
    ]
    said = np.array([one.class_probability for one in got])
    true = np.eye(6)[cls]
    inside = np.mean([one.low <= load <= one.high for one, load in zip(got, loads, strict=True)])
    least = np.mean([one.class_at_least <= c for one, c in zip(got, cls, strict=True)])
    print(f"\nload of a print from 5 fields, {prints} prints with classes 0 to 5 equally common")
    print("  said in 100   is in 100   (number)")
    for low in np.arange(0, 1, 0.1):
        here = (said >= low) & (said < low + 0.1 + (low > 0.85))
        if here.any():
            print(f"  {100 * said[here].mean():9.0f} {100 * true[here].mean():11.0f}   ({here.sum()})")
    print(f"  calibration error {expected_calibration_error(said.ravel(), true.ravel()):.3f}")
    print(f"  95 % interval of the load holds it: {inside:.3f}; class at least is right: {least:.3f}")


def stops(rng: np.random.Generator, prints: int) -> None:
    """Photograph field after field until the stop rule speaks, 12 at most."""
    print(f"\nstop rule, is the load heavy? risk 0.05, {prints} prints, at most 12 fields of 2 mm2")
    _, loads = drawn_loads(rng, prints)
    k = 1 / np.maximum(rng.rayleigh(0.6, prints), 0.02) ** 2
    used, decided, wrong = [], 0, 0
    for load, one in zip(loads, k, strict=True):
        counts = found_in_fields(rng, load, one, count=12)
        for number in range(1, 13):
            verdict = standing(fields(counts[:number]), UNSURE_PRINT, 4).verdict
            if verdict != "open":
                decided += 1
                wrong += (verdict == "at least") != (load >= CLASS_FROM[4])
                used.append(number)
                break
    print(f"  decided {decided} of {prints}, wrong {wrong} ({100 * wrong / max(decided, 1):.1f} in 100)")
    print(f"  fields used: median {np.median(used):.0f}, nine in ten up to {np.quantile(used, 0.9):.0f}")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeats", type=int, default=400)
    parser.add_argument("--seed", type=int, default=7)
    asked = parser.parse_args()
    rng = np.random.default_rng(asked.seed)
    coverage_of_density(rng, asked.repeats)
    detection_limit(rng)
    classes(rng, asked.repeats)
    stops(rng, asked.repeats)


if __name__ == "__main__":
    main()

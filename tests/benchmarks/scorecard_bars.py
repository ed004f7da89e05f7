"""The bars of a scorecard, and its tables as text."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from tests.recipes.scoring import (
    PhotoScore,
    count_is_heavy,
    false_kinds,
    recall_by_condition,
    summarise,
    summary_by_condition,
)

Scores = dict[str, list[PhotoScore]]
"""Scores of one detector, by set."""

COUNTABLE_SETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy")
"""Sets at magnifications where single spores are counted."""
ORDINARY_SETS = ("good_focus", "ordinary")


@dataclass(frozen=True)
class Bar:
    """One bar: its words, how to measure it, its limit, and whether more is better."""

    words: str
    sets: tuple[str, ...]
    measure: Callable[[list[PhotoScore]], float]
    limit: float
    more: bool
    for_rivals: bool = True

    def met(self, value: float) -> bool:
        return bool(value >= self.limit if self.more else value <= self.limit)


def _of(key: str) -> Callable[[list[PhotoScore]], float]:
    return lambda scores: summarise(scores)[key]


def _off_and_flagged(scores: list[PhotoScore]) -> float:
    off = [s for s in scores if not s.inside]
    return sum(s.flag != "clear" for s in off) / len(off) if off else 1.0


def _reported_infected(scores: list[PhotoScore]) -> float:
    # A rival has no interval: any count is its report.
    return float(np.mean([s.low >= 1 and s.flag != "unusable" for s in scores]))


def _heavy_right(scores: list[PhotoScore]) -> float:
    told = [(said, true) for said, true in _heavy_told(scores) if said is not None]
    return float(np.mean([said == true for said, true in told])) if told else float("nan")


def _heavy_told(scores: list[PhotoScore]) -> list[tuple[bool | None, bool]]:
    return [count_is_heavy(s) for s in scores if s.flag != "unusable"]


def _share_told(scores: list[PhotoScore]) -> float:
    said = [one for one, _ in _heavy_told(scores)]
    return float(np.mean([one is not None for one in said])) if said else float("nan")


def _total_off(scores: list[PhotoScore]) -> float:
    return abs(summarise(scores)["total_error"])


BARS = (
    Bar("good focus 10x: F1", ("good_focus",), _of("f1"), 0.98, True),
    Bar("mixed: F1", ("ordinary",), _of("f1"), 0.95, True),
    Bar("mixed: mean relative count error", ("ordinary",), _of("count_error"), 0.06, False),
    Bar("hard: F1", ("hard",), _of("f1"), 0.88, True),
    Bar("hard: flagged where off interval", ("hard",), _off_and_flagged, 1.0, True, False),
    Bar("no spores: false per mm2", ("no_spores",), _of("false_per_mm2"), 0.2, False),
    Bar("no spores: prints reported infected", ("no_spores",), _reported_infected, 0.01, False),
    Bar("heavy: total count error", ("heavy",), _total_off, 0.05, False),
    Bar("heavy: F1 (no bar; for the picture)", ("heavy",), _of("f1"), 0.0, True),
    Bar("4x scan: heavy or not, right where told", ("scan_4x",), _heavy_right, 0.95, True),
    Bar("4x scan: told (no bar; else it says open)", ("scan_4x",), _share_told, 0.0, True),
    Bar("clear fields: truth in the interval", COUNTABLE_SETS, _of("clear_inside"), 0.93, True, False),
    Bar("ordinary fields that are clear", ORDINARY_SETS, _of("clear"), 0.70, True, False),
    Bar("calibration error", COUNTABLE_SETS, _of("calibration_error"), 0.05, False, False),
)


def measure_bars(ours: Scores | None, rivals: dict[str, Scores]) -> list[dict[str, object]]:
    """Measure all bars whose sets were drawn; one row each, with the values of all detectors."""
    rows: list[dict[str, object]] = []
    drawn = set(ours or next(iter(rivals.values())))
    for bar in BARS:
        if not drawn & set(bar.sets):
            continue

        def value(scores: Scores, bar: Bar = bar) -> float:
            return bar.measure([s for name in bar.sets for s in scores.get(name, [])])

        own = value(ours) if ours else float("nan")
        rows.append(
            {
                "bar": bar.words,
                "limit": bar.limit,
                "more": bar.more,
                "photos": sum(len((ours or next(iter(rivals.values()))).get(name, [])) for name in bar.sets),
                "ours": own,
                "met": bar.met(own) if ours else None,
                "rivals": {
                    name: value(scores) if bar.for_rivals else float("nan") for name, scores in rivals.items()
                },
            }
        )
    return rows


def _number(value: object) -> str:
    return "-" if value is None or not np.isfinite(float(value)) else f"{float(value):.3f}"  # type: ignore[arg-type]


def bars_text(rows: list[dict[str, object]]) -> str:
    """Give the table of bars as text."""
    rivals = list(rows[0]["rivals"]) if rows else []  # type: ignore[call-overload]
    lines = [
        f"{'bar':<38}{'wanted':>9}{'ours':>8}  {'met':<5}"
        + "".join(f"{name:>12}" for name in rivals)
        + f"{'photos':>8}"
    ]
    for row in rows:
        wanted = ("≥ " if row["more"] else "≤ ") + f"{row['limit']:g}"
        met = "-" if row["met"] is None else "yes" if row["met"] else "NO"
        theirs = "".join(f"{_number(v):>12}" for v in row["rivals"].values())  # type: ignore[attr-defined]
        lines.append(
            f"{row['bar']:<38}{wanted:>9}{_number(row['ours']):>8}  {met:<5}{theirs}{row['photos']:>8}"
        )
    return "\n".join(lines)


COLUMNS = (
    ("photos", "photos"),
    ("spores", "spores"),
    ("precision", "prec"),
    ("recall", "recall"),
    ("f1", "F1"),
    ("count_error", "err"),
    ("total_error", "total"),
    ("false_per_mm2", "false/mm2"),
    ("clear", "clear"),
    ("clear_inside", "clear in"),
    ("inside", "in"),
    ("calibration_error", "ECE"),
)


def summary_text(title: str, groups: dict[str, dict[str, float]]) -> str:
    """Give summaries as a table, a row a group."""
    lines = [f"{title:<28}" + "".join(f"{short:>10}" for _, short in COLUMNS)]
    for name, got in groups.items():
        cells = "".join(
            f"{int(got[key]):>10}" if key in ("photos", "spores") else f"{_number(got[key]):>10}"
            for key, _ in COLUMNS
        )
        lines.append(f"{name:<28}" + cells)
    return "\n".join(lines)


def conditions_text(title: str, scores: Scores) -> str:
    """Give recall by the spores' conditions, scores by the photos' conditions, and what false ones lie on."""
    countable = [s for name in COUNTABLE_SETS for s in scores.get(name, [])]
    if not countable:
        return ""
    lines = [
        summary_text(f"{title}, by photo", summary_by_condition(countable)),
        "",
        f"{title}, recall by spore",
    ]
    lines += [
        f"  {name:<24}{number:>8}{_number(share):>8}"
        for name, (number, share) in recall_by_condition(countable).items()
    ]
    kinds = ", ".join(f"{kind} {number}" for kind, number in false_kinds(countable).items())
    return "\n".join([*lines, f"{title}, false detections lie on: {kinds or 'nothing'}"])


def worst(scores: Scores, number: int = 10) -> list[tuple[str, int, PhotoScore]]:
    """Give the photos with the most misses and false detections for their spores: (set, index, score)."""

    def badness(score: PhotoScore) -> float:
        return (score.misses + score.false) / np.sqrt(score.true_count + 4)

    every: Sequence[tuple[str, int, PhotoScore]] = [
        (name, index, score) for name, group in scores.items() for index, score in enumerate(group)
    ]
    return sorted(every, key=lambda one: -badness(one[2]))[:number]

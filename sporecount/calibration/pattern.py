"""Is it a ruling, and which? Told from the lines' ends, lengths, evenness and wholeness.

A grating, a fabric or the ridges of a wing scale repeat as well. A ruling's lines are whole, as even as
engraving, and end on a common line, or each 5th and 10th is longer, or two sets of thin lines cross.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sporecount.calibration.trace import Track

SEEN = 0.4
"""Height, in units of the strip's typical line, from which a line counts as seen in a band."""

_SLANT = 0.12
"""Steepest slant of the line through the ends against the lines' normal (7 degrees): ticks stand square on
their ruling, up to what a tilted phone does; ridges end where the scale is torn."""


@dataclass(frozen=True)
class Marks:
    """What the lines of one direction look like.

    Parameters
    ----------
    first, last : int
        Indices of the first and last line of the unbroken run.
    wholeness : float
        Share of the strip's bands in which a line of the run is seen, mean.
    reach : ndarray of shape (n, 2)
        First and last row of each line's unbroken stretch through the strip, in periods from the strip's
        middle; nan for lines not seen.
    cut : tuple of bool
        Whether the photo ends before the lines do, at the top and at the bottom.
    end_scatter : float
        Scatter of the plain lines' ends, in periods; the better of the two sides. Infinite where they do not
        lie square to the lines.
    every : int
        Longer lines stand at each so-manieth line: 5, 10, 2 ...; 0 where none are longer, -1 where the longer
        ones follow no rule.
    longer_at : int
        Number of one of the longest lines.
    line_share : float
        Width of a line at half height over the period.
    squareness : float
        Share of the period on which the profile is near one of its two extremes: 0.6 for a sine, 1 for a square
        wave.
    """

    first: int
    last: int
    wholeness: float
    reach: np.ndarray
    cut: tuple[bool, bool]
    end_scatter: float
    every: int
    longer_at: int
    line_share: float
    squareness: float

    @property
    def divisions(self) -> int:
        """Divisions between the first and the last line."""
        return self.last - self.first


def read_marks(track: Track, profile: np.ndarray) -> Marks:
    """Describe the lines of a track; `profile` is their mean profile over a period."""
    seen = np.nan_to_num(track.height, nan=0.0) > SEEN
    open_band = np.isfinite(track.height)
    in_strip = _inner_bands(track)
    share = seen[:, in_strip].sum(axis=1) / np.maximum(open_band[:, in_strip].sum(axis=1), 1)
    enough = open_band[:, in_strip].sum(axis=1) >= max(2, 0.15 * in_strip.sum())
    first, last = _run((share > 0.5) & enough)
    reach = _reach(track, seen)
    part = slice(first, last + 1)
    heights = reach[part]
    length = heights[:, 1] - heights[:, 0]
    plain = length <= np.nanmedian(length) * 1.15 + 0.3 if np.isfinite(length).any() else np.zeros(0, bool)
    scatter = []
    for side in (0, 1):
        ends = heights[plain, side]
        ends = ends[np.isfinite(ends)]
        if len(ends) >= 4:
            x = np.flatnonzero(plain & np.isfinite(heights[:, side]))
            slant = float(np.polyfit(x, ends, 1)[0])
            bent = ends - np.polyval(np.polyfit(x, ends, 2 if len(ends) > 24 else 1), x)
            spread = 1.4826 * float(np.median(np.abs(bent - np.median(bent))))
            scatter.append(spread if abs(slant) < _SLANT else float("inf"))
    cut = _cut(track, seen, open_band, reach, part)
    every, longer_at = _rule_of_lengths(heights, first, cut)
    return Marks(
        first,
        last,
        float(share[part].mean()),
        reach,
        cut,
        min(scatter) if scatter else float("inf"),
        every,
        longer_at,
        _line_share(profile),
        _squareness(profile),
    )


def _inner_bands(track: Track) -> np.ndarray:
    """Bands of the strip, without those at its rim, which the strip reaches beyond the lines' ends."""
    rim = 0.4 * track.patch.period
    inner = (track.rows >= track.strip[0] + rim) & (track.rows <= track.strip[1] - rim)
    if inner.sum() >= 3:
        return inner
    return (track.rows >= track.strip[0]) & (track.rows <= track.strip[1])


def _run(present: np.ndarray) -> tuple[int, int]:
    """Longest run of lines, up to three missing ones in it (dust)."""
    best, start, last = (0, 0), -1, -10
    for i in np.flatnonzero(present):
        if i - last > 4:
            start = int(i)
        last = int(i)
        if last - start > best[1] - best[0] or best == (0, 0):
            best = (start, last)
    return best


def _reach(track: Track, seen: np.ndarray) -> np.ndarray:
    """Follow every line from the strip's middle up and down over gaps of one band."""
    middle = (track.strip[0] + track.strip[1]) / 2
    start = int(np.abs(track.rows - middle).argmin())
    k = track.patch.period
    step = track.rows[1] - track.rows[0] if len(track.rows) > 1 else k
    out = np.full((len(seen), 2), np.nan)
    for line in range(len(seen)):
        near = [i for i in range(max(0, start - 2), min(len(track.rows), start + 3)) if seen[line, i]]
        if not near:
            continue
        ends = []
        for turn in (-1, 1):
            i = near[0] if turn < 0 else near[-1]
            last = i
            while 0 <= i < len(track.rows):
                if seen[line, i]:
                    last = i
                elif abs(i - last) > 2:
                    break
                i += turn
            ends.append((track.rows[last] + turn * step / 2 - middle) / k)
        out[line] = ends
    return out


def _cut(
    track: Track, seen: np.ndarray, open_band: np.ndarray, reach: np.ndarray, part: slice
) -> tuple[bool, bool]:
    """Tell for top and bottom whether hardly any line shows its end, with empty ground beyond."""
    k = track.patch.period
    middle = (track.strip[0] + track.strip[1]) / 2
    step = track.rows[1] - track.rows[0] if len(track.rows) > 1 else float(k)
    out = []
    for side, turn in ((0, -1.0), (1, 1.0)):
        shown = []
        for line in range(part.start, part.stop):
            if np.isfinite(reach[line, side]):
                beyond = turn * (track.rows - (middle + reach[line, side] * k))
                near = (beyond > 0) & (beyond < 2.2 * step)
                shown.append(bool((near & open_band[line] & ~seen[line]).any()))
        out.append(sum(shown) < max(3.0, 0.3 * len(shown)))
    return out[0], out[1]


def _rule_of_lengths(reach: np.ndarray, first: int, cut: tuple[bool, bool]) -> tuple[int, int]:
    """Find at which multiple the longer lines stand, from the sides on which lines end within the photo."""
    known = np.isfinite(reach).all(axis=1)
    if known.sum() < 6:
        return 0, 0
    number = np.arange(len(reach))
    excess = np.zeros(len(reach))
    for side, turn in ((0, -1.0), (1, 1.0)):
        if cut[side]:
            continue
        end = turn * reach[:, side]
        base = np.array(
            [
                np.nanpercentile(end[max(0, i - 10) : i + 11], 35)
                if known[max(0, i - 10) : i + 11].any()
                else np.nan
                for i in number
            ]
        )
        excess = np.fmax(excess, np.nan_to_num(end - base))
    length = float(np.nanmedian(reach[:, 1] - reach[:, 0]))
    longer = known & (excess > max(0.9, 0.12 * length))
    if longer.sum() < 2:
        return 0, 0
    best, best_score, best_at = -1, 0.0, 0
    for every in (5, 10, 2, 4, 3, 6, 7, 8, 9):
        for at in range(every):
            here = known & (number % every == at)
            if here.sum() < 2:
                continue
            hit = float((here & longer).sum())
            score = 2 * hit / (here.sum() + longer.sum())
            if score > best_score + 0.02:
                best, best_score, best_at = every, score, at
    if best_score < 0.75 or (best not in (2, 5, 10) and longer.sum() < 4):
        return -1, 0
    here = number[known & (number % best == best_at)]
    return best, int(here[np.argmax(excess[here])]) + first


def _line_share(profile: np.ndarray) -> float:
    level = profile - np.percentile(profile, 25)
    return float((level > 0.5 * level.max()).mean())


def _squareness(profile: np.ndarray) -> float:
    low, high = np.percentile(profile, [2, 98])
    level = (profile - low) / max(float(high - low), 1e-9)
    return float(((level < 0.2) | (level > 0.8)).mean())

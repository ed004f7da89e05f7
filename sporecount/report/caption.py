"""The strip below a field's picture: what it is, the count, the flag with its reasons, and the legend."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from sporecount.reasons import REASONS, gravest_first
from sporecount.records import CLUTTER_KINDS, FieldResult
from sporecount.report.drawing import (
    DOUBT,
    INK,
    PAPER,
    SURE,
    cased_lines,
    dot_tile,
    ellipse_arcs,
    hatch_tile,
    mark,
    paint_tile,
)
from sporecount.report.lettering import put_text, shorten, text_width, wrap
from sporecount.report.phrases import area, count_phrase, plural
from sporecount.report.sorts import Sorts

_GREY = (176, 186, 190)
_SAMPLE_GROUND = (108, 120, 124)
"""Behind the samples of the legend: neither as dark as a scale nor as bright as card."""


def add_caption(
    picture: np.ndarray, field: FieldResult, sorts: Sorts, left_out: list[int], blurred: bool
) -> np.ndarray:
    """Add the caption below a picture.

    Parameters
    ----------
    picture : ndarray of shape (H, W, 3), uint8
    field : FieldResult
    sorts : Sorts
        The objects as drawn.
    left_out : list of int
        Indices into `CLUTTER_KINDS` of what is hatched.
    blurred : bool
        Whether a part is dotted.

    Returns
    -------
    ndarray of shape (H + h, W, 3), uint8
    """
    width = picture.shape[1]
    size = max(13, round(width / 1800 * 27))
    pad = size
    inner = width - 2 * pad
    tally = field.tally
    strip = np.full((size * (16 + 3 * len(tally.reasons) + len(left_out)), width, 3), INK, np.uint8)

    flag = f" {tally.flag} "
    flag_width = text_width(flag, size, bold=True) + 2 * size
    title = shorten(
        f"{field.sample or 'print without a name'} · field {field.field}",
        size + 4,
        inner - flag_width,
        bold=True,
    )
    y = pad // 2 + 4
    put_text(strip, title, pad, y, size + 4, PAPER, bold=True)
    _flag_badge(strip, tally.flag, flag, width - pad - flag_width, y, size)
    y += round(1.6 * size)

    found = (
        "No count"
        if tally.flag == "unusable"
        else count_phrase(tally.spores, tally.spores_low, tally.spores_high)
    )
    for line in wrap(
        f"{found} in {area(tally.examined_mm2)} examined, {_percent(tally.in_focus)} of it in focus; "
        f"about {plural(tally.scales, 'butterfly scale')} in view.",
        size,
        inner,
        2,
    ):
        put_text(strip, line, pad, y, size, PAPER)
        y += round(1.35 * size)
    for code in gravest_first(tally.reasons):
        words = REASONS[code].words if code in REASONS else code
        for line in wrap(f"– {words}", size - 2, inner, 2):
            put_text(strip, line, pad, y, size - 2, PAPER)
            y += round(1.25 * size)
    y += size // 3
    y = _legend(strip, _legend_items(sorts, left_out, blurred, field.view.found, size), pad, y, inner, size)
    source = f"{field.photo} · {field.scale.um_per_px:.4g} µm per pixel of the photo ({field.scale.source})"
    put_text(strip, shorten(source, size - 5, inner), pad, y, max(11, size - 5), _GREY)
    y += round(1.5 * size)
    return np.concatenate([picture, strip[:y]])


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if np.isfinite(share) else "an unknown share"


def _flag_badge(strip: np.ndarray, flag: str, words: str, x: int, y: int, size: int) -> None:
    """Draw a disc for clear, a triangle for recheck or a crossed square for unusable, and the word."""
    cx, cy, half = x + size // 2, y + round(0.72 * size), round(0.42 * size)
    if flag == "clear":
        cv2.circle(strip, (cx, cy), half, PAPER, -1, cv2.LINE_AA)
    elif flag == "recheck":
        corners = np.array([[cx - half, cy + half], [cx + half, cy + half], [cx, cy - half]], np.int32)
        cv2.fillPoly(strip, [corners], PAPER, cv2.LINE_AA)
    else:
        cv2.rectangle(strip, (cx - half, cy - half), (cx + half, cy + half), PAPER, 2)
        cv2.line(strip, (cx - half, cy - half), (cx + half, cy + half), PAPER, 2, cv2.LINE_AA)
        cv2.line(strip, (cx - half, cy + half), (cx + half, cy - half), PAPER, 2, cv2.LINE_AA)
    put_text(strip, words, x + size, y, size, PAPER, bold=True)


_Painter = Callable[[np.ndarray], None]


def _legend_items(
    sorts: Sorts, left_out: list[int], blurred: bool, view_found: bool, size: int
) -> list[tuple[_Painter, str]]:
    centre, axes = np.array([[1.1 * size, 0.7 * size]]), np.array([[0.75 * size, 0.48 * size]])

    def solid(box: np.ndarray) -> None:
        cased_lines(box, ellipse_arcs(centre, axes, np.zeros(1)), SURE, width=2, closed=True)

    def broken(filled: bool) -> _Painter:
        def draw(box: np.ndarray) -> None:
            cased_lines(box, ellipse_arcs(centre, axes, np.zeros(1), arcs=5, gap=0.42), DOUBT, width=2)
            mark(box, 1.85 * size, 0.3 * size, max(5, size // 3), DOUBT, filled)

        return draw

    def tiled(tile: tuple[np.ndarray, np.ndarray]) -> _Painter:
        return lambda box: paint_tile(box, np.full(box.shape[:2], 255, np.uint8), tile)

    def circle(box: np.ndarray) -> None:
        wide = np.array([[2.6 * size, 2.6 * size]])
        cased_lines(
            box,
            ellipse_arcs(np.array([[1.1 * size, 2.9 * size]]), wide, np.zeros(1), points=90),
            PAPER,
            closed=True,
        )

    items: list[tuple[_Painter, str]] = [(solid, f"spore, sure ({len(sorts.sure)})")]
    if len(sorts.doubtful_counted):
        items.append((broken(True), f"doubtful, counted ({len(sorts.doubtful_counted)})"))
    if len(sorts.doubtful_open):
        items.append((broken(False), f"doubtful, not counted ({len(sorts.doubtful_open)})"))
    items += [(tiled(hatch_tile(index, 12)), f"left out: {CLUTTER_KINDS[index]}") for index in left_out]
    if blurred:
        items.append((tiled(dot_tile(8)), "too blurred to tell"))
    if view_found:
        items.append((circle, "edge of the view"))
    return items


def _legend(
    strip: np.ndarray, items: list[tuple[_Painter, str]], left: int, y: int, inner: int, size: int
) -> int:
    """Lay the legend out in as many rows as it needs; give the y below it."""
    box_width, box_height, text = round(2.3 * size), round(1.4 * size), size - 3
    x = left
    for paint, words in items:
        needed = box_width + size // 2 + text_width(words, text) + size
        if x > left and x + needed > left + inner:
            x, y = left, y + box_height + size // 3
        box = strip[y : y + box_height, x : x + box_width]
        box[:] = _SAMPLE_GROUND
        paint(box)
        put_text(
            strip,
            shorten(words, text, inner - box_width - size),
            x + box_width + size // 2,
            y + size // 8,
            text,
            PAPER,
        )
        x += needed
    return y + box_height + size // 2

"""The picture of a spike-in: the placed spores close up, those that were missed first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import cv2
import numpy as np
import simplejpeg

from sporecount.report.drawing import DOUBT, INK, PAPER, SURE, mark
from sporecount.report.lettering import put_text, shorten
from sporecount.report.sheet import point_at, scale_bar
from sporecount.stats.intervals import clopper_pearson

_TILE_PX, _GAP, _COLUMNS = 140, 12, 8
_TEXT, _LINE = 13, 17
_MOST = 64
_MOST_MISSED = 40


class Placed(Protocol):
    """What the picture tells of a placed spore; see `session.spike_job.PlacedSpore`."""

    @property
    def found(self) -> bool: ...  # noqa: D102
    @property
    def counted(self) -> bool: ...  # noqa: D102
    @property
    def cut_from(self) -> str: ...  # noqa: D102
    @property
    def probability(self) -> float: ...  # noqa: D102
    @property
    def background(self) -> str: ...  # noqa: D102
    @property
    def blur_um(self) -> float: ...  # noqa: D102
    @property
    def photo(self) -> str: ...  # noqa: D102


def spike_sheet(
    crops: np.ndarray, placed: Sequence[Placed], examined: tuple[int, int], window_um: float = 40.0
) -> bytes:
    """Draw placed spores at equal scale.

    Parameters
    ----------
    crops : ndarray of shape (n, s, s, 3), uint8
        Cut out of the photos into which the spores were placed.
    placed : sequence
        The spores, as many.
    examined : (found, placed)
        Of those in the examined parts.
    window_um : float
        Width of a cut-out.

    Returns
    -------
    bytes
        A JPEG. Missed ones first, then doubtful ones; of the others an even selection, so that all
        conditions show.
    """
    missed = [row for row, one in enumerate(placed) if not one.found]
    doubted = [row for row, one in enumerate(placed) if one.found and not one.counted]
    counted = [row for row, one in enumerate(placed) if one.counted]
    shown = _evenly([*missed, *doubted], _MOST_MISSED)
    shown += _evenly(counted, _MOST - len(shown))
    width = _COLUMNS * (_TILE_PX + _GAP) + _GAP
    parts = [_head(width, examined, len(missed), len(placed), window_um)]
    for start in range(0, len(shown), _COLUMNS):
        band = np.full((_TILE_PX + 2 * _LINE + _GAP + 8, width, 3), INK, np.uint8)
        for place, row in enumerate(shown[start : start + _COLUMNS]):
            _tile(band, _GAP + place * (_TILE_PX + _GAP), crops[row], placed[row], window_um)
        parts.append(band)
    return simplejpeg.encode_jpeg(np.concatenate(parts), quality=90, colorspace="RGB", colorsubsampling="444")


def _evenly(rows: Sequence[int], most: int) -> list[int]:
    if len(rows) <= most:
        return list(rows)
    return [rows[k] for k in np.linspace(0, len(rows) - 1, most).round().astype(int)]


def _head(width: int, examined: tuple[int, int], missed: int, placed: int, window_um: float) -> np.ndarray:
    head = np.full((112, width, 3), INK, np.uint8)
    share = clopper_pearson(*examined)
    lines = (
        f"{examined[0]} of {examined[1]} found where the count looks: {100 * share.value:.0f} % "
        f"(95 % interval {100 * share.low:.0f} to {100 * share.high:.0f} %). With those in glue: "
        f"{placed - missed} of {placed}.",
        f"Simulated spores in the session's own photos. Each window is {window_um:g} µm wide. "
        "Square: filled if found.",
        "p: probability of a spore, of what was seen there. Copy: of a likely spore of the session. Last: blur.",
    )
    put_text(head, "Spike-in", _GAP, 8, 24, PAPER, bold=True)
    for place, line in enumerate(lines):
        put_text(head, shorten(line, 15, width - 2 * _GAP), _GAP, 42 + 21 * place, 15, PAPER)
    return head


def _tile(band: np.ndarray, x: int, crop: np.ndarray, one: Placed, window_um: float) -> None:
    tile = cv2.resize(crop, (_TILE_PX, _TILE_PX), interpolation=cv2.INTER_CUBIC)
    point_at(tile, 8.0 / window_um)
    scale_bar(tile, window_um)
    band[4 : 4 + _TILE_PX, x : x + _TILE_PX] = tile
    colour = SURE if one.counted else DOUBT
    mark(band, x + 6, _TILE_PX + 14, 9, colour, filled=one.found)
    p = f"p {one.probability:.2f}" if np.isfinite(one.probability) else "unseen"
    said = "counted" if one.counted else "in doubt" if one.found else "missed"
    put_text(band, f"{said}, {p}", x + 16, _TILE_PX + 6, _TEXT, colour)
    look = "copy" if one.cut_from else "drawn"
    words = f"{look}, {one.background}, {one.blur_um:.1f} µm"
    put_text(band, shorten(words, _TEXT, _TILE_PX), x, _TILE_PX + 6 + _LINE, _TEXT, PAPER)

"""The contact sheet: doubtful objects close up, at equal scale in µm, beside some sure spores."""

from __future__ import annotations

import cv2
import numpy as np
import simplejpeg

from sporecount.records import FieldResult
from sporecount.report.drawing import DOUBT, INK, PAPER, SURE, mark, nice_length
from sporecount.report.lettering import put_text, shorten, text_width, wrap
from sporecount.report.sorts import objects_to_show, sort_objects
from sporecount.report.why import why_words
from sporecount.settings import CountSettings

_TILE_PX, _GAP, _COLUMNS = 180, 14, 6
_TEXT, _LINE = 14, 18
_WORDS_LINES = 3
_CAPTION_PX = (2 + _WORDS_LINES) * _LINE + 14


def object_crops(
    photo_rgb: np.ndarray,
    field: FieldResult,
    window_um: float = 40.0,
    size_px: int = 96,
    settings: CountSettings | None = None,
) -> np.ndarray:
    """Cut out the doubtful objects of a field and some sure ones, at equal scale.

    Parameters
    ----------
    photo_rgb : ndarray of shape (H, W, 3), uint8
        The upright photo.
    field : FieldResult
    window_um : float
        Width of a cut-out.
    size_px : int
        Width of a cut-out in pixels.
    settings : CountSettings, optional

    Returns
    -------
    ndarray of shape (n, size_px, size_px, 3), uint8
        The rows of `objects_to_show(field)`, doubtful ones first. Beyond the photo its edge is repeated.
    """
    rows = np.concatenate(objects_to_show(field, settings))
    window_px = window_um / field.scale.um_per_px
    x, y = field.objects.x_px, field.objects.y_px
    crops = [cut_out(photo_rgb, float(x[row]), float(y[row]), window_px, size_px) for row in rows]
    return np.stack(crops) if crops else np.empty((0, size_px, size_px, 3), np.uint8)


def cut_out(photo_rgb: np.ndarray, x_px: float, y_px: float, window_px: float, size_px: int) -> np.ndarray:
    """Cut a square window out of a photo and bring it to `size_px`; beyond the photo its edge is repeated.

    Returns
    -------
    ndarray of shape (size_px, size_px, 3), uint8
        Black where the window lies wholly outside.
    """
    step = window_px / size_px  # photo pixels per pixel of the cut-out
    half = (size_px - 1) / 2 * step
    # warpAffine reads single pixels, so a window that is much reduced is averaged beforehand.
    reduce = max(1, int(step))
    left, top = int(x_px - half) - 2 * reduce, int(y_px - half) - 2 * reduce
    reach = int(2 * half) + 5 * reduce
    part = photo_rgb[max(0, top) : max(0, top + reach), max(0, left) : max(0, left + reach)]
    if not part.size:
        return np.zeros((size_px, size_px, 3), np.uint8)
    if reduce > 1:
        part = cv2.blur(part, (reduce, reduce))
    move = np.array([[step, 0, x_px - half - max(0, left)], [0, step, y_px - half - max(0, top)]])
    return np.asarray(
        cv2.warpAffine(
            np.ascontiguousarray(part),
            move,
            (size_px, size_px),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )


def doubtful_sheet(
    crops: np.ndarray, field: FieldResult, window_um: float = 40.0, settings: CountSettings | None = None
) -> bytes:
    """Draw the contact sheet of a field's doubtful objects.

    Parameters
    ----------
    crops : ndarray of shape (n, s, s, 3), uint8
        As from `object_crops` with the same field, window and settings.
    field : FieldResult
    window_um : float
        Width of a cut-out.
    settings : CountSettings, optional

    Returns
    -------
    bytes
        A JPEG. Each object with its number, probability, length and width, amber ratio, sharpness, and what
        sets it apart from the sure spores.

    Raises
    ------
    ValueError
        Another number of cut-outs than the field has objects to show.
    """
    doubtful, sure = objects_to_show(field, settings)
    if len(crops) != len(doubtful) + len(sure):
        raise ValueError(
            f"crops must hold {len(doubtful) + len(sure)} pictures for {field.photo}, got {len(crops)}"
        )
    all_sure, every = sort_objects(field, settings).sure, sort_objects(field, settings).doubtful
    width = _COLUMNS * (_TILE_PX + _GAP) + _GAP
    head = np.full((92, width, 3), INK, np.uint8)
    put_text(
        head,
        shorten(f"{field.sample} · field {field.field}: doubtful objects", 26, width - 2 * _GAP, True),
        _GAP,
        10,
        26,
        PAPER,
        bold=True,
    )
    shown = (
        f"{len(doubtful)} of {len(every)}, nearest to the line between spore and not first"
        if len(every) > len(doubtful)
        else f"{len(every)} {'object' if len(every) == 1 else 'objects'}"
    )
    about = (
        f"{shown}. Strokes point at it; each window is {window_um:g} µm wide. "
        "Square: filled if counted, hollow if not. p: probability of a spore."
    )
    put_text(head, shorten(about, _TEXT + 1, width - 2 * _GAP), _GAP, 52, _TEXT + 1, PAPER)
    parts = [head]
    if len(doubtful):
        parts.append(_tiles(crops[: len(doubtful)], doubtful, field, all_sure, window_um, sure_ones=False))
    else:
        parts.append(_band("No doubtful object in this field.", width))
    if len(sure):
        parts.append(
            _band(f"For comparison: {len(sure)} of {len(all_sure)} sure spores of the same field", width)
        )
        parts.append(_tiles(crops[len(doubtful) :], sure, field, all_sure, window_um, sure_ones=True))
    return simplejpeg.encode_jpeg(np.concatenate(parts), quality=90, colorspace="RGB", colorsubsampling="444")


def _band(words: str, width: int) -> np.ndarray:
    band = np.full((44, width, 3), INK, np.uint8)
    put_text(band, shorten(words, _TEXT + 3, width - 2 * _GAP, True), _GAP, 10, _TEXT + 3, PAPER, bold=True)
    return band


def _tiles(
    crops: np.ndarray,
    rows: np.ndarray,
    field: FieldResult,
    sure: np.ndarray,
    window_um: float,
    *,
    sure_ones: bool,
) -> np.ndarray:
    down = -(-len(rows) // _COLUMNS)
    caption = 2 * _LINE + 10 if sure_ones else _CAPTION_PX
    sheet = np.full(
        (down * (_TILE_PX + caption + _GAP), _COLUMNS * (_TILE_PX + _GAP) + _GAP, 3), INK, np.uint8
    )
    for place, (crop, row) in enumerate(zip(crops, rows, strict=True)):
        x = _GAP + place % _COLUMNS * (_TILE_PX + _GAP)
        y = place // _COLUMNS * (_TILE_PX + caption + _GAP)
        tile = cv2.resize(crop, (_TILE_PX, _TILE_PX), interpolation=cv2.INTER_CUBIC)
        point_at(tile, (0.5 * float(field.objects.length_um[row]) + 2.0) / window_um)
        scale_bar(tile, window_um)
        sheet[y : y + _TILE_PX, x : x + _TILE_PX] = tile
        _figures(sheet, field, int(row), sure, x, y + _TILE_PX + 4, sure_ones)
    return sheet


def point_at(tile: np.ndarray, reach: float) -> None:
    """Point at the middle of a tile with four short strokes that begin `reach` (share of its width) away."""
    if not np.isfinite(reach):
        return
    middle, side = (tile.shape[1] - 1) / 2, tile.shape[1]
    for across, down in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        begin, end = (
            (round(middle + across * away * side), round(middle + down * away * side))
            for away in (reach, reach + 0.05)
        )
        cv2.line(tile, begin, end, INK, 3)
        cv2.line(tile, begin, end, PAPER, 1)


def scale_bar(tile: np.ndarray, window_um: float) -> None:
    """Draw a bar of round length, with its length, into the corner of a tile."""
    length_um = nice_length(0.3 * window_um)
    length = round(length_um / window_um * tile.shape[1])
    words = f"{length_um:g} µm"
    bottom = tile.shape[0] - 8
    cv2.rectangle(
        tile, (4, bottom - 20), (max(12 + length, 14 + text_width(words, 12)), tile.shape[0] - 3), INK, -1
    )
    put_text(tile, words, 8, bottom - 19, 12, PAPER)
    cv2.rectangle(tile, (8, bottom - 3), (8 + length - 1, bottom), PAPER, -1)


def _figures(
    sheet: np.ndarray, field: FieldResult, row: int, sure: np.ndarray, x: int, y: int, is_sure: bool
) -> None:
    objects = field.objects
    colour = SURE if is_sure else DOUBT
    if not is_sure:
        mark(sheet, x + _TILE_PX - 8, y + 9, 9, colour, filled=bool(field.counted[row]))
    size = f"{_figure(objects.length_um[row], 1)} × {_figure(objects.width_um[row], 1)} µm"
    put_text(sheet, f"{row + 1}", x, y, _TEXT, colour, bold=True)
    put_text(sheet, f"p {_figure(field.kinds.spore[row], 2)}", x + 48, y, _TEXT, PAPER)
    if is_sure:
        put_text(sheet, size, x, y + _LINE, _TEXT, PAPER)
        return
    put_text(sheet, size, x, y + _LINE, _TEXT, PAPER)
    lines = wrap(
        f"amber {_figure(objects.amber[row], 2)}, edge {_figure(objects.sharpness[row], 2)}; "
        + why_words(field, row, sure),
        _TEXT - 1,
        _TILE_PX,
        _WORDS_LINES,
    )
    for place, line in enumerate(lines):
        put_text(sheet, line, x, y + (2 + place) * _LINE, _TEXT - 1, PAPER)


def _figure(value: float, digits: int) -> str:
    return f"{float(value):.{digits}f}" if np.isfinite(value) else "–"


def pack_crops(crops: np.ndarray) -> bytes:
    """Pack cut-outs into one JPEG, to be kept until the sheet is wanted; empty for none."""
    if not len(crops):
        return b""
    column = np.ascontiguousarray(crops.reshape(-1, *crops.shape[2:]))
    return simplejpeg.encode_jpeg(column, quality=92, colorspace="RGB", colorsubsampling="444")


def unpack_crops(data: bytes) -> np.ndarray:
    """Give the cut-outs of `pack_crops` again, shape (n, size_px, size_px, 3)."""
    if not data:
        return np.zeros((0, 1, 1, 3), np.uint8)
    column = simplejpeg.decode_jpeg(data, colorspace="RGB")
    return column.reshape(-1, column.shape[1], column.shape[1], 3)

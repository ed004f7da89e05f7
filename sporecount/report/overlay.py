"""The picture of a field for sharing: the photo with what was found, what was not examined, and the count."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import simplejpeg

from sporecount.records import CLUTTER_KINDS, FieldPreview, FieldResult
from sporecount.report.caption import add_caption
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
    nice_length,
    paint_tile,
)
from sporecount.report.lettering import put_text, text_mask, text_width
from sporecount.report.sorts import Sorts, sort_objects
from sporecount.settings import CountSettings
from sporecount.steps.rescale import reduced

_LONGEST_PX = 1800
SMALL_PX = 1200
"""Width at most of a picture within a report."""
_SMALL = [cv2.IMWRITE_JPEG_QUALITY, 80]
_MARGIN = 0.04
"""Shown around the round view, as a share of its radius."""
_JPEG_QUALITY = 86
_CROWDED = 300
"""From so many objects on, lines are thin and doubtful objects carry no numbers."""

_Box = tuple[float, float, float, float]
"""Left, top, right and bottom in the picture, in pixels."""


@dataclass(frozen=True)
class _Frame:
    """From photo pixels to the picture: x = (x_px - left + 0.5) * zoom - 0.5."""

    left: int
    top: int
    right: int
    bottom: int
    zoom: float

    def place(self, x_px: np.ndarray | float, y_px: np.ndarray | float) -> np.ndarray:
        x = (np.asarray(x_px, float) - self.left + 0.5) * self.zoom - 0.5
        y = (np.asarray(y_px, float) - self.top + 0.5) * self.zoom - 0.5
        return np.stack([x, y], axis=-1)


def overlay_jpeg(
    photo_rgb: np.ndarray, field: FieldResult, preview: FieldPreview, settings: CountSettings | None = None
) -> bytes:
    """Draw the result of a field into its photo.

    Sure spores have a solid outline; doubtful objects a broken one with a square mark, filled if counted and
    hollow if not, and their number; what was left out is hatched by its kind, what is blurred is dotted.

    Parameters
    ----------
    photo_rgb : ndarray of shape (H, W, 3), uint8
        The upright photo.
    field : FieldResult
        Of this photo.
    preview : FieldPreview
        Of this photo.
    settings : CountSettings, optional
        Those of the count, for the bounds of doubt.

    Returns
    -------
    bytes
        A JPEG of the round view, at most 1800 pixels along its longer side, with a caption below.

    Notes
    -----
    Takes some 40 ms for 12 megapixels and a few hundred objects.
    """
    frame = _frame(photo_rgb.shape[:2], field)
    picture = _reduced(photo_rgb, frame)
    unit = max(0.45, max(picture.shape[:2]) / _LONGEST_PX)
    kinds, tags = _draw_left_out(picture, preview, frame, unit)
    _draw_view(picture, field, frame, unit)
    sorts = sort_objects(field, settings)
    _draw_objects(picture, field, sorts, frame, unit, tags)
    _draw_scale_bar(picture, field.scale.um_per_px / frame.zoom, unit)
    blurred = bool(preview.blurred.any())
    captioned = add_caption(picture, field, sorts, kinds, blurred)
    return simplejpeg.encode_jpeg(captioned, quality=_JPEG_QUALITY, colorspace="RGB", colorsubsampling="420")


def _frame(shape: tuple[int, int], field: FieldResult) -> _Frame:
    height, width = shape
    left, top, right, bottom = 0, 0, width, height
    view = field.view
    if view.found and np.isfinite([view.center_x_px, view.center_y_px, view.radius_px]).all():
        reach = view.radius_px * (1 + _MARGIN)
        box = (
            max(0, int(view.center_x_px - reach)),
            max(0, int(view.center_y_px - reach)),
            min(width, int(view.center_x_px + reach) + 1),
            min(height, int(view.center_y_px + reach) + 1),
        )
        if box[2] - box[0] > 0.2 * width and box[3] - box[1] > 0.2 * height:
            left, top, right, bottom = box
    longest = max(right - left, bottom - top)
    # A picture much smaller than a caption is enlarged, so that the words beside it stay readable.
    zoom = min(1.0, _LONGEST_PX / longest) if longest >= 700 else 700 / longest
    return _Frame(left, top, right, bottom, zoom)


def _reduced(photo_rgb: np.ndarray, frame: _Frame) -> np.ndarray:
    part = photo_rgb[frame.top : frame.bottom, frame.left : frame.right]
    size = (max(1, round(part.shape[1] * frame.zoom)), max(1, round(part.shape[0] * frame.zoom)))
    return reduced(part, size)


def _draw_left_out(
    picture: np.ndarray, preview: FieldPreview, frame: _Frame, unit: float
) -> tuple[list[int], list[_Box]]:
    """Hatch what was left out and dot what is blurred; give the kinds that occur and where their words stand."""
    # From a pixel of the picture to one of the preview; both count from pixel centres.
    ratio = preview.zoom / frame.zoom
    shift = [(0.5 * ratio - 0.5) + preview.zoom * edge for edge in (frame.left, frame.top)]
    lookup = (
        np.round(np.arange(picture.shape[0]) * ratio + shift[1]).astype(int),
        np.round(np.arange(picture.shape[1]) * ratio + shift[0]).astype(int),
    )
    period = max(8, round(18 * unit))
    veil = preview.blurred & (preview.left_out == 0)
    if veil.any():
        _paint_enlarged(picture, veil.astype(np.uint8), lookup, dot_tile(max(6, round(11 * unit))))
    present: list[int] = []
    tags: list[_Box] = []
    for index, name in enumerate(CLUTTER_KINDS):
        small = (preview.left_out == index + 1).astype(np.uint8)
        if not small.any():
            continue
        present.append(index)
        _paint_enlarged(picture, small, lookup, hatch_tile(index, period))
        outlines, _ = cv2.findContours(small, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
        large = [line[:, 0].astype(float) for line in outlines if cv2.contourArea(line) > 12]
        curves = [(line - np.array(shift)) / ratio for line in large]
        cased_lines(picture, curves, PAPER, width=1, casing=2, closed=True)
        if large:
            biggest = int(np.argmax([cv2.contourArea(line.astype(np.float32)) for line in large]))
            tags.append(_tag(picture, name, curves[biggest].mean(axis=0), unit))
    return present, tags


def _paint_enlarged(
    picture: np.ndarray,
    small: np.ndarray,
    lookup: tuple[np.ndarray, np.ndarray],
    tile: tuple[np.ndarray, np.ndarray],
) -> None:
    """Paint a tile where a mask of the preview's size is set; only the box around the mask is touched."""
    left, top, width, height = cv2.boundingRect(small)
    rows = np.searchsorted(lookup[0], (top, top + height))
    cols = np.searchsorted(lookup[1], (left, left + width))
    part = picture[slice(*rows), slice(*cols)]
    if part.size:
        where = np.take(small[lookup[0][slice(*rows)]], lookup[1][slice(*cols)], axis=1)
        paint_tile(part, where, tile)


def _tag(picture: np.ndarray, words: str, centre: np.ndarray, unit: float) -> tuple[int, int, int, int]:
    size = max(12, round(20 * unit))
    mask = text_mask(words, size)
    x = int(np.clip(centre[0] - mask.shape[1] / 2, 4, max(4, picture.shape[1] - mask.shape[1] - 4)))
    y = int(np.clip(centre[1] - mask.shape[0] / 2, 4, max(4, picture.shape[0] - mask.shape[0] - 4)))
    box = (x - 5, y - 3, x + mask.shape[1] + 4, y + mask.shape[0] + 2)
    cv2.rectangle(picture, box[:2], box[2:], INK, -1)
    put_text(picture, words, x, y, size, PAPER)
    return box


def _draw_view(picture: np.ndarray, field: FieldResult, frame: _Frame, unit: float) -> None:
    view = field.view
    if not view.found:
        return
    centre = frame.place(view.center_x_px, view.center_y_px)[None]
    half = np.full((1, 2), view.radius_px * frame.zoom)
    cased_lines(
        picture,
        ellipse_arcs(centre, half, np.zeros(1), points=240),
        PAPER,
        width=max(1, round(2 * unit)),
        closed=True,
    )


def _draw_objects(
    picture: np.ndarray, field: FieldResult, sorts: Sorts, frame: _Frame, unit: float, tags: list[_Box]
) -> None:
    objects = field.objects
    px_per_um = frame.zoom / field.scale.um_per_px
    many = len(sorts.sure) + len(sorts.doubtful) > _CROWDED
    tight = many | _touching(field, sorts, 8.0 * unit / px_per_um)
    gap = np.where(tight, 1.5, 4.0) * unit

    def outline(rows: np.ndarray, arcs: int, open_share: float, more: float = 0.0) -> np.ndarray:
        axes = np.stack([objects.length_um[rows], objects.width_um[rows]], axis=-1) * px_per_um / 2
        axes = np.clip(np.nan_to_num(axes, nan=4.0), 3.0, 400.0) + gap[rows, None] + more
        angle = np.nan_to_num(objects.angle_deg[rows])
        return ellipse_arcs(
            frame.place(objects.x_px[rows], objects.y_px[rows]),
            axes,
            angle,
            arcs=arcs,
            gap=open_share,
            points=16 if many else 28,
        )

    doubtful = sorts.doubtful
    # of wide or dark lines those of a clump would run together
    for close, width, casing in ((False, int(np.ceil(2 * unit)), 2), (True, 1, 1)):
        sure, open_to_doubt = (rows[tight[rows] == close] for rows in (sorts.sure, doubtful))
        cased_lines(picture, outline(sure, 1, 0.0), SURE, width=width, casing=casing, closed=True)
        cased_lines(
            picture, outline(open_to_doubt, 5, 0.42, more=2 * unit), DOUBT, width=width, casing=casing
        )
    size = max(5, round((6 if many else 9) * unit))
    half_length = np.nan_to_num(objects.length_um[doubtful], nan=8.0) * px_per_um / 2
    reach = half_length + gap[doubtful] + 3 * unit + size / 2
    places = frame.place(objects.x_px[doubtful], objects.y_px[doubtful])
    places += 0.75 * reach[:, None] * np.array([1, -1])
    for (x, y), counted in zip(places.tolist(), field.counted[doubtful].tolist(), strict=True):
        mark(picture, x, y, size, DOUBT, filled=counted)
    if not many:
        drawn = np.concatenate((sorts.sure, doubtful))
        centres = frame.place(objects.x_px[drawn], objects.y_px[drawn])
        number = max(11, round(19 * unit))
        _draw_numbers(picture, places, size, doubtful, centres, number, round(3 * unit), tags)


def _touching(field: FieldResult, sorts: Sorts, room_um: float) -> np.ndarray:
    """Tell which objects have another drawn one so near that wide outlines would hide both; shape (n,), bool."""
    from scipy.spatial import cKDTree

    objects = field.objects
    drawn = np.concatenate((sorts.sure, sorts.doubtful))
    touching = np.zeros(len(objects), bool)
    if len(drawn) > 1:
        places = np.column_stack((objects.x_px[drawn], objects.y_px[drawn])) * field.scale.um_per_px
        length = np.nan_to_num(objects.length_um[drawn], nan=8.0)
        apart, nearest = cKDTree(places).query(places, k=2)
        touching[drawn] = apart[:, 1] < length[nearest].mean(axis=1) + room_um
    return touching


def _draw_numbers(
    picture: np.ndarray,
    places: np.ndarray,
    mark_size: int,
    rows: np.ndarray,
    drawn: np.ndarray,
    size: int,
    gap: int,
    tags: list[_Box],
) -> None:
    """Write the objects' numbers beside their marks, where they hide fewest of the drawn ones.

    Not upon another mark or number nor the word of a left-out patch: of marks that lie too close, one number
    stands for all.
    """
    half = mark_size / 2
    taken = [*tags, *((x - half, y - half, x + half, y + half) for x, y in places.tolist())]
    height = round(size * 1.15) - 1
    for (x, y), row in zip(places.tolist(), rows.tolist(), strict=True):
        number = str(row + 1)
        width = text_width(number, size) + 2
        beside, above = round(y - size * 0.62) + 1, round(y - half) - gap - height
        right, left, middle = round(x + half) + gap - 1, round(x - half) - gap - width, round(x - width / 2)
        below = round(y + half) + gap
        best = None
        for corner in ((right, beside), (right, above), (middle, above), (left, beside), (middle, below)):
            box = (*corner, corner[0] + width, corner[1] + height)
            if any(box[0] < b[2] and b[0] < box[2] and box[1] < b[3] and b[1] < box[3] for b in taken):
                continue
            hidden = int(((drawn >= box[:2]) & (drawn <= box[2:])).all(axis=1).sum())
            if best is None or hidden < best[0]:
                best = hidden, box
        if best is None:
            continue
        _, box = best
        taken.append(box)
        cv2.rectangle(picture, box[:2], box[2:], INK, -1)
        put_text(picture, number, box[0] + 1, box[1] - 1, size, DOUBT)


def _draw_scale_bar(picture: np.ndarray, um_per_px: float, unit: float) -> None:
    height, width = picture.shape[:2]
    if not np.isfinite(um_per_px) or um_per_px <= 0:
        return
    length_um = nice_length(0.22 * width * um_per_px)
    length, text = round(length_um / um_per_px), max(13, round(26 * unit))
    words = f"{length_um / 1000:g} mm" if length_um >= 1000 else f"{length_um:g} µm"
    pad, thick = max(6, round(12 * unit)), max(4, round(8 * unit))
    plate_width = max(length, text_width(words, text, bold=True)) + 2 * pad
    plate_height = round(text * 1.25) + thick + 2 * pad
    left, top = pad, height - plate_height - pad
    if plate_width > width - 2 * pad or top < 0:
        return
    cv2.rectangle(picture, (left, top), (left + plate_width, top + plate_height), INK, -1)
    put_text(picture, words, left + pad, top + pad // 2, text, PAPER, bold=True)
    bar = (left + pad, top + plate_height - pad - thick)
    cv2.rectangle(picture, bar, (bar[0] + length - 1, bar[1] + thick - 1), PAPER, -1)


def reduce_jpeg(data: bytes, width: int) -> bytes:
    """Make a JPEG at most `width` pixels wide; empty bytes if it is no picture."""
    # Decoding to half the size is quicker; an overlay is at least twice as wide as the smallest pictures.
    reading = cv2.IMREAD_REDUCED_COLOR_2 if width <= 600 else cv2.IMREAD_COLOR
    try:
        if reading == cv2.IMREAD_COLOR and simplejpeg.decode_jpeg_header(data)[1] <= width:
            return data
    except ValueError:
        return b""
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), reading)
    if picture is None:
        return b""
    if picture.shape[1] <= width:
        return cv2.imencode(".jpg", picture, _SMALL)[1].tobytes()
    size = (width, max(1, round(picture.shape[0] * width / picture.shape[1])))
    return cv2.imencode(".jpg", reduced(picture, size), _SMALL)[1].tobytes()

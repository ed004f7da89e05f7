"""Text as small masks for pictures, in a face that every installation has."""

from __future__ import annotations

import io
import unicodedata
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont


def plain(text: str) -> str:
    """Make text fit to be drawn: no line breaks, control characters or broken code points."""
    text = str(text)
    if text.isprintable():
        return text
    return "".join(
        " "
        if char.isspace()
        else "?"
        if unicodedata.category(char) in ("Cc", "Cf", "Cs", "Co", "Cn")
        else char
        for char in text
    )


@lru_cache(maxsize=2)
def _face_bytes(bold: bool) -> bytes | None:
    # The face is taken from matplotlib's package data through its loader, without importing matplotlib.
    spec = find_spec("matplotlib")
    if spec is None or spec.origin is None:
        return None
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    path = Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf" / name
    try:
        return spec.loader.get_data(str(path))  # type: ignore[union-attr]
    except (OSError, AttributeError):
        return None


@lru_cache(maxsize=64)
def _font(size_px: int, bold: bool) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    data = _face_bytes(bold)
    if data is None:
        return ImageFont.load_default(size_px)
    # The basic layout engine gives the same pixels whether or not a shaping library is installed.
    return ImageFont.truetype(io.BytesIO(data), size_px, layout_engine=ImageFont.Layout.BASIC)


def text_width(text: str, size_px: int, bold: bool = False) -> int:
    """Width of a line of text in pixels."""
    return int(np.ceil(_font(size_px, bold).getlength(plain(text))))


@lru_cache(maxsize=512)
def text_mask(text: str, size_px: int, bold: bool = False) -> np.ndarray:
    """Draw one line of text.

    Parameters
    ----------
    text : str
    size_px : int
        Nominal height of the face.
    bold : bool

    Returns
    -------
    ndarray of shape (h, w), uint8
        Coverage, 255 where the text is. All lines of one size have the same height; the array is shared, so
        it is read-only.
    """
    clean = plain(text)
    width, height = max(1, text_width(clean, size_px, bold)), int(np.ceil(size_px * 1.25))
    picture = Image.new("L", (width, height), 0)
    ImageDraw.Draw(picture).text((0, round(size_px * 0.05)), clean, fill=255, font=_font(size_px, bold))
    mask = np.asarray(picture).copy()
    mask.flags.writeable = False
    return mask


def shorten(text: str, size_px: int, max_width: int, bold: bool = False) -> str:
    """Cut a line to a width, in the middle, so that the end of a file name stays."""
    clean = plain(text)
    if text_width(clean, size_px, bold) <= max_width:
        return clean
    keep = len(clean)
    while keep > 2:
        keep -= max(1, keep // 12)
        head, tail = (keep + 1) // 2, keep // 2
        shorter = f"{clean[:head]}…{clean[len(clean) - tail :]}"
        if text_width(shorter, size_px, bold) <= max_width:
            return shorter
    return "…"


def wrap(text: str, size_px: int, max_width: int, max_lines: int, bold: bool = False) -> list[str]:
    """Break text into lines of a width; what does not fit into `max_lines` is cut with an ellipsis."""
    lines: list[str] = []
    words = plain(text).split()
    while words and len(lines) < max_lines:
        line = words.pop(0)
        while words and text_width(f"{line} {words[0]}", size_px, bold) <= max_width:
            line += " " + words.pop(0)
        lines.append(shorten(line, size_px, max_width, bold))
    if words and lines:
        lines[-1] = shorten(f"{lines[-1]} …", size_px, max_width, bold)
    return lines


def put_mask(picture: np.ndarray, mask: np.ndarray, x: int, y: int, colour: tuple[int, int, int]) -> None:
    """Blend a colour into a picture where a mask is set, clipped to the picture.

    Parameters
    ----------
    picture : ndarray of shape (H, W, 3), uint8
        Changed in place.
    mask : ndarray of shape (h, w), uint8
    x, y : int
        Where the mask's top left corner goes.
    colour : tuple of int
        Red, green, blue.
    """
    height, width = picture.shape[:2]
    left, top = max(0, x), max(0, y)
    right, bottom = min(width, x + mask.shape[1]), min(height, y + mask.shape[0])
    if left >= right or top >= bottom:
        return
    cover = mask[top - y : bottom - y, left - x : right - x, None].astype(np.uint16)
    under = picture[top:bottom, left:right].astype(np.uint16)
    over = np.asarray(colour, dtype=np.uint16)
    picture[top:bottom, left:right] = ((under * (255 - cover) + over * cover + 127) // 255).astype(np.uint8)


def put_text(
    picture: np.ndarray,
    text: str,
    x: int,
    y: int,
    size_px: int,
    colour: tuple[int, int, int],
    bold: bool = False,
) -> int:
    """Write one line into a picture; give the x at which it ends."""
    mask = text_mask(text, size_px, bold)
    put_mask(picture, mask, x, y, colour)
    return x + mask.shape[1]

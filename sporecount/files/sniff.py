"""What kind of picture some bytes are, told by the bytes and never by the file's name.

Each container says how long it should be; a file that ends before that was cut short, however much of
the picture a forgiving decoder would still show.
"""

from __future__ import annotations

import struct
from typing import Literal

Kind = Literal["JPEG", "PNG", "TIFF", "HEIF", "WEBP", "BMP", "GIF", "AVIF"]

HEAD_BYTES = 32
"""As many bytes as `kind_of` looks at."""

_HEIF_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}
_BMP_HEADERS = {12, 40, 52, 56, 64, 108, 124}
_TIFF_HEADS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


def kind_of(head: bytes) -> Kind | None:
    """Tell the kind of picture from its first bytes; None when they begin no picture known here."""
    if head.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if head.startswith(_TIFF_HEADS):
        return "TIFF"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "WEBP"
    if head.startswith((b"GIF87a", b"GIF89a")):
        return "GIF"
    if head[:2] == b"BM" and len(head) >= 18 and struct.unpack_from("<I", head, 14)[0] in _BMP_HEADERS:
        return "BMP"
    if head[4:8] == b"ftyp":
        brands = {head[8:12], *(head[at : at + 4] for at in range(16, len(head), 4))}
        if brands & {b"avif", b"avis"}:
            return "AVIF"
        if brands & _HEIF_BRANDS:
            return "HEIF"
    return None


def is_cut_off(kind: Kind, data: bytes) -> bool:
    """Tell whether the container announces more bytes than there are.

    For a JPEG, which announces no length, only a missing end mark counts; its decoder finds the rest.
    """
    size = len(data)
    try:
        if kind == "JPEG":
            return b"\xff\xd9" not in data[-65536:]
        if kind == "PNG":
            return not _png_reaches_its_end(data)
        if kind == "TIFF":
            return not _tiff_directory_fits(data)
        if kind == "WEBP":
            return bool(struct.unpack_from("<I", data, 4)[0] + 8 > size)
        if kind == "BMP":
            return bool(struct.unpack_from("<I", data, 2)[0] > size)
        if kind in ("HEIF", "AVIF"):
            return not _boxes_fit(data)
    except struct.error:
        return True
    return False


def _png_reaches_its_end(data: bytes) -> bool:
    at = 8
    while at + 12 <= len(data):
        length, name = struct.unpack_from(">I4s", data, at)
        at += 12 + length
        if name == b"IEND":
            return at <= len(data)
    return False


_TIFF_TYPE_BYTES = dict(enumerate((0, 1, 1, 2, 4, 8, 1, 1, 2, 4, 8, 4, 8, 4, 0, 0, 8, 8, 8)))


def _tiff_directory_fits(data: bytes) -> bool:
    """Look for the first directory, and for the values that it keeps elsewhere in the file."""
    order = "<" if data[:2] == b"II" else ">"
    big = data[2:4] in (b"+\0", b"\0+")
    word, count, entry_bytes = ("Q", "Q", 20) if big else ("I", "H", 12)
    at = struct.unpack_from(order + word, data, 8 if big else 4)[0]
    entries = struct.unpack_from(order + count, data, at)[0]
    at += struct.calcsize(order + count)
    for entry in range(at, at + entries * entry_bytes, entry_bytes):
        kind, number = struct.unpack_from(order + "H" + word, data, entry + 2)
        length = _TIFF_TYPE_BYTES.get(kind, 0) * number
        place = entry + 4 + struct.calcsize(order + word)
        if length > struct.calcsize(word):
            (elsewhere,) = struct.unpack_from(order + word, data, place)
            if elsewhere + length > len(data):
                return False
    return at + entries * entry_bytes + struct.calcsize(order + word) <= len(data)


def _boxes_fit(data: bytes) -> bool:
    at = 0
    while at + 8 <= len(data):
        length, _name = struct.unpack_from(">I4s", data, at)
        if length == 1:
            length = struct.unpack_from(">Q", data, at + 8)[0]
        if length == 0:  # up to the end of the file
            return True
        if length < 8:
            return False
        at += length
    return at == len(data)

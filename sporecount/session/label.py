"""Labels: a QR code (ISO/IEC 18004) photographed before the fields of a print."""

from __future__ import annotations

from typing import Any

import numpy as np

_QUICK_PX = 1000
_CAREFUL_PX = 2000
"""Longer side, at least, of the picture on which a label is looked for. A label fills a good part of its
photo, so the quick look finds nearly all."""

_LONGEST_NAME = 80


def read_label(rgb: np.ndarray, *, careful: bool) -> str:
    """Read the label that a photo shows.

    Parameters
    ----------
    rgb : ndarray of shape (H, W, 3), uint8
    careful : bool
        Look again at a finer picture when the quick look finds nothing.

    Returns
    -------
    str
        Name of the print; empty without a label.
    """
    sizes = (_QUICK_PX, _CAREFUL_PX) if careful else (_QUICK_PX,)
    return next((text for size in sizes if (text := _read(rgb, size))), "")


def _read(rgb: np.ndarray, longest_px: int) -> str:
    import cv2
    import zxingcpp

    step = max(1, max(rgb.shape[:2]) // longest_px)
    grey = cv2.blur(np.ascontiguousarray(rgb[::step, ::step, 1]), (2, 2))
    only_qr: Any = zxingcpp.BarcodeFormat.QRCode  # all kinds at once would cost many times as much
    for code in zxingcpp.read_barcodes(grey, formats=only_qr):
        text = "".join(char for char in code.text if char.isprintable()).strip()
        if text:
            return text[:_LONGEST_NAME]
    return ""

"""Labels: a QR code (ISO/IEC 18004) photographed before the fields of a print."""

from __future__ import annotations

from typing import Any

import numpy as np

_QUICK_PX = 1100
_CAREFUL_PX = 2200
"""Longer side of the picture on which a label is looked for. A label fills a good part of its photo, so
the quick look finds nearly all; the careful one costs as much as a tenth of a count."""

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

    zoom = min(1.0, longest_px / max(rgb.shape[:2]))
    small = cv2.resize(rgb, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA) if zoom < 1 else rgb
    grey = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY)
    only_qr: Any = zxingcpp.BarcodeFormat.QRCode  # all kinds at once would cost many times as much
    for code in zxingcpp.read_barcodes(grey, formats=only_qr):
        text = "".join(char for char in code.text if char.isprintable()).strip()
        if text:
            return text[:_LONGEST_NAME]
    return ""

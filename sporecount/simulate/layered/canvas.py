"""The canvas on which a photo is painted back to front, and the books kept for its truth."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

LUMA = np.array([0.25, 0.6, 0.15], np.float32)
"""Weights of red, green, blue in brightness, near those of the sRGB primaries."""


@dataclass(frozen=True)
class Window:
    """A box of the canvas with coordinates in µm about a centre: `x` of shape (1, w), `y` of shape (h, 1)."""

    box: tuple[slice, slice]
    x: np.ndarray
    y: np.ndarray

    def turned(self, angle: float) -> tuple[np.ndarray, np.ndarray]:
        """Coordinates along and across an axis at `angle` radians from +x towards +y, each (h, w)."""
        c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        return self.x * c + self.y * s, self.y * c - self.x * s


class Canvas:
    """Linear-light picture in µm coordinates; the origin is the outer corner of the first pixel.

    Parameters
    ----------
    rgb : ndarray of shape (h, w, 3), float32
        The backdrop; painted over in place.
    px_um : float
        Size of a canvas pixel.
    in_view : ndarray of shape (h, w), bool
        What the eyepiece lets through.
    """

    def __init__(self, rgb: np.ndarray, px_um: float, in_view: np.ndarray) -> None:
        self.rgb = rgb
        self.px_um = px_um
        self.in_view = in_view
        self.shape = rgb.shape[:2]
        self.kind = np.zeros(self.shape, np.uint8)
        self.owner = np.full(self.shape, -1, np.int32)
        self.clear = np.ones(self.shape, np.float32)
        self.scaled = np.zeros(self.shape, bool)

    @property
    def size_um(self) -> tuple[float, float]:
        """Width and height of the canvas."""
        return self.shape[1] * self.px_um, self.shape[0] * self.px_um

    def seen(self, x_um: float, y_um: float) -> bool:
        """Tell whether a point lies inside the eyepiece's view."""
        column, row = int(x_um // self.px_um), int(y_um // self.px_um)
        return 0 <= row < self.shape[0] and 0 <= column < self.shape[1] and bool(self.in_view[row, column])

    def window(
        self, x_um: float, y_um: float, reach_x_um: float, reach_y_um: float | None = None
    ) -> Window | None:
        """Box about a point, cut to the canvas; None when nothing of it lies on the canvas."""
        reach_y_um = reach_x_um if reach_y_um is None else reach_y_um
        left = max(0, int((x_um - reach_x_um) / self.px_um))
        right = min(self.shape[1], int((x_um + reach_x_um) / self.px_um) + 2)
        top = max(0, int((y_um - reach_y_um) / self.px_um))
        bottom = min(self.shape[0], int((y_um + reach_y_um) / self.px_um) + 2)
        if right - left < 2 or bottom - top < 2:
            return None
        x = (np.arange(left, right, dtype=np.float32) + 0.5) * np.float32(self.px_um) - np.float32(x_um)
        y = (np.arange(top, bottom, dtype=np.float32) + 0.5) * np.float32(self.px_um) - np.float32(y_um)
        return Window((slice(top, bottom), slice(left, right)), x[None, :], y[:, None])

    def lay(
        self,
        window: Window,
        mask: np.ndarray,
        kind: int,
        *,
        cover: np.ndarray | None = None,
        paint: np.ndarray | None = None,
        density: np.ndarray | None = None,
        absorbs: np.ndarray | None = None,
        glow: np.ndarray | None = None,
        hides: float = 1.0,
        soften_um: float = 0.0,
        spore: int | None = None,
    ) -> None:
        """Paint one thing over what is there.

        Parameters
        ----------
        mask : ndarray of shape (h, w), bool
            Its outline, for the truth.
        cover, paint : ndarray of shape (h, w) and (3,) or (h, w, 3)
            Opaque part: how much of each pixel it covers, and with what colour.
        density, absorbs : ndarray of shape (h, w) and (3,)
            See-through part: natural-log absorbance and its share per channel; negative density brightens.
        glow : ndarray of shape (h, w) or (h, w, 3)
            Light added on top.
        hides : float
            How much of what lies beneath is lost to a reader, 0 to 1.
        soften_um : float
            Standard deviation of its own extra blur.
        spore : int, optional
            Number of the spore, when it is one.
        """
        sigma = soften_um / self.px_um
        patch = self.rgb[window.box]
        if cover is not None and paint is not None:
            cover = _soft(cover, sigma)
            patch += cover[..., None] * (np.asarray(paint, np.float32) - patch)
        if density is not None and absorbs is not None:
            density = _soft(density, sigma)
            absorbs = np.asarray(absorbs, np.float32)
            marked = np.abs(density) > 2e-3 if density.size > 20_000 else None
            if marked is not None and marked.mean() < 0.3:  # a thin line in a wide box
                patch[marked] *= np.exp(-density[marked][:, None] * absorbs)
            else:
                patch *= np.exp(-density[..., None] * absorbs)
        if glow is not None:
            glow = _soft(glow, sigma)
            patch += glow if glow.ndim == 3 else glow[..., None]
        self.kind[window.box][mask] = kind
        self.clear[window.box][mask] *= np.float32(1.0 - hides)
        if spore is not None:
            self.owner[window.box][mask] = spore
            self.clear[window.box][mask] = 1.0

    def brightness(self, window: Window) -> np.ndarray:
        """Brightness of a box, (h, w), held to what a camera can hold."""
        return np.clip(self.rgb[window.box] @ LUMA, 0.004, 1.0)


def _soft(layer: np.ndarray, sigma_px: float) -> np.ndarray:
    layer = np.ascontiguousarray(layer, np.float32)
    return cv2.GaussianBlur(layer, (0, 0), sigma_px) if sigma_px > 0.3 else layer

"""Crops of objects at fixed scale in um, as the network sees them."""

from __future__ import annotations

from functools import cached_property

import cv2
import numpy as np

from sporecount.records import FlatField, WorkImage
from sporecount.steps.flatten import LOG_LINEAR
from sporecount.steps.lemon import x_and_y
from sporecount.steps.rescale import reduced

FINE_PX, FINE_UM_PER_PX = 32, 0.75
"""24 um: the object itself."""

FINEST_PX, FINEST_UM_PER_PX = 48, 0.5
"""24 um again, for the careful look: more than two samples on what a 10x objective resolves (1.3 um)."""

WIDE_PX, WIDE_UM_PER_PX = 32, 2.25
"""72 um: what it lies on and beside."""

GLANCE_PX, GLANCE_UM_PER_PX = 16, 1.5
"""24 um again, at half the resolution."""

_DENSITY_LOW, _DENSITY_HIGH = -0.5, 1.5

_PIXELS_A_TIME = 65536
"""Crops are sampled in portions of so many pixels, so that what is made between stays in the processor's cache."""


class CropSource:
    """Cuts crops of optical density out of a field.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField
    """

    def __init__(self, work: WorkImage, flat: FlatField) -> None:
        self._work = work
        self._log_light = flat.log_light
        self._fine = work.close

    # Made when a crop is first cut of them, since not every step looks at all. Four channels are sampled three
    # times as fast as three; the close picture is too large to be copied.

    @cached_property
    def _middle(self) -> np.ndarray:
        return cv2.cvtColor(self._work.rgb, cv2.COLOR_RGB2RGBA)

    @cached_property
    def _wide(self) -> np.ndarray:
        shrink = max(1.0, WIDE_UM_PER_PX / self._work.um_per_px)
        height, width = self._work.seen.shape
        size = (max(1, round(width / shrink)), max(1, round(height / shrink)))
        return cv2.cvtColor(reduced(self._work.rgb, size), cv2.COLOR_RGB2RGBA)

    def cut_fine(self, row: np.ndarray, col: np.ndarray) -> np.ndarray:
        """Cut the close crop of each place on the working grid.

        Returns
        -------
        ndarray of shape (n, 3, FINE_PX, FINE_PX), float32
            Density of red, green, blue, limited to the range of the network's training.
        """
        return self._cut(self._fine, row, col, FINE_PX, FINE_UM_PER_PX)

    def cut_finest(self, row: np.ndarray, col: np.ndarray) -> np.ndarray:
        """Cut the finest crop of each place, shape (n, 3, FINEST_PX, FINEST_PX)."""
        return self._cut(self._fine, row, col, FINEST_PX, FINEST_UM_PER_PX)

    def cut_careful(self, row: np.ndarray, col: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Cut the close, the finest and the wide crop of each place: what a careful look takes."""
        return self.cut_fine(row, col), self.cut_finest(row, col), self.cut_wide(row, col)

    def cut_glance(self, row: np.ndarray, col: np.ndarray) -> np.ndarray:
        """Cut the coarse crop of each place, shape (n, 3, GLANCE_PX, GLANCE_PX)."""
        return self._cut(self._middle, row, col, GLANCE_PX, GLANCE_UM_PER_PX)

    def cut_wide(self, row: np.ndarray, col: np.ndarray) -> np.ndarray:
        """Cut the crop with the surroundings, shape (n, 3, WIDE_PX, WIDE_PX)."""
        return self._cut(self._wide, row, col, WIDE_PX, WIDE_UM_PER_PX)

    def cut_turned(
        self, row: np.ndarray, col: np.ndarray, angle_deg: np.ndarray, px: int, um: float | np.ndarray
    ) -> np.ndarray:
        """Cut a close crop of each place whose rows run along `angle_deg`, with `um` from pixel to pixel.

        `um` is one for all or one for each.

        Returns
        -------
        ndarray of shape (n, 3, px, px), float32
            As from `cut_fine`.
        """
        return self._cut_turned(self._fine, row, col, angle_deg, px, um)

    def cut_wide_turned(
        self, row: np.ndarray, col: np.ndarray, angle_deg: np.ndarray, px: int, um: float
    ) -> np.ndarray:
        """Cut the same out of the coarser picture, for crops that hold the surroundings."""
        return self._cut_turned(self._wide, row, col, angle_deg, px, um)

    def _cut_turned(
        self,
        image: np.ndarray,
        row: np.ndarray,
        col: np.ndarray,
        angle_deg: np.ndarray,
        px: int,
        um: float | np.ndarray,
    ) -> np.ndarray:
        side = (np.arange(px) - (px - 1) / 2) * (np.reshape(um, (-1, 1)) / self._work.um_per_px)
        to_col, to_row = x_and_y(side[:, None, :], side[:, :, None], np.asarray(angle_deg)[:, None, None])
        on_y, on_x = self._on(image, row[:, None, None] + to_row, col[:, None, None] + to_col)
        return self._densities(image, on_y, on_x, self._light_at(row, col))

    def _cut(self, image: np.ndarray, row: np.ndarray, col: np.ndarray, px: int, um: float) -> np.ndarray:
        """Cut upright crops of px x px round each place."""
        side = (np.arange(px) - (px - 1) / 2) * (um / self._work.um_per_px)
        on_y, on_x = self._on(image, row[:, None] + side, col[:, None] + side)
        shape = (len(row), px, px)
        return self._densities(
            image,
            np.broadcast_to(on_y[:, :, None], shape),
            np.broadcast_to(on_x[:, None, :], shape),
            self._light_at(row, col),
        )

    def _on(self, image: np.ndarray, rows: np.ndarray, cols: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Bring places on the working grid to the pixels of a finer or coarser picture, float32."""
        height, width = self._work.seen.shape
        zoom_y, zoom_x = image.shape[0] / height, image.shape[1] / width
        return (
            ((rows + 0.5) * zoom_y - 0.5).astype(np.float32),
            ((cols + 0.5) * zoom_x - 0.5).astype(np.float32),
        )

    def _densities(
        self, image: np.ndarray, on_y: np.ndarray, on_x: np.ndarray, light: np.ndarray
    ) -> np.ndarray:
        """Take bilinear samples at pixels of shape (n, px, px), to (n, 3, px, px); one light for each crop."""
        count, px, _ = on_y.shape
        out = np.empty((count, 3, px * px), np.float32)
        crops_a_time = _PIXELS_A_TIME // px**2
        for start in range(0, count, crops_a_time):
            part = slice(start, start + crops_a_time)
            # a crop a row: remap takes no side beyond 32767, so no crop may be wider than 181 pixels
            map_y, map_x = (on[part].reshape(-1, px * px) for on in (on_y, on_x))
            crop = cv2.remap(image, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            for channel, plane in enumerate(cv2.split(crop)[:3]):
                cv2.LUT(plane, LOG_LINEAR, dst=out[part, channel])
            density = np.subtract(light[part, :, None], out[part], out=out[part])
            np.clip(density, _DENSITY_LOW, _DENSITY_HIGH, out=density)
        return out.reshape(count, 3, px, px)

    def _light_at(self, row: np.ndarray, col: np.ndarray) -> np.ndarray:
        height, width = self._work.seen.shape
        light_height, light_width = self._log_light.shape[:2]
        map_y = ((row + 0.5) * light_height / height - 0.5).astype(np.float32)
        map_x = ((col + 0.5) * light_width / width - 0.5).astype(np.float32)
        light = np.empty((len(row), 3), np.float32)
        for start in range(0, len(row), 8192):
            part = slice(start, start + 8192)
            light[part] = cv2.remap(
                self._log_light,
                map_x[part, None],
                map_y[part, None],
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )[:, 0]
        return light

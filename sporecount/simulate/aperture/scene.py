"""The scene before the optics: light that leaves the print, drawn object by object in micrometres."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]

BACKGROUND, SPORE, SCALE, PIECE, HAIR, FIBRE, BUBBLE, DUST, POLLEN, OTHER = range(10)

HIDES_FROM_OD = 0.75
"""A cover of this optical density hides what is below it."""


@dataclass
class Scene:
    """Canvas with a margin around the photo.

    Parameters
    ----------
    light : ndarray of shape (H, W, 3), float32
        Share of the lamp's light that leaves each place.
    path_um : ndarray of shape (H, W), float32
        Optical path through clear matter, for the bright and dark fringes of defocus.
    lift_um : ndarray of shape (H, W), float32
        Height of the matter above the tape's plane.
    kind : ndarray of shape (H, W), uint8
    owner : ndarray of shape (H, W), int32
        1 + index of the topmost visible spore; 0 elsewhere.
    on_scale : ndarray of shape (H, W), bool
    through : ndarray of shape (H, W), float32
        Share of a spore's contrast that passes what was laid over it and sends back light of its own.
    um_per_px : float
    from_above : bool
        Lamp above the print.
    """

    light: Array
    um_per_px: float
    from_above: bool
    path_um: Array = field(init=False)
    lift_um: Array = field(init=False)
    kind: NDArray[np.uint8] = field(init=False)
    owner: NDArray[np.int32] = field(init=False)
    on_scale: NDArray[np.bool_] = field(init=False)
    through: Array = field(init=False)

    def __post_init__(self) -> None:
        shape = self.light.shape[:2]
        self.path_um = np.zeros(shape, np.float32)
        self.lift_um = np.zeros(shape, np.float32)
        self.kind = np.zeros(shape, np.uint8)
        self.owner = np.zeros(shape, np.int32)
        self.on_scale = np.zeros(shape, bool)
        self.through = np.ones(shape, np.float32)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns, margin included."""
        return self.light.shape[0], self.light.shape[1]

    def lay(
        self,
        box: tuple[slice, slice],
        od: Array,
        cover: Array,
        kind: int,
        *,
        owner: int = 0,
        path_um: Array | None = None,
        lift_um: float = 0.0,
        opaque: float = 0.0,
        sheen: float = 0.0,
    ) -> None:
        """Lay an object over the scene.

        `od` (h, w, 3) is its optical density, `cover` (h, w) the share of each pixel that it covers.
        With light from above, `opaque` is the share of light that it sends back by itself instead of
        letting the card shine through, and `sheen` the grey gloss on it.
        """
        light = self.light[box]
        if self.from_above and opaque > 0:
            share = (opaque * cover)[..., None]
            own = np.power(np.float32(10), -0.9 * od) * np.float32(0.8) + np.float32(sheen)
            light *= (1 - share) * np.power(np.float32(10), -1.5 * od)
            light += share * own
            self.through[box] *= (1 - share)[..., 0]
        else:
            light *= np.power(np.float32(10), -od * np.float32(1.5 if self.from_above else 1.0))
        inside = cover > 0.5
        self.kind[box][inside] = kind
        hides = inside & ((od[..., 1] > HIDES_FROM_OD) | (self.from_above and opaque > 0.5))
        self.owner[box][hides] = 0
        if owner:
            self.owner[box][inside] = owner
            self.through[box][inside] = 1
        if kind == SCALE:
            self.on_scale[box][inside] = True
        if path_um is not None:
            self.path_um[box] += path_um
        if lift_um:
            self.lift_um[box] += np.float32(lift_um) * cover


Frame = tuple[tuple[slice, slice], Array, Array, Callable[[Array], Array]]


def frame(
    scene: Scene, x_px: float, y_px: float, reach_um: float, angle_deg: float, over: int = 3
) -> Frame | None:
    """Give the box around a place, its oversampled coordinates along and across, and the reduction to pixels.

    `u` runs along `angle_deg` (from +x towards +y, down) and `v` across, in um from (x_px, y_px).
    None where the box lies outside the canvas.
    """
    reach_px = reach_um / scene.um_per_px + 2
    rows, cols = scene.shape
    x0, x1 = max(0, int(x_px - reach_px)), min(cols, int(x_px + reach_px) + 2)
    y0, y1 = max(0, int(y_px - reach_px)), min(rows, int(y_px + reach_px) + 2)
    if x1 - x0 < 2 or y1 - y0 < 2:
        return None
    step = 1.0 / over
    xs = (np.arange((x1 - x0) * over, dtype=np.float32) + 0.5) * step - 0.5 + (x0 - x_px)
    ys = (np.arange((y1 - y0) * over, dtype=np.float32) + 0.5) * step - 0.5 + (y0 - y_px)
    cos, sin = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    size = np.float32(scene.um_per_px)
    u = (xs[None, :] * np.float32(cos) + ys[:, None] * np.float32(sin)) * size
    v = (-xs[None, :] * np.float32(sin) + ys[:, None] * np.float32(cos)) * size

    def reduce(fine: Array) -> Array:
        if over == 1:
            return np.asarray(fine, np.float32)
        return cv2.resize(np.asarray(fine, np.float32), (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA)

    return (slice(y0, y1), slice(x0, x1)), u, v, reduce


def soft_noise(rng: np.random.Generator, shape: tuple[int, int], grain_px: float) -> Array:
    """Draw smooth noise of unit variance whose grains are about `grain_px` wide."""
    rows = max(4, int(shape[0] / max(grain_px, 1)) + 3)
    cols = max(4, int(shape[1] / max(grain_px, 1)) + 3)
    coarse = rng.standard_normal((rows, cols)).astype(np.float32)
    fine = cv2.resize(coarse, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return fine / np.float32(fine.std() + 1e-6)

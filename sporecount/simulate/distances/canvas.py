"""The sheet in linear light, and how a thing is laid upon what is there."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.distances.fields import Plane, soften
from sporecount.simulate.truth import KIND_NAMES

MARGIN_PX = 40
"""Drawn beyond each edge, so that blur and lens find something there."""

NUMBER = {name: number for number, name in enumerate(KIND_NAMES)}


@dataclass(frozen=True)
class Focus:
    """Depth of the sheet below the plane of focus, and what it does to sharpness.

    Parameters
    ----------
    z_um : ndarray of shape (H, W)
        Depth at each pixel of the canvas.
    spread : float
        Deviation of the blur per depth.
    least_um : float
        Deviation of the blur in focus: diffraction and the phone together.
    """

    z_um: Plane
    spread: float
    least_um: float

    def total_um(self, z_um: Plane | float) -> NDArray[np.float64]:
        """Deviation of all blur at a depth."""
        return np.asarray(np.hypot(self.least_um, np.asarray(z_um, np.float64) * self.spread))


@dataclass
class Frame:
    """A window of the canvas in the coordinates of a thing: u along, v across, in micrometres."""

    box: tuple[slice, slice]
    u: Plane
    v: Plane


@dataclass
class Canvas:
    """Light that leaves the sheet, and what is where.

    Parameters
    ----------
    light : ndarray of shape (H, W, 3)
    um_per_px : float
    from_above : bool
        Light from above makes things opaque and gives them a lit and a shadow side.
    focus : Focus
    sun : float
        Direction from which light from above comes, radians.
    """

    light: Plane
    um_per_px: float
    from_above: bool
    focus: Focus
    sun: float
    kinds: NDArray[np.uint8] = field(init=False)
    owner: NDArray[np.int32] = field(init=False)
    on_scale: NDArray[np.bool_] = field(init=False)
    spore_od: Plane = field(init=False)

    def __post_init__(self) -> None:
        shape = self.light.shape[:2]
        self.kinds = np.zeros(shape, np.uint8)
        self.owner = np.full(shape, -1, np.int32)
        self.on_scale = np.zeros(shape, bool)
        self.spore_od = np.zeros(shape, np.float32)

    def frame(self, x_px: float, y_px: float, angle: float, reach_um: float) -> Frame | None:
        """Cut the window around a place of the photo; None where it misses the canvas."""
        rows, cols = self.kinds.shape
        x, y, reach = x_px + MARGIN_PX, y_px + MARGIN_PX, reach_um / self.um_per_px
        left, right = max(int(x - reach), 0), min(int(x + reach) + 2, cols)
        top, bottom = max(int(y - reach), 0), min(int(y + reach) + 2, rows)
        if left >= right or top >= bottom:
            return None
        dx = ((np.arange(left, right) - x) * self.um_per_px).astype(np.float32)[None]
        dy = ((np.arange(top, bottom) - y) * self.um_per_px).astype(np.float32)[:, None]
        c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        return Frame((slice(top, bottom), slice(left, right)), c * dx + s * dy, c * dy - s * dx)

    def extra_blur_px(self, x_px: float, y_px: float, height_um: float) -> float:
        """Deviation that a thing at a height above the sheet is to be blurred by before the sheet's own blur."""
        rows, cols = self.kinds.shape
        z = self.focus.z_um[
            int(np.clip(y_px + MARGIN_PX, 0, rows - 1)), int(np.clip(x_px + MARGIN_PX, 0, cols - 1))
        ]
        more = (z - height_um) ** 2 - z**2
        return float(self.focus.spread * np.sqrt(max(more, 0)) / self.um_per_px)

    def lay(
        self,
        frame: Frame,
        body: Plane,
        od: Plane,
        kind: str,
        *,
        opacity: float = 0.9,
        hide: float = 0.0,
        blur_px: float = 0.0,
        shade: Plane | None = None,
        gleam: Plane | None = None,
    ) -> None:
        """Lay a thing upon all that is there.

        Parameters
        ----------
        frame : Frame
        body : ndarray
            Cover of the thing; also where it stands in the map of kinds.
        od : ndarray of shape (h, w, 3)
            Density that it adds to light from below, halos included; negative where it gathers light.
        kind : str
        opacity : float
            In light from above, how much of what lies beneath the body hides.
        hide : float
            In light from below, how much the body smears what lies beneath.
        blur_px : float
            Blur of the thing itself.
        shade, gleam : ndarray, optional
            Relief under light from above: a factor, and light thrown back.
        """
        under = self.light[frame.box]
        veil = np.float32(opacity if self.from_above else hide) * body
        if blur_px > 0.3:
            od = soften(od, blur_px)
            soft = soften(veil, blur_px)
        else:
            soft = veil
        if self.from_above:
            own = 10.0 ** (-np.clip(od, -0.3, 3) * 1.1)
            mean = np.float32(np.median(under))
            lit = own * mean * (0.85 if shade is None else shade[..., None])
            under += soft[..., None] * (lit - under)
            under *= 10.0 ** (-np.clip(od * 0.8, -0.2, 3) * (1 - soft[..., None]))
            if gleam is not None:
                thrown = soften(gleam, blur_px) if blur_px > 0.3 else gleam
                under += mean * thrown[..., None]
        else:
            if hide > 0.02:
                sigma = max(3.0 / self.um_per_px, 0.8)
                under += soft[..., None] * (soften(under, sigma) - under)
            under *= 10.0**-od
            if gleam is not None:
                under *= 1 + gleam[..., None]
        self.spore_od[frame.box] *= 1 - soft
        covered = body > 0.5
        kinds, owner = self.kinds[frame.box], self.owner[frame.box]
        hidden = covered & ((veil > 0.5) | (owner < 0))
        kinds[hidden] = NUMBER[kind]
        owner[hidden] = -1
        if kind in ("scale", "scale piece"):
            self.on_scale[frame.box] |= covered

    def cast_shadow(self, frame: Frame, body: Plane, height_um: float, strength: float) -> None:
        """Darken beside a thing that stands in light from above; nothing in light from below."""
        if not self.from_above or height_um <= 0:
            return
        step = height_um / self.um_per_px
        shift = np.array([[1, 0, -step * np.cos(self.sun)], [0, 1, -step * np.sin(self.sun)]], np.float32)
        moved = cv2.warpAffine(body, shift, body.shape[::-1])
        moved = soften(np.asarray(moved), max(0.4 * step, 0.6))
        self.light[frame.box] *= (1 - np.float32(strength) * moved)[..., None]

    def relief(self, height: Plane, strength: float) -> Plane:
        """Brightness factor of a surface whose height (micrometres) is given, under the light from above."""
        if min(height.shape) < 2:
            return np.ones_like(height)
        gy, gx = np.gradient(height, self.um_per_px)
        slope = gx * np.float32(np.cos(self.sun)) + gy * np.float32(np.sin(self.sun))
        return np.asarray(np.clip(0.9 + strength * slope, 0.25, 1.6), np.float32)

"""The sheet that portraits are stamped on, in groups of depth, and the lens that blurs each group."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from sporecount.simulate.stamps.plan import Array

MARGIN_PX = 24
"""Border around the view, so that blur at its edge sees what lies beyond."""

LAYERS_UM = (-2.0, 0.0, 1.5, 5.0, 9.0)
"""Usual heights of the depth groups: beneath scales, scales, on the tape, on scales and piles, in the glue."""

_MAX_LEVELS = 4


@dataclass(frozen=True)
class Sprite:
    """A portrait: the share of light taken per channel, and the cover, on a fine grid about its centre."""

    taken: Array
    um_per_px: float
    length_um: float
    width_um: float
    fine: int = 3


def _soften(picture: Array, sigma: float) -> Array:
    side = 2 * int(np.ceil(3.2 * sigma)) + 1
    return cv2.GaussianBlur(picture, (side, side), sigma)


@dataclass
class Lens:
    """Blur of an objective over the view: an even part, and defocus by depth, tilt and bend."""

    um_per_px: float
    aperture: float
    soft_px: float
    focus_um: float
    tilt_um: tuple[float, float]
    bend_um: float
    disc_share: float
    shape: tuple[int, int]

    def depth_um(self, x_px: Array, y_px: Array) -> Array:
        """Height of the plane of focus error at places of the view, in µm."""
        u = (np.asarray(x_px) / self.shape[1] - 0.5) * 2
        v = (np.asarray(y_px) / self.shape[0] - 0.5) * 2
        return (
            self.focus_um + self.tilt_um[0] * u + self.tilt_um[1] * v + self.bend_um * (u * u + v * v - 0.5)
        )

    def even_px(self) -> float:
        """Give the blur in focus as a standard deviation: 0.21 wavelength over aperture, the phone's softness."""
        return float(np.hypot(0.21 * 0.55 / self.aperture / self.um_per_px, self.soft_px))

    def disc_px(self, x_px: Array, y_px: Array, layer_um: float) -> Array:
        """Radius of the blur disc of defocus."""
        slope = np.tan(np.arcsin(self.aperture)) / self.um_per_px
        return np.abs(self.depth_um(x_px, y_px) + layer_um) * slope

    def steps(self, layer_um: float) -> Array:
        """Radii for which a group is really blurred; in between its pictures are mixed."""
        rows, cols = self.shape
        y, x = np.mgrid[-MARGIN_PX : rows + MARGIN_PX : 24j, -MARGIN_PX : cols + MARGIN_PX : 24j]
        radius = self.disc_px(x, y, layer_um)
        low, high = float(radius.min()), float(radius.max())
        if high - low < 0.5:
            return np.array([(low + high) / 2])
        return np.linspace(low, high, min(_MAX_LEVELS, 2 + int((high - low) / 2)))

    def sigma_um(self, x_px: Array, y_px: Array, layer_um: float) -> Array:
        """Give the standard deviation of all blur at places of the view, the mixing of steps included."""
        steps = self.steps(layer_um)
        spread = np.interp(self.disc_px(x_px, y_px, layer_um), steps, steps**2 / 4)
        # The pixel itself adds a box of one pixel.
        return np.sqrt(spread + self.even_px() ** 2 + 1 / 12) * self.um_per_px

    def _once(self, picture: Array, radius: float) -> Array:
        even = self.even_px()
        if radius < 0.9:
            return _soften(picture, float(np.hypot(even, radius / 2)))
        shrink = 1 if radius < 6 else 2 if radius < 14 else 4
        small = picture
        if shrink > 1:
            size = (picture.shape[1] // shrink, picture.shape[0] // shrink)
            small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
        # Shrinking and growing again blur a little themselves.
        r = np.sqrt(max(radius**2 - 1.15 * (shrink**2 - 1), 1.0)) / shrink
        soft = _soften(small, float(np.hypot(even / shrink, r / 2)))
        half = int(np.ceil(r + 1))
        y, x = np.mgrid[-half : half + 1, -half : half + 1]
        mixed: Array
        disc = np.clip(r - np.hypot(x, y) + 0.5, 0, 1).astype(np.float32)
        hard = _soften(small, max(even / shrink, 0.3))
        hard = cv2.filter2D(hard, -1, disc / disc.sum(), borderType=cv2.BORDER_REFLECT)
        mixed = self.disc_share * hard + (1 - self.disc_share) * soft
        if shrink > 1:
            mixed = cv2.resize(mixed, picture.shape[1::-1], interpolation=cv2.INTER_LINEAR)
        return mixed

    def blur(self, picture: Array, layer_um: float) -> Array:
        """Blur one group of the sheet as its depth asks."""
        steps = self.steps(layer_um)
        if len(steps) == 1:
            return self._once(picture, float(steps[0]))
        rows, cols = picture.shape[:2]
        y, x = np.ogrid[-MARGIN_PX : rows - MARGIN_PX, -MARGIN_PX : cols - MARGIN_PX]
        place = np.interp(self.disc_px(x, y, layer_um), steps, np.arange(len(steps))).astype(np.float32)
        out = np.zeros_like(picture)
        for k, radius in enumerate(steps):
            share = np.clip(1 - np.abs(place - k), 0, 1)
            if share.any():
                out += share[..., None] * self._once(picture, float(radius))
        return out


def _slope(height: Array, axis: int) -> Array:
    # A window that the edge of the view cuts down to one row or column has no slope.
    return np.gradient(height, axis=axis) if height.shape[axis] > 1 else np.zeros_like(height)


@dataclass
class Sheet:
    """Everything that lies in the view, before the lens: light let through and sent back, and what is on top."""

    shape: tuple[int, int]
    um_per_px: float
    lamp: tuple[float, float] | None
    through: list[Array] = field(init=False)
    sent: list[Array] = field(init=False)
    used: list[bool] = field(init=False)
    kinds: Array = field(init=False)
    owner: Array = field(init=False)
    veil: Array = field(init=False)
    wing: Array = field(init=False)

    def __post_init__(self) -> None:
        full = (self.shape[0] + 2 * MARGIN_PX, self.shape[1] + 2 * MARGIN_PX)
        self.through = [np.ones((*full, 3), np.float32) for _ in LAYERS_UM]
        self.sent = [np.zeros((*full, 3), np.float32) for _ in LAYERS_UM] if self.lamp else []
        self.used = [False] * len(LAYERS_UM)
        self.kinds = np.zeros(full, np.uint8)
        self.owner = np.zeros(full, np.int32)
        self.veil = np.ones(full, np.float32)
        self.wing = np.zeros(full, bool)

    def stamp(
        self, layer: int, sprite: Sprite, at: tuple[float, float], angle_deg: float, kind: int,
        size: float = 1.0, owner: int = 0, flip: bool = False,
    ) -> float:  # fmt: skip
        """Stamp a portrait with its centre at a place of the view; returns its whole area in px."""
        s = sprite.um_per_px / self.um_per_px * size
        tall, wide = sprite.taken.shape[:2]
        x, y = at[0] + MARGIN_PX, at[1] + MARGIN_PX
        c, n = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
        ex = (abs(c) * wide + abs(n) * tall) * s / 2 + 1
        ey = (abs(n) * wide + abs(c) * tall) * s / 2 + 1
        rows, cols = self.kinds.shape
        x0, x1 = max(int(np.floor(x - ex)), 0), min(int(np.ceil(x + ex)) + 1, cols)
        y0, y1 = max(int(np.floor(y - ey)), 0), min(int(np.ceil(y + ey)) + 1, rows)
        area = float(sprite.taken[..., 3].sum()) * s * s
        if x1 <= x0 or y1 <= y0:
            return area
        f = sprite.fine
        turn = np.array([[c, n], [-n, c]]) / s
        if flip:
            turn[1] *= -1
        # Place of the first fine pixel of the patch, in portrait pixels from its centre.
        start = turn @ np.array([x0 - 0.5 + 0.5 / f - x, y0 - 0.5 + 0.5 / f - y])
        start += [(wide - 1) / 2, (tall - 1) / 2]
        matrix = np.column_stack([turn / f, start])
        patch = cv2.warpAffine(
            sprite.taken,
            matrix,
            ((x1 - x0) * f, (y1 - y0) * f),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        )
        if f > 1:
            patch = cv2.resize(patch, (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA)
        self.lay(layer, patch, (slice(y0, y1), slice(x0, x1)), kind, owner)
        return area

    def lay(self, layer: int, patch: Array, at: tuple[slice, slice], kind: int, owner: int = 0) -> None:
        """Lay a patch (light taken in three channels, cover) onto a window of the sheet."""
        through = np.maximum(1 - patch[..., :3], 0.004)
        cover = patch[..., 3]
        self.used[layer] = True
        if self.lamp is not None:
            # The light goes down and up again; what is thick sends some back, most where it faces the lamp.
            soft = cv2.GaussianBlur(np.pad(cover, 2), (0, 0), 1.2)[2:-2, 2:-2]
            tilt = -self.lamp[0] * _slope(soft, 1) - self.lamp[1] * _slope(soft, 0)
            through = np.clip(through, 0, 1.05) ** 1.5
            body = cover[..., None] * (0.04 + 0.10 * through) * (1 + 2.5 * tilt[..., None])
            self.sent[layer][at] = self.sent[layer][at] * through + np.maximum(body, 0)
        self.through[layer][at] *= through
        inside = cover > 0.5
        kinds, owners, veil = self.kinds[at], self.owner[at], self.veil[at]
        if owner:
            kinds[inside], owners[inside], veil[inside] = kind, owner, 1
            return
        veil[inside] *= np.clip(through[inside] @ np.array([0.3, 0.59, 0.11], np.float32), 0, 1)
        # A spore beneath stays the thing that one sees while the veil lets enough light through.
        hides = inside & ((owners == 0) | (veil < 0.45))
        kinds[hides], owners[hides] = kind, 0
        if kind in (2, 3):
            self.wing[at] |= inside

    def expose(self, ground: Array, ground_um: float, lens: Lens, heights_um: Array) -> Array:
        """Light of the whole scene behind the lens, without the margin."""
        light = lens.blur(ground, ground_um)
        for k, height in enumerate(heights_um):
            if self.used[k]:
                light *= lens.blur(self.through[k], float(height))
                if self.lamp is not None:
                    light += lens.blur(self.sent[k], float(height))
        inner = slice(MARGIN_PX, -MARGIN_PX)
        return np.ascontiguousarray(light[inner, inner])

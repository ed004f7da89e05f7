"""The view while it is filled: sheets of light at three depths, a map of kinds, and stamps of small things."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES
from sporecount.simulate.waves.bodies import Body
from sporecount.simulate.waves.optics import LUMA, Floats, Optics, gathered, slope_of

KIND = {name: k for k, name in enumerate(KIND_NAMES)}
GROUND, PRINT, TAPE = 0, 1, 2
"""The three sheets, from the lamp upwards."""
Window = tuple[slice, slice]
Place = NDArray[np.floating] | float
_TILE_PX = 96
_TILE_MARGIN_PX = 4


def tiles(cover: NDArray[np.generic]) -> Iterator[tuple[Window, Window]]:
    """Cut a window into tiles, with a margin and without, where there is anything to draw."""
    rows, cols = cover.shape
    for y in range(0, rows, _TILE_PX):
        for x in range(0, cols, _TILE_PX):
            inner = (slice(y, min(rows, y + _TILE_PX)), slice(x, min(cols, x + _TILE_PX)))
            if cover[inner].any():
                y0, x0 = max(0, y - _TILE_MARGIN_PX), max(0, x - _TILE_MARGIN_PX)
                outer = [part.stop + _TILE_MARGIN_PX for part in inner]
                yield (slice(y0, outer[0]), slice(x0, outer[1])), inner


@dataclass(frozen=True)
class Tilt:
    """Depth of the print over the view: focus, slope and bow, all relative to the middle of the view."""

    focus_um: float
    slope: tuple[float, float]
    bow_um: float

    def depth_um(self, x: NDArray[np.floating], y: NDArray[np.floating]) -> NDArray[np.floating]:
        """Depth at x, y given in half views from the middle, each -1 to 1 inside the view."""
        return self.focus_um + self.slope[0] * x + self.slope[1] * y + self.bow_um * (x * x + y * y - 0.5)


@dataclass(frozen=True)
class Stamp:
    """A small thing: light over its surroundings, coverage before blur, what it sends back in top light."""

    light: Floats
    cover: Floats
    step_um: float
    glow: Floats

    @property
    def contrast(self) -> float:
        """Mean optical density over the outline."""
        seen = self.light @ LUMA
        return float(-np.log10(max(float((seen * self.cover).sum() / self.cover.sum()), 1e-3)))


@dataclass
class Scene:
    """The view: `px_um` wide pixels, all light relative to the lamp's."""

    shape: tuple[int, int]
    px_um: float
    optics: Optics
    tilt: Tilt
    from_above: bool
    sheet_um: tuple[float, float, float]
    kinds: NDArray[np.uint8] = field(init=False)
    on_scale: NDArray[np.bool_] = field(init=False)
    through: list[Floats] = field(init=False)
    glow: list[Floats] = field(init=False)
    veils: list[Floats] = field(init=False)
    queue: list[tuple[Stamp, Window, NDArray[np.float64], int]] = field(init=False)

    def __post_init__(self) -> None:
        self.kinds = np.zeros(self.shape, np.uint8)
        self.on_scale = np.zeros(self.shape, bool)
        self.through = [np.ones((*self.shape, 3), np.float32) for _ in range(3)]
        self.glow = [np.zeros((*self.shape, 3), np.float32) for _ in range(3)] if self.from_above else []
        self.veils = [np.ones(self.shape, np.float32)]
        self.queue = []

    def depth_um(self, x_px: Place, y_px: Place) -> NDArray[np.floating]:
        """Depth of the print out of focus at a place."""
        rows, cols = self.shape
        half = max(rows, cols) / 2
        return self.tilt.depth_um((np.asarray(x_px) - cols / 2) / half, (np.asarray(y_px) - rows / 2) / half)

    def window(self, x_px: float, y_px: float, reach_px: float) -> Window | None:
        """Rows and columns of the view within reach of a place, None outside."""
        y0, y1 = max(0, int(y_px - reach_px)), min(self.shape[0], int(y_px + reach_px) + 2)
        x0, x1 = max(0, int(x_px - reach_px)), min(self.shape[1], int(x_px + reach_px) + 2)
        # Slopes need two pixels each way.
        return (slice(y0, y1), slice(x0, x1)) if y1 - y0 > 2 and x1 - x0 > 2 else None

    def local(self, box: Window, x_px: float, y_px: float, angle: float) -> tuple[Floats, Floats]:
        """µm along and across a direction from a place, over a window."""
        y = (np.arange(box[0].start, box[0].stop, dtype=np.float32)[:, None] - float(y_px)) * float(
            self.px_um
        )
        x = (np.arange(box[1].start, box[1].stop, dtype=np.float32)[None, :] - float(x_px)) * float(
            self.px_um
        )
        c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        return x * c + y * s, y * c - x * s

    def start_veil(self) -> int:
        """Begin to note what comes to lie over the things laid so far; gives the veil's number."""
        self.veils.append(np.ones(self.shape, np.float32))
        return len(self.veils) - 1

    def lay(
        self, box: Window, sheet: int, kind: str | None, cover: Floats, density: Floats, path_um: Floats | None,
        solid: float = 0.0, inner: Window | None = None,
    ) -> None:  # fmt: skip
        """Lay a large thing: density (h, w, 3), optical path (h, w); in top light, it also sends light back.

        `solid` is how far it hides, in top light, what lies beneath. Only the part `inner` of the window is laid
        where it is given: slopes need the rest.
        """
        passed = np.exp(np.float32(-np.log(10)) * density)
        if path_um is not None:
            y_mid, x_mid = ((part.start + part.stop) / 2 for part in box)
            z = self.sheet_um[sheet] + float(self.depth_um(x_mid, y_mid))
            bent = self.optics.passed(slope_of(path_um, self.px_um))
            # Defocus beyond one depth of field blurs more than it gathers.
            z = float(np.clip(z, -self.optics.depth_of_field_um, self.optics.depth_of_field_um))
            smooth = np.asarray(cv2.GaussianBlur(path_um, (0, 0), max(0.3, 0.6 / self.px_um)), np.float32)
            bent *= gathered(smooth, z, self.px_um)
            passed *= bent[..., None]
        if inner is not None:
            passed, density, cover = passed[inner], density[inner], cover[inner]
            (y, x), (down, right) = (s.start for s in box), (s.start for s in inner)
            box = (slice(y + down, y + down + cover.shape[0]), slice(x + right, x + right + cover.shape[1]))
        if self.from_above:
            body = (np.float32(solid) * cover)[..., None]
            passed = passed * (1 - body)
            self.glow[sheet][box] *= passed
            self.glow[sheet][box] += body * np.float32(0.8) * np.exp(np.float32(-1.7 * np.log(10)) * density)
        self.through[sheet][box] *= passed
        if kind is not None:
            self.kinds[box][cover > 0.5] = KIND[kind]
            # Light that a thing gathers hides nothing.
            veil = np.minimum(passed @ LUMA, 1)
            for one in self.veils:
                one[box] *= veil
            if kind == "scale":
                self.on_scale[box] |= cover > 0.5

    def stamp(self, body: Body, z_um: float, shine: float = 0.0) -> Stamp:
        """Image a small thing at a depth; `shine` is what it sends back in top light."""
        light = self.optics.image(body.density, body.path_um, z_um)
        if self.from_above:
            light = np.power(light, 1.35)
        size = light.shape[0]
        edge = np.minimum(np.arange(size), np.arange(size)[::-1]).astype(np.float32)
        fade = np.clip(np.minimum(edge[:, None], edge) / 6, 0, 1)[..., None]
        sd = float(self.optics.blur_um(z_um)) / self.optics.step_um
        soft = np.asarray(cv2.GaussianBlur(body.cover, (0, 0), max(sd, 0.3)), np.float32)
        sent = np.exp(np.float32(-1.2 * np.log(10)) * body.density.transpose(1, 2, 0))
        glow = np.float32(shine) * sent * soft[..., None]
        return Stamp((1 + (light - 1) * fade).astype(np.float32), body.cover, self.optics.step_um, glow)

    def press(
        self,
        stamp: Stamp,
        kind: str,
        x_px: float,
        y_px: float,
        angle: float,
        size: float = 1,
        mirror: bool = False,
    ) -> tuple[Window, NDArray[np.bool_]] | None:
        """Put a stamp at a place; gives the window and what it covers there, None outside of the view."""
        middle = (stamp.cover.shape[0] - 1) / 2
        box = self.window(x_px, y_px, middle * stamp.step_um * size / self.px_um + 1)
        if box is None:
            return None
        k = self.px_um / (stamp.step_um * size)
        c, s = np.cos(angle) * k, np.sin(angle) * k
        flip = -1.0 if mirror else 1.0
        turn = np.array([[c, s, 0.0], [-s * flip, c * flip, 0.0]])
        turn[:, 2] = middle + turn[:, :2] @ [box[1].start - x_px, box[0].start - y_px]
        cover = self._warp(stamp.cover, box, turn, 0.0) > 0.5
        self.kinds[box][cover] = KIND[kind]
        self.queue.append((stamp, box, turn, len(self.veils) - 1))
        return box, cover

    @staticmethod
    def _warp(values: Floats, box: Window, turn: NDArray[np.float64], outside: float) -> Floats:
        size = (box[1].stop - box[1].start, box[0].stop - box[0].start)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        border = (outside, outside, outside, outside)
        return np.asarray(cv2.warpAffine(values, turn, size, flags=flags, borderValue=border))

    def _blurred(self, values: Floats, sheet: int) -> Floats:
        rows, cols = self.shape
        y, x = np.mgrid[0:rows:24, 0:cols:24]
        sd = self.optics.blur_um(np.asarray(self.depth_um(x, y) + self.sheet_um[sheet], float)) / self.px_um
        low, high = float(sd.min()), float(sd.max())
        # Below a third of a pixel, or when all is equal, one blur is enough.
        if high < 1.15 * low + 0.1:
            return self._blur(values, (low + high) / 2)
        levels = np.geomspace(low, high, 3 if high < 2.5 * low else 4)
        sd_full = cv2.resize(sd.astype(np.float32), (cols, rows), interpolation=cv2.INTER_LINEAR)
        place = np.interp(sd_full, levels, np.arange(len(levels))).astype(np.float32)
        total = np.zeros_like(values)
        for k, level in enumerate(levels):
            share = np.clip(1 - np.abs(place - k), 0, 1)[..., None]
            total += share * self._blur(values, float(level))
        return total

    @staticmethod
    def _blur(values: Floats, sd_px: float) -> Floats:
        if sd_px < 3:
            return np.asarray(cv2.GaussianBlur(values, (0, 0), max(sd_px, 0.2)))
        # Two boxes have the flat top of a disc and cost the same at any width.
        wide = round(float(np.sqrt(6 * sd_px**2 + 1))) | 1
        return np.asarray(cv2.blur(cv2.blur(values, (wide, wide)), (wide, wide)))

    def light(self, ground: Floats) -> Floats:
        """Light of the whole view: the ground, then the sheets upwards, then the stamps."""
        total = ground
        for sheet in (GROUND, PRINT, TAPE):
            total = total * self._blurred(self.through[sheet], sheet)
            if self.from_above:
                total = total + self._blurred(self.glow[sheet], sheet)
        for stamp, box, turn, veil in self.queue:
            ratio = self._warp(stamp.light, box, turn, 1.0)
            if not self.from_above:
                total[box] *= ratio
                continue
            over = self.veils[veil][box][..., None]
            total[box] *= 1 + (ratio - 1) * over
            total[box] += self._warp(stamp.glow, box, turn, 0.0) * over
        return total

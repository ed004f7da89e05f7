"""The stack of thin layers, and the way of light through it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from sporecount.simulate.truth import KIND_NAMES

Array = NDArray[np.float32]
Window = tuple[slice, slice]
WAVES_UM = (0.61, 0.47)  # red and blue; green is taken between them
TILE = 320
FADE = 40
RIM = 12  # a tile's outer pixels only soak up what wraps around
KIND = {name: number for number, name in enumerate(KIND_NAMES)}


class Stack:
    """A print on the working grid: two layers of solid bodies, one of flat sheets, and what lies where.

    The grid has `shape` (rows, columns), and `step_um` is the side of a working pixel. `path_um` is the optical
    path of the bodies over that of the glue around, `density` their density by layer in red and blue, `sheet`
    that of scales in red, green and blue; `crowd` says how many spores lie over one another.
    """

    def __init__(self, shape: tuple[int, int], step_um: float) -> None:
        self.shape = shape
        self.step_um = step_um
        self.path_um = np.zeros((2, *shape), np.float32)
        self.density = np.zeros((2, 2, *shape), np.float32)
        self.sheet = np.zeros((*shape, 3), np.float32)
        self.kinds = np.zeros(shape, np.uint8)
        self.owner = np.full(shape, -1, np.int32)
        self.crowd = np.zeros(shape, np.uint8)
        self.scaled = np.zeros(shape, bool)

    def window(self, x: float, y: float, reach_um: float) -> tuple[Window, Array, Array] | None:
        """Cut a square around a point: its slices, and the offsets in micrometres; None outside the grid."""
        reach = int(reach_um / self.step_um) + 2
        r0, r1 = max(0, int(y) - reach), min(self.shape[0], int(y) + reach + 1)
        c0, c1 = max(0, int(x) - reach), min(self.shape[1], int(x) + reach + 1)
        if r0 >= r1 or c0 >= c1:
            return None
        dx = ((np.arange(c0, c1) - x) * self.step_um).astype(np.float32)[None]
        dy = ((np.arange(r0, r1) - y) * self.step_um).astype(np.float32)[:, None]
        return (slice(r0, r1), slice(c0, c1)), dx, dy

    def lay_body(
        self,
        layer: int,
        at: Window,
        path_um: Array,
        density: tuple[Array, Array],
        inside: NDArray[np.bool_],
        kind: str,
    ) -> None:
        """Sum a body into a layer and note it as the topmost thing there."""
        self.path_um[layer][at] += path_um
        self.density[layer, 0][at] += density[0]
        self.density[layer, 1][at] += density[1]
        self.kinds[at][inside] = KIND[kind]
        if kind != "spore":
            self.owner[at][inside] = -1


def _starts(length: int) -> list[int]:
    hop = TILE - 2 * RIM - FADE
    return list(range(-RIM, max(length - TILE + RIM, -RIM) + hop, hop))


class Light:
    """A cone of light behind the print, the objective, and the waves between them.

    `cone` is the share of the objective's aperture that the lamp fills, `oblique` the offset of its middle
    in apertures, `turn` the direction of the first of three tilted beams in radians.
    """

    def __init__(
        self, step_um: float, aperture: float, cone: float, oblique: tuple[float, float], turn: float
    ) -> None:
        self.step_um = step_um
        self.cone = aperture * cone
        angles = turn + np.arange(3) * 2 * np.pi / 3
        self.beams = 0.62 * self.cone * np.stack([np.cos(angles), np.sin(angles)], 1)
        # Steeper slopes throw the light past the objective, or beyond what the grid can carry.
        self.steepest = min(aperture * (1 + 0.5 * cone), 0.45 * WAVES_UM[1] / step_um)
        self.frequency = np.fft.fftfreq(TILE, step_um).astype(np.float32)
        fx, fy = self.frequency[None, :], self.frequency[:, None]
        self.square = fx**2 + fy**2
        self.pupils = np.empty((2, 3, TILE, TILE), np.float32)
        for w, wave in enumerate(WAVES_UM):
            for b, beam in enumerate(self.beams):
                sx, sy = (wave * f + beam[i] + oblique[i] * aperture for i, f in enumerate((fx, fy)))
                self.pupils[w, b] = np.clip((aperture * 1.04 - np.hypot(sx, sy)) / (0.08 * aperture), 0, 1)
            self.pupils[w] /= np.maximum(self.pupils[w, :, :1, :1], 0.3)
        self._spread: dict[float, NDArray[np.complex64]] = {}

    def blur_um(self, height_um: Array | float) -> Array:
        """Give the standard deviation of the spread of light from a layer so far from focus."""
        z = np.abs(np.asarray(height_um, np.float64))
        aperture = self.cone * 0.5
        waves = np.minimum(0.1 * 0.55 * z, (z * self.steepest / 2) ** 2)
        return np.asarray(np.sqrt((0.12 / self.steepest) ** 2 + (z * aperture) ** 2 + waves), np.float32)

    def _spread_by(self, height_um: float) -> NDArray[np.complex64]:
        key = round(height_um * 2) / 2
        if key not in self._spread:
            made = np.empty((2, 3, TILE, TILE), np.complex64)
            for w, wave in enumerate(WAVES_UM):
                curved = np.exp((1j * np.pi * wave * key) * self.square).astype(np.complex64)
                for b, beam in enumerate(self.beams):
                    # The mean tilt is left out, so that a lamp off its axis moves no centre.
                    turned = np.exp((2j * np.pi * key) * self.frequency[None] * beam[:, None])
                    turned = turned.astype(np.complex64)
                    made[w, b] = self.pupils[w, b] * curved * turned[1][:, None] * turned[0][None]
            self._spread = {key: made} if len(self._spread) > 24 else {**self._spread, key: made}
        return self._spread[key]

    def through(self, path_um: Array, density: Array, height_um: Array) -> Array:
        """Light behind a layer in red and blue, 1 where the layer is empty.

        `density` is given for red and blue; `height_um`, over the focal plane, changes slowly.
        """
        rows, cols = path_um.shape
        gy, gx = np.gradient(path_um, self.step_um)
        lost = density / 2 + 0.5 * np.log10(1 + ((gx**2 + gy**2) / self.steepest**2) ** 2)
        total = np.zeros((2, rows, cols), np.float32)
        weight = np.zeros((rows, cols), np.float32)
        from_end = np.minimum(np.arange(TILE), TILE - 1 - np.arange(TILE)) - RIM + 0.5
        # Weight of a tile along one side: nothing in its rim, then a linear fade.
        ramp = np.clip(from_end / FADE, 0, 1).astype(np.float32)
        inner = ((ramp[:, None] > 0) & (ramp[None] > 0)).astype(np.float32)
        for r in _starts(rows):
            for c in _starts(cols):
                r0, r1, c0, c1 = max(r, 0), min(r + TILE, rows), max(c, 0), min(c + TILE, cols)
                at = (slice(r0, r1), slice(c0, c1))
                cut = (slice(r0 - r, r1 - r), slice(c0 - c, c1 - c))
                fade = (ramp[:, None] * ramp[None])[cut] + 1e-6
                weight[at] += fade
                if not path_um[at].any() and not density[(slice(None), *at)].any():
                    total[(slice(None), *at)] += fade
                    continue
                height = float(height_um[(r0 + r1) // 2, (c0 + c1) // 2])
                field = np.ones((2, TILE, TILE), np.complex64)
                for w, wave in enumerate(WAVES_UM):
                    swing = np.exp(np.float32(-np.log(10)) * lost[w][at])
                    turn = np.float32(2 * np.pi / wave) * path_um[at]
                    field[w].real[cut] = 1 + (swing * np.cos(turn) - 1) * inner[cut]
                    field[w].imag[cut] = swing * np.sin(turn) * inner[cut]
                waves = fft.fft2(field, workers=2)[:, None] * self._spread_by(height)
                seen = fft.ifft2(waves, workers=2)
                light = (seen.real**2 + seen.imag**2).mean(1)
                # Each beam stands for a third of the cone.
                sigma = abs(height) * self.cone * 0.36 / self.step_um
                for w in range(2):
                    image = cv2.GaussianBlur(light[w], (0, 0), sigma) if sigma > 0.3 else light[w]
                    total[(w, *at)] += fade * image[cut]
        return np.asarray(total / weight, np.float32)


def blur_by_map(scene: Array, variance_px2: Array) -> Array:
    """Blur by a slowly changing variance, as a blend of evenly blurred copies.

    Linear in the variance between copies, so that the blend has the variance asked for.
    """
    low, high = float(variance_px2.min()), float(variance_px2.max())
    if high - low < 0.02 * high + 0.02:
        return (
            np.asarray(cv2.GaussianBlur(scene, (0, 0), np.sqrt(high)), np.float32) if high > 0.04 else scene
        )
    levels = np.linspace(np.sqrt(low), np.sqrt(high), 4) ** 2
    result = np.zeros_like(scene)
    for k, level in enumerate(levels):
        share = np.interp(variance_px2, levels, np.eye(4)[k]).astype(np.float32)
        copy = cv2.GaussianBlur(scene, (0, 0), float(np.sqrt(level))) if level > 0.04 else scene
        result += copy * (share[..., None] if scene.ndim == 3 else share)
    return result

"""The lit print while things are laid on it, one over the other, and the bare ground to begin with."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.heights.plan import Array, Plan
from sporecount.simulate.truth import KIND_NAMES

KIND = {name: number for number, name in enumerate(KIND_NAMES)}
Window = tuple[slice, slice]
LN10 = float(np.log(10))
SEEN_THROUGH = 0.45
"""A spore beneath a thing stays a spore for a person's eye where the thing lets through more light than this."""


class Body(NamedTuple):
    """A thing in its window.

    `density` is optical density per channel, `cover` the share of each pixel within the outline, `solid` the share
    of light from above that is thrown back, `bend` the difference of refractive index to the surroundings.
    """

    density: Array
    cover: Array
    height_um: Array
    solid: float
    bend: float
    z_um: float
    gloss: float


class Stage:
    """Light (its fourth channel is green as it would be without spores), bending and truth maps, fine grid."""

    def __init__(self, ground: Array, z_um: Array, px_um: float, plan: Plan) -> None:
        self.light = np.concatenate([ground, ground[..., 1:2]], axis=2)
        self.shape = (ground.shape[0], ground.shape[1])
        self.path = np.zeros((*self.shape, 2), np.float32)
        self.kinds = np.zeros(self.shape, np.uint8)
        self.owner = np.full(self.shape, -1, np.int32)
        self.scaled = np.zeros(self.shape, bool)
        self.z_um, self.px_um, self.plan = z_um, px_um, plan

    def window(self, x: float, y: float, reach_px: float) -> Window | None:
        """Cut a square around a place to the grid; None outside."""
        rows, cols = self.shape
        top, bottom = max(0, int(y - reach_px)), min(rows, int(y + reach_px) + 2)
        left, right = max(0, int(x - reach_px)), min(cols, int(x + reach_px) + 2)
        return (slice(top, bottom), slice(left, right)) if top < bottom and left < right else None

    def axes_um(self, win: Window, x: float, y: float, angle: float) -> tuple[Array, Array]:
        """Coordinates along and across a direction, from a place, in um."""
        dx = (np.arange(win[1].start, win[1].stop, dtype=np.float32) - np.float32(x))[None] * self.px_um
        dy = (np.arange(win[0].start, win[0].stop, dtype=np.float32) - np.float32(y))[:, None] * self.px_um
        c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        return np.asarray(dx * c + dy * s, np.float32), np.asarray(dy * c - dx * s, np.float32)

    def _shade(self, body: Body, height: Array) -> tuple[Array, Array]:
        """How the light from above strikes a body: brightness, and highlight."""
        gy, gx = np.gradient(height, self.px_um)
        # The surface falls towards the lamp where it faces it.
        facing = -(gx * self.plan.sun[0] + gy * self.plan.sun[1])
        across = gx * self.plan.sun[1] - gy * self.plan.sun[0]
        lit = np.clip(1 + 0.7 * facing / (1 + np.abs(facing)), 0.3, 1.7)
        shine = np.exp(-((facing - 0.5) ** 2 + across**2) / 0.06) * (body.cover > 0.6)
        return np.asarray(lit, np.float32), np.asarray(shine * body.gloss * self.plan.gloss, np.float32)

    def lay(self, win: Window, body: Body, kind: str, owner: int | None = None) -> None:
        """Lay a body over what is there; `owner` is the number of a spore."""
        if min(body.cover.shape) < 2:
            return
        plan, last = self.plan, 3 if owner is not None else 4
        light = self.light[win][..., :last]
        through = np.exp(-LN10 * body.density)
        if owner is None:
            through = np.concatenate([through, through[..., 1:2]], axis=2)
        if plan.above > 0:
            step_px = plan.shadow_um * min(1.5, float(body.height_um.max()) / 4) / self.px_um
            shift = np.array([[1, 0, -plan.sun[0] * step_px], [0, 1, -plan.sun[1] * step_px]], np.float32)
            soft = cv2.GaussianBlur(body.cover, (0, 0), max(0.6, 0.5 * step_px))
            thrown = cv2.warpAffine(soft, shift, soft.shape[::-1])
            dark = plan.above**0.5 * plan.shadow * (0.45 + 0.55 * body.solid)
            light *= 1 - (dark * thrown * (1 - body.cover))[..., None]
            lit, shine = self._shade(body, body.height_um)
            back = through**0.8 * (0.85 * lit)[..., None] + shine[..., None]
            hidden = (body.cover * body.solid)[..., None]
            clear = (1 - plan.above) * through + plan.above * through**1.3 * (1 - hidden)
            light *= clear
            light += plan.above * (hidden * back + (1 - hidden) * 0.4 * shine[..., None])
        else:
            clear = through
            light *= clear
        inside = body.cover > 0.5
        self._note(win, inside, clear[..., 1], kind, owner)
        if body.bend:
            rows, cols = self.z_um.shape
            row = (win[0].start + win[0].stop) * rows // (2 * self.shape[0])
            col = (win[1].start + win[1].stop) * cols // (2 * self.shape[1])
            z = float(self.z_um[row, col]) + body.z_um
            # Far from focus the bent light is spread wide, so its pattern grows no further.
            bent = body.height_um * np.float32(body.bend * z / (1 + abs(z) / 7))
            self.path[win] += np.stack([bent, bent * (owner is None)], axis=2)

    def _note(
        self, win: Window, inside: NDArray[np.bool_], clear: Array, kind: str, owner: int | None
    ) -> None:
        """Keep the maps of truth."""
        kinds, owners = self.kinds[win], self.owner[win]
        if owner is not None:
            kinds[inside] = KIND["spore"]
            owners[inside] = owner
            return
        hides = inside & ((owners < 0) | (clear < SEEN_THROUGH))
        kinds[hides] = KIND[kind]
        owners[hides] = -1
        self.path[win] *= np.where(inside, 0.2 + 0.8 * clear, 1)[..., None]
        self.scaled[win] |= inside & kind.startswith("scale")

    def finish(self) -> Array:
        """Put the bending into the light: transport of intensity along the slopes of the optical path."""
        gain = 2.1 * (1.25 - self.plan.condenser) * (1 - 0.6 * self.plan.above)
        smooth = cv2.GaussianBlur(self.path, (0, 0), 0.16 / self.plan.aperture / self.px_um + 0.5)
        kernel = np.array([[1, 2, 1], [2, -12, 2], [1, 2, 1]], np.float32) / np.float32(4 * self.px_um**2)
        curve = cv2.filter2D(smooth, -1, kernel)
        # Beyond this, light has been sent out of the objective altogether.
        factor = np.exp(0.75 * np.tanh(-gain * curve / 0.75))
        return self.light * factor[..., [0, 0, 0, 1]]


def clouds(rng: np.random.Generator, shape: tuple[int, int], cell_px: tuple[float, float] | float) -> Array:
    """Draw smooth noise of mean 0 and deviation about 1; the cell may be longer one way (rows, columns)."""
    cells = cell_px if isinstance(cell_px, tuple) else (cell_px, cell_px)
    total = np.zeros(shape, np.float32)
    # Two sizes, so that the lattice of neither shows.
    for grow, weight in ((1.0, 1.1), (0.43, 0.8)):
        small = [int(np.clip(n / max(c * grow, 1), 1, n)) + 3 for n, c in zip(shape, cells, strict=True)]
        field = rng.standard_normal(small, dtype=np.float32)
        total += np.float32(weight) * cv2.resize(field, shape[::-1], interpolation=cv2.INTER_CUBIC)
    return total


def _fibre_web(rng: np.random.Generator, shape: tuple[int, int], px_um: float) -> Array:
    """Paper's own fibres, out of focus and one through the other."""
    web = np.zeros(shape, np.float32)
    for _ in range(2):
        sheet = np.full(shape, 128, np.uint8)
        number = int(min(400, shape[0] * shape[1] * px_um**2 / rng.uniform(900, 4000))) + 3
        for _ in range(number):
            start, turn = rng.uniform(0, 1, 2) * shape[::-1], rng.uniform(0, 2 * np.pi)
            turns = turn + np.cumsum(rng.normal(0, 0.25, 9))
            step = rng.uniform(20, 70) / px_um
            points = start + np.cumsum(step * np.stack([np.cos(turns), np.sin(turns)], 1), 0)
            wide = int(np.clip(rng.uniform(6, 22) / px_um, 1, 200))
            cv2.polylines(sheet, [points.astype(np.int32)], False, int(rng.integers(60, 200)), wide)
        soft = cv2.GaussianBlur(sheet, (0, 0), min(rng.uniform(2, 8) / px_um, 18)).astype(np.float32)
        web += (soft - 128) / np.float32(128)
    return web


def draw_ground(rng: np.random.Generator, shape: tuple[int, int], px_um: float, plan: Plan) -> Array:
    """Draw the bare ground: glass, card or paper under a tape with its glue, at times with ruled lines."""
    tone = rng.uniform(0.32, 0.7) if plan.ground == "grey card" else rng.uniform(0.8, 0.95)
    field = np.zeros(shape, np.float32)
    if plan.ground == "glass":
        field += rng.uniform(0, 0.02) * clouds(rng, shape, rng.uniform(60, 200) / px_um)
    elif plan.ground == "paper":
        field += rng.uniform(0.05, 0.35) * _fibre_web(rng, shape, px_um)
        field += rng.uniform(0.01, 0.05) * clouds(rng, shape, rng.uniform(20, 60) / px_um)
    else:
        for cell, most in ((90, 0.08), (30, 0.06), (9, 0.05), (3, 0.035)):
            field += rng.uniform(0.15, 1) * most * clouds(rng, shape, max(1.0, cell / px_um))
        if rng.random() < 0.5:
            field += rng.uniform(0.02, 0.15) * _fibre_web(rng, shape, px_um)
    glue = plan.glue * 0.05
    if rng.random() < 0.7:
        worms = np.abs(clouds(rng, shape, max(1.5, rng.uniform(3, 14) / px_um))) - 0.8
        field += glue * rng.uniform(0.3, 1) * worms
    if rng.random() < 0.4:
        long, thin = rng.uniform(150, 600) / px_um, max(1.5, rng.uniform(2, 9) / px_um)
        streak = (long, thin) if rng.random() < 0.5 else (thin, long)
        field += glue * rng.uniform(0.3, 1.3) * clouds(rng, shape, streak)
    field += rng.uniform(0, 0.012) * clouds(rng, shape, 1.5)
    warm = np.array([rng.normal(0, 0.025), 0, rng.normal(-0.03, 0.05)], np.float32)
    ground = np.float32(tone) * np.exp(field)[..., None] * (1 + warm)
    if plan.ground != "glass" and rng.random() < 0.18:
        # A printed or pencilled line, broad and ragged under a microscope.
        along = np.arange(shape[1], dtype=np.float32)[None] * px_um
        ragged = np.abs(along - along.max() * rng.random()) - rng.uniform(30, 200)
        ragged = (ragged + 9 * clouds(rng, shape, 25 / px_um)) / rng.uniform(3, 12)
        ink = 1 / (1 + np.exp(np.clip(ragged, -30, 30)))
        ink *= np.clip(0.8 + 0.3 * clouds(rng, shape, 12 / px_um), 0.1, 1.3) * rng.uniform(0.3, 1.1)
        ground *= np.exp(-LN10 * ink[..., None] * np.array(((0.45, 0.25, 0.1), (0.3,) * 3)[rng.integers(2)]))
    return np.asarray(ground, np.float32)

"""Outlines of points, and the sheet on which filled outlines leave their pigments."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.pigments.spectrum import PIGMENTS, Array, density
from sporecount.simulate.truth import KIND_NAMES

Points = NDArray[np.float64]
Box = tuple[slice, slice]
SPORE = KIND_NAMES.index("spore")


def turned(points: Points, angle: float) -> Points:
    """Points turned by an angle, from +x towards +y."""
    c, s = np.cos(angle), np.sin(angle)
    return points @ np.array([[c, s], [-s, c]])


def lemon(
    rng: np.random.Generator, length: float, width: float, point: float, wobble: float, bend: float
) -> Points:
    """Outline of a spore along x, centred on its extents; `point` 0.5 is an ellipse, 1 two crossing arcs."""
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    x = np.cos(angle)
    y = np.sign(np.sin(angle)) * np.clip(1 - x**2, 0, 1) ** point
    grown = 1 + wobble * sum(rng.normal() / k * np.cos(k * angle + rng.uniform(0, 6.3)) for k in (2, 3, 4, 5))
    points = np.stack([x * grown, y * grown + bend * (x**2 - 0.4)], 1)
    low, high = points.min(0), points.max(0)
    return (points - (low + high) / 2) / (high - low) * (length, width)


def lump(
    rng: np.random.Generator, radius: float, wobble: float, aspect: float = 1.0, count: int = 36
) -> Points:
    """Draw a closed wobbly outline round the origin."""
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
    grown = 1 + wobble * sum(
        rng.normal() / k**0.8 * np.cos(k * angle + rng.uniform(0, 6.3)) for k in range(2, 8)
    )
    points = radius * np.clip(grown, 0.3, 2)[:, None] * np.stack([np.cos(angle), np.sin(angle)], 1)
    return turned(points * (aspect**0.5, aspect**-0.5), rng.uniform(0, np.pi))


def shard(rng: np.random.Generator, radius: float) -> Points:
    """Draw a broken piece: few corners, straight sides."""
    angle = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(4, 9))))
    reach = radius * rng.uniform(0.6, 1.3, angle.size)
    return turned(
        reach[:, None] * np.stack([np.cos(angle), rng.uniform(0.5, 1) * np.sin(angle)], 1),
        rng.uniform(0, np.pi),
    )


def paddle(rng: np.random.Generator, length: float, width: float, teeth: int, tooth: float) -> Points:
    """Outline a butterfly scale along x: stalk at the left, toothed end at the right, centred."""
    t = np.linspace(0, 1, 24)
    half = width / 2 * np.clip(np.sin(np.pi * (0.06 + 0.62 * t**0.75)), 0, 1) ** rng.uniform(0.6, 1.1)
    x = length * (t * 0.86 - 0.5)
    # The stalk: a thin root that sat in the skin, knobbed at its end.
    half[3:9] *= np.array([0.25, 0.5, 0.7, 0.84, 0.93, 0.98])
    half[:3] = np.array([1.6, 1.1, 1.5]) * rng.uniform(0.7, 1.3)
    x[:3] = x[3] - length * np.array([0.07, 0.045, 0.0])
    side = np.stack([x, half * rng.uniform(0.9, 1.1)], 1)
    v = np.linspace(half[-1], -half[-1], 10 * teeth + 1)
    phase = np.linspace(0, 2 * np.pi * teeth, v.size)
    arch = length * 0.1 * np.cos(np.pi / 2 * v / (half[-1] + 1e-6))
    end = (
        length * 0.36
        + arch
        + tooth
        * length
        * (1 - np.cos(phase))
        * rng.uniform(0.3, 1, teeth).repeat(10)[np.minimum(np.arange(v.size), 10 * teeth - 1)]
    )
    other = side[::-1] * (1, -1)
    return np.concatenate([side, np.stack([end, v], 1), other])


def torn(rng: np.random.Generator, points: Points, at: float) -> Points:
    """Keep what is left of an outline right of a ragged tear at x = `at`."""
    low, high = points[:, 1].min(), points[:, 1].max()
    y = points[:, 1]
    rag = at + (high - low) * 0.12 * np.interp(y, np.linspace(low, high, 9), rng.normal(0, 1, 9))
    return np.stack([np.maximum(points[:, 0], rag), y], 1)


def wandering(rng: np.random.Generator, start: Points, angle: float, length: float, curl: float) -> Points:
    """Draw a smooth path of about 60 points."""
    step = length / 60
    bends = np.cumsum(np.convolve(rng.normal(0, 1, 75), np.ones(16) / 4, "valid")[:60]) * curl / 60
    heading = angle + bends
    return start + np.cumsum(step * np.stack([np.cos(heading), np.sin(heading)], 1), 0)


def ribbon(path: Points, half: NDArray[np.float64]) -> Points:
    """Outline a path with a half width at each point."""
    along = np.gradient(path, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True) + 1e-9
    across = np.stack([-along[:, 1], along[:, 0]], 1) * half[:, None]
    return np.concatenate([path + across, (path - across)[::-1]])


@dataclass(frozen=True)
class Stencil:
    """A filled outline in a small window `box`, `fine` times finer than the sheet.

    `inside` is each fine pixel's share in the outline, `deep_um` and `out_um` the distances from it inwards and
    outwards, `x_um` and `y_um` the place relative to the outline's own zero.
    """

    box: Box
    fine: int
    inside: Array
    deep_um: Array
    out_um: Array
    x_um: Array
    y_um: Array

    def coarse(self, fine: Array) -> Array:
        """Means over the sheet's pixels."""
        if self.fine == 1:
            return np.asarray(fine, np.float32)
        size = (self.box[1].stop - self.box[1].start, self.box[0].stop - self.box[0].start)
        return np.asarray(
            cv2.resize(np.asarray(fine, np.float32), size, interpolation=cv2.INTER_AREA), np.float32
        )


class Sheet:
    """What lies on the print: pigments of things, and apart from them those of the spores.

    With light from above, what lies on top hides what lies beneath.
    """

    def __init__(self, shape: tuple[int, int], px_um: float, from_above: bool) -> None:
        self.shape, self.px_um, self.from_above = shape, px_um, from_above
        self.pigment = np.zeros((len(PIGMENTS), *shape), np.float32)
        self.spore_parts = np.zeros((3, *shape), np.float32)
        self.cover, self.spore_cover, self.gloss = (np.zeros(shape, np.float32) for _ in range(3))
        self.kind = np.zeros(shape, np.uint8)
        self.owner = np.full(shape, -1, np.int32)
        self.scaled = np.zeros(shape, bool)

    def stencil(self, points_um: Points, x: float, y: float, reach_um: float = 0.0) -> Stencil | None:
        """Fill an outline whose zero lies at (x, y) of the sheet; None where nothing of it is on the sheet."""
        points = points_um / self.px_um + (x, y)
        reach = reach_um / self.px_um + 1
        low = np.maximum(np.floor(points.min(0) - reach), 0).astype(int)
        high = np.minimum(np.ceil(points.max(0) + reach) + 1, self.shape[::-1]).astype(int)
        cols, rows = high - low
        if min(cols, rows) < 2:
            return None
        longest = max(cols, rows)
        fine = 4 if longest < 26 else 3 if longest < 44 else 2 if longest < 200 else 1
        mask = np.zeros((rows * fine, cols * fine), np.uint8)
        placed = np.clip((points - low + 0.5) * fine - 0.5, -20000, 20000)
        cv2.fillPoly(mask, [np.round(placed * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        solid = (mask > 127).astype(np.uint8)
        if not solid.any():
            return None
        step = self.px_um / fine
        deep = cv2.distanceTransform(solid, cv2.DIST_L2, 5) * np.float32(step)
        none = np.zeros_like(deep)
        out = cv2.distanceTransform(1 - solid, cv2.DIST_L2, 3) * np.float32(step) if reach_um > 0 else none
        x_um = ((np.arange(mask.shape[1], dtype=np.float32) + 0.5) / fine - 0.5 + low[0] - x) * self.px_um
        y_um = ((np.arange(mask.shape[0], dtype=np.float32) + 0.5) / fine - 0.5 + low[1] - y) * self.px_um
        box = (slice(int(low[1]), int(high[1])), slice(int(low[0]), int(high[0])))
        inside = mask.astype(np.float32) / np.float32(255)
        return Stencil(box, fine, inside, deep, out, x_um[None, :], y_um[:, None])

    def lay(
        self,
        stencil: Stencil,
        kind: str,
        pigments: Array,
        amount: Array,
        grey: Array | None = None,
        *,
        cover: float = 0.8,
        veil: float = 0.0,
    ) -> None:
        """Add pigments times an amount, and grey that may be negative (light gathered)."""
        box = stencil.box
        body = stencil.coarse(amount)
        for k in np.nonzero(pigments)[0]:
            self.pigment[k][box] += pigments[k] * body
        if grey is not None:
            self.pigment[1][box] += stencil.coarse(grey)
        inside = stencil.coarse(stencil.inside)
        self.cover[box] = 1 - (1 - self.cover[box]) * (1 - cover * inside)
        hidden = inside > 0.5
        veiling = 0.95 * cover if self.from_above else veil
        if veiling:
            self.spore_parts[:, box[0], box[1]] *= 1 - veiling * inside
            self.spore_cover[box] *= 1 - veiling * inside
        if not self.from_above:
            # A person sees a spore through what is clear enough.
            hidden &= (self.kind[box] != SPORE) | (body * density(pigments) > 1.3) | (veil > 0.6)
        self.kind[box][hidden] = KIND_NAMES.index(kind)
        self.owner[box][hidden] = -1

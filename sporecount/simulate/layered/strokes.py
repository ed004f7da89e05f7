"""Thin long things: hairs, bristles, loose fibres, ridges of glue, splinters of scales."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np

from sporecount.simulate.layered import colours, noise, shapes
from sporecount.simulate.layered.debris import BUBBLE, GREY, PainterBase

PIECE, HAIR, FIBRE = 3, 4, 5


class StrokePainter(PainterBase):
    """Draws single lines on one canvas under one light."""

    def _stroke(
        self,
        path: np.ndarray,
        radius: Callable[[float], float],
        absorbs: np.ndarray,
        kind: int,
        strength: float,
        rim: float,
        hides: float,
        inner: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None,
    ) -> None:
        """Draw a tapering line through points (n, 2) in µm; distances are joined over its pieces first.

        `inner` gives the density added inside, from the place along in µm and across from -1 to 1.
        """
        low, high = path.min(axis=0), path.max(axis=0)
        widest = max(radius(0.0), radius(0.5), radius(1.0))
        centre, reach = (low + high) / 2, (high - low) / 2 + 2 * widest + 2
        window = self.canvas.window(centre[0], centre[1], reach[0], reach[1])
        if window is None:
            return
        px = np.float32(self.canvas.px_um)
        distance = np.full((window.y.shape[0], window.x.shape[1]), 99.0, np.float32)
        across, along, passed = np.zeros_like(distance), np.zeros_like(distance), 0.0
        x, y = window.x[0] + np.float32(centre[0]), window.y[:, 0] + np.float32(centre[1])
        for number, ((ax, ay), (bx, by)) in enumerate(pairwise(path)):
            pad = 2 * widest + 2 * px + 2
            columns = slice(*np.searchsorted(x, [min(ax, bx) - pad, max(ax, bx) + pad]))
            rows = slice(*np.searchsorted(y, [min(ay, by) - pad, max(ay, by) + pad]))
            dx, dy = x[None, columns] - np.float32(ax), y[rows, None] - np.float32(ay)
            if dx.size == 0 or dy.size == 0:
                continue
            ex, ey = np.float32(bx - ax), np.float32(by - ay)
            t = np.clip((dx * ex + dy * ey) / (ex * ex + ey * ey + 1e-6), 0, 1)
            gap = np.sqrt((dx - t * ex) ** 2 + (dy - t * ey) ** 2)
            thick = radius((number + 0.5) / (len(path) - 1))
            signed = gap - np.float32(thick)
            box = (rows, columns)
            nearer = signed < distance[box]
            distance[box] = np.where(nearer, signed, distance[box])
            share = gap / np.float32(max(thick, 1e-3))
            if inner is not None:
                share = np.copysign(share, dx * ey - dy * ex)
                along[box] = np.where(nearer, np.float32(passed) + t * np.hypot(ex, ey), along[box])
                passed += float(np.hypot(ex, ey))
            across[box] = np.where(nearer, share, across[box])
        cover = shapes.coverage(distance, float(px))
        body = strength * cover * (1 - 0.5 * np.clip(1 - np.abs(across), 0, 1))
        if inner is not None:
            body += cover * inner(along, np.clip(across, -1, 1))
        if rim:
            body += rim * np.exp(-((distance / (0.25 * widest + 0.3)) ** 2)) * (distance < 2 * widest)
        self.canvas.lay(
            window,
            distance < 0,
            kind,
            density=body.astype(np.float32),
            absorbs=absorbs,
            hides=hides,
            soften_um=self._soften(),
        )

    def hair(self, x: float, y: float) -> None:
        """Long hair across the view, or its tapering end, or a short bristle."""
        rng = self.rng
        long = rng.random() < 0.35
        length = rng.uniform(300, 1500) if long else rng.uniform(15, 200)
        thick = rng.uniform(1.0, 8.0) if long else rng.uniform(0.6, 3.5)
        path = noise.curve(rng, x, y, rng.uniform(0, 6.3), length, rng.uniform(0, 1.2), 24 if long else 10)
        taper = rng.uniform(0.0, 0.95)
        self._stroke(
            path,
            lambda t: thick * (1 - taper * t),
            colours.brown_absorption(rng),
            HAIR,
            rng.uniform(0.2, 2.5),
            noise.maybe(rng, 0.5, 0.1, 0.8),
            0.85,
        )

    def fibre(self, x: float, y: float) -> None:
        """Loose paper or textile fibre: clear with dark edges, or dyed; curly."""
        rng = self.rng
        thick = rng.uniform(2.0, 10.0)
        path = noise.curve(rng, x, y, rng.uniform(0, 6.3), rng.uniform(120, 1200), rng.uniform(0.5, 5), 30)
        dyed = rng.random() < 0.25
        absorbs = 1.3 - colours.hsv(rng.uniform(), 0.8, 0.9) if dyed else GREY
        self._stroke(
            path,
            lambda _t: thick,
            absorbs.astype(np.float32),
            FIBRE,
            rng.uniform(0.3, 1.0) if dyed else rng.uniform(-0.1, 0.3),
            rng.uniform(0.15, 0.9),
            0.4,
        )

    def ridge(self, x: float, y: float) -> None:
        """Ridge of glue: a long line, bright along one side and dark along the other."""
        rng = self.rng
        start = noise.curve(rng, x, y, rng.uniform(0, 6.3), rng.uniform(200, 1500), rng.uniform(0.2, 3), 24)
        thick = rng.uniform(0.8, 4.0)
        side = rng.uniform(0, 6.3)
        shift = 1.6 * thick * np.array([np.cos(side), np.sin(side)])
        depth = rng.uniform(0.1, 0.9)
        self._stroke(start, lambda _t: thick, GREY, BUBBLE, depth, 0.0, 0.2)
        self._stroke(start + shift, lambda _t: thick, GREY, BUBBLE, -0.5 * depth, 0.0, 0.1)

    def teeth(self, x: float, y: float) -> None:
        """Loose teeth of scales: thin pointed splinters, straight."""
        rng = self.rng
        length, angle = rng.uniform(8, 40), rng.uniform(0, 6.3)
        ends = np.array([[x, y], [x + length * np.cos(angle), y + length * np.sin(angle)]])
        path = np.linspace(ends[0], ends[1], 6)
        thick = rng.uniform(0.8, 2.2)
        absorbs = np.clip(-np.log(colours.scale_colour(rng) + 0.02), 0.05, 3)
        self._stroke(path, lambda t: thick * (1.05 - t), absorbs, PIECE, rng.uniform(0.3, 1.2), 0.1, 0.8)

"""Hairs and fibres with something inside or along them, bundles of them, sharp lines of light, scratches."""

from __future__ import annotations

import numpy as np

from sporecount.simulate.layered import colours, noise
from sporecount.simulate.layered.debris import BUBBLE, GREY, OTHER
from sporecount.simulate.layered.strokes import FIBRE, HAIR, StrokePainter

INNER = ("medulla", "nodes", "twist", "beads", "grain", "double edge")


class ThreadPainter(StrokePainter):
    """Draws structured threads on one canvas under one light."""

    def _thread(self, path: np.ndarray, thick: float, sort: str, absorbs: np.ndarray, kind: int) -> None:
        rng = self.rng
        pitch, depth, start = rng.uniform(0.7, 5.0) * thick + 1.5, rng.uniform(0.3, 1.4), rng.uniform(0, 6.3)
        turn = np.float32(2 * np.pi / pitch)
        sign = float(rng.choice([1.0, 1.0, -0.5]))

        def inside(along: np.ndarray, across: np.ndarray) -> np.ndarray:
            phase = along * turn + np.float32(start)
            if sort == "medulla":
                core = np.exp(-((across / 0.4) ** 2)) * (0.6 + 0.4 * np.clip(2 * np.cos(phase), -1, 1))
                return sign * depth * core
            if sort == "nodes":
                return depth * np.clip(np.cos(phase) * 4 - 3, 0, 1)
            if sort == "twist":
                return 0.6 * depth * np.clip(np.cos(phase + 2.2 * across), -0.7, 1)
            if sort == "beads":
                return depth * (np.cos(phase) - 0.3) * (1 - 0.6 * across**2)
            if sort == "grain":
                return 0.7 * depth * np.sin(phase * 1.7 + 5 * across) * np.sin(phase * 0.61 - 9 * across)
            return depth * np.exp(-(((np.abs(across) - 0.7) / 0.15) ** 2))

        body = rng.uniform(-0.15, 0.4) if sort == "double edge" else rng.uniform(0.1, 1.5)
        taper = rng.uniform(0.0, 0.6)
        self._stroke(
            path,
            lambda t: thick * (1 - taper * t),
            absorbs,
            kind,
            body,
            noise.maybe(rng, 0.6, 0.1, 0.9),
            float(np.clip(0.3 + body, 0, 0.9)),
            inside,
        )

    def _tint(self) -> np.ndarray:
        rng = self.rng
        if rng.random() < 0.2:
            return (1.3 - colours.hsv(rng.uniform(), 0.8, 0.9)).astype(np.float32)
        return GREY if rng.random() < 0.4 else colours.brown_absorption(rng)

    def thread(self, x: float, y: float) -> None:
        """Hair or fibre with a core, nodes, a twist, beads, grain or a double edge; perhaps frayed."""
        rng = self.rng
        thick = float(np.exp(rng.uniform(np.log(1.2), np.log(12))))
        path = noise.curve(rng, x, y, rng.uniform(0, 6.3), rng.uniform(60, 900), rng.uniform(0, 2.5), 24)
        absorbs, kind = self._tint(), HAIR if rng.random() < 0.5 else FIBRE
        self._thread(path, thick, str(rng.choice(INNER)), absorbs, kind)
        if rng.random() < 0.25:  # its end splits into fine threads
            way = np.arctan2(*(path[0] - path[1])[::-1])
            for _ in range(int(rng.integers(2, 8))):
                angle = way + rng.normal(0, 0.5)
                length = rng.uniform(8, 50)
                far = length / 2 * np.array([np.cos(angle), np.sin(angle)])
                end = noise.curve(rng, path[0, 0] + far[0], path[0, 1] + far[1], angle, length, 1.0, 6)
                self._stroke(end, lambda t: 0.25 * thick * (1 - 0.6 * t), absorbs, kind, 0.6, 0.1, 0.5)

    def ribbon(self, x: float, y: float) -> None:
        """Pale wide ribbon with two dark edges, 10-45 µm across, that may twist."""
        rng = self.rng
        path = noise.curve(rng, x, y, rng.uniform(0, 6.3), rng.uniform(200, 1200), rng.uniform(0, 3), 24)
        sort = "double edge" if rng.random() < 0.6 else str(rng.choice(INNER))
        self._thread(path, rng.uniform(5, 22), sort, GREY if rng.random() < 0.7 else self._tint(), FIBRE)

    def bundle(self, x: float, y: float) -> None:
        """Several fibres side by side, nearly parallel."""
        rng = self.rng
        path = noise.curve(rng, x, y, rng.uniform(0, 6.3), rng.uniform(100, 700), rng.uniform(0, 2), 14)
        thick, absorbs = rng.uniform(0.7, 4.0), self._tint()
        for _ in range(int(rng.integers(3, 9))):
            shift = rng.normal(0, 2.5 * thick, 2)
            wave = np.stack([np.zeros(14), 1.5 * thick * np.sin(np.linspace(0, rng.uniform(2, 9), 14))], 1)
            self._stroke(path + shift + wave, lambda _t: thick, absorbs, FIBRE, rng.uniform(0, 0.6), 0.5, 0.3)

    def glint(self, x: float, y: float) -> None:
        """Sharp line of refracted light: bright, with a dark line close beside it."""
        rng = self.rng
        path = noise.curve(rng, x, y, rng.uniform(0, 6.3), rng.uniform(20, 600), rng.uniform(0, 4), 18)
        thick, depth, side = rng.uniform(0.4, 1.6), rng.uniform(0.2, 1.2), rng.uniform(0, 6.3)
        shift = rng.uniform(1.5, 3.5) * thick * np.array([np.cos(side), np.sin(side)])
        self._stroke(path, lambda _t: thick, GREY, BUBBLE, -0.6 * depth, 0.0, 0.1)
        self._stroke(path + shift, lambda _t: thick, GREY, BUBBLE, depth, 0.0, 0.2)

    def scratches(self, x: float, y: float) -> None:
        """Straight scratches in one direction, light or dark."""
        rng = self.rng
        way, tone, thick = rng.uniform(0, 6.3), float(rng.choice([-0.5, 0.6])), rng.uniform(0.4, 1.5)
        for _ in range(int(rng.integers(1, 6))):
            at = np.array([x, y]) + rng.normal(0, 40, 2)
            path = noise.curve(rng, at[0], at[1], way + rng.normal(0, 0.1), rng.uniform(15, 500), 0.1, 5)
            self._stroke(path, lambda t: thick * (1 - 0.7 * t), GREY, OTHER, tone * rng.random(), 0.0, 0.1)

"""Compact things that are neither spore nor scale: look-alikes, each with its honest kind."""

from __future__ import annotations

import numpy as np

from sporecount.simulate.layered import colours, noise, shapes
from sporecount.simulate.layered.canvas import Canvas, Window

BUBBLE, DUST, POLLEN, OTHER = 6, 7, 8, 9
GREY = np.ones(3, np.float32)


class PainterBase:
    """Canvas, light and chance shared by those who draw single things.

    Parameters
    ----------
    spore_length : float
        Mean length of the sample's spores in µm, so that look-alikes of nearly that size differ otherwise.
    """

    def __init__(
        self, rng: np.random.Generator, canvas: Canvas, light: np.ndarray, spore_length: float
    ) -> None:
        self.rng, self.canvas, self.light, self.spore_length = rng, canvas, light, spore_length
        self.brown = colours.brown_absorption(rng)

    def _soften(self) -> float:
        return noise.maybe(self.rng, 0.35, 0.2, 2.5)

    def _solid(
        self,
        window: Window,
        distance: np.ndarray,
        density: np.ndarray,
        absorbs: np.ndarray,
        kind: int,
        hides: float = 0.8,
        glow: np.ndarray | None = None,
        opaque: float = 0.0,
        paint: np.ndarray | None = None,
    ) -> None:
        cover = shapes.coverage(distance, self.canvas.px_um)
        self.canvas.lay(
            window,
            distance < 0,
            kind,
            density=density,
            absorbs=absorbs,
            hides=hides,
            soften_um=self._soften(),
            glow=glow,
            cover=cover * np.float32(opaque) if opaque else None,
            paint=paint,
        )


class GrainPainter(PainterBase):
    """Draws single compact things on one canvas under one light."""

    def droplet(self, x: float, y: float) -> None:
        """Round brown droplet: a true circle with a bright spot or an even slope, any size."""
        rng = self.rng
        radius = float(np.exp(rng.uniform(np.log(1.2), np.log(16))))
        window = self.canvas.window(x, y, radius * 1.3 + 2)
        if window is None:
            return
        distance = np.sqrt(window.x**2 + window.y**2) - np.float32(radius)
        cover = shapes.coverage(distance, self.canvas.px_um)
        depth = np.clip(-distance / radius, 0, 1)
        body = rng.uniform(0.3, 1.6) * (1 - depth * rng.uniform(-0.3, 0.9)) * cover
        body += rng.uniform(0, 1.5) * np.exp(-((distance / (0.12 * radius + 0.3)) ** 2)) * cover
        off = rng.uniform(0, 0.4) * radius
        spot = np.exp(
            -(((window.x - off) ** 2 + (window.y + off) ** 2) / (rng.uniform(0.15, 0.4) * radius) ** 2)
        )
        absorbs = colours.brown_absorption(rng) if rng.random() < 0.5 else self.brown
        self._solid(
            window,
            distance,
            body,
            absorbs,
            OTHER,
            0.7,
            (rng.uniform(0.1, 0.8) * spot * cover)[..., None] * self.light,
        )

    def bubble(self, x: float, y: float, radius: float | None = None) -> None:
        """Air bubble: dark rim, light middle, sometimes a second ring and an uneven outline."""
        rng = self.rng
        if radius is None:
            radius = float(np.exp(rng.uniform(np.log(1.5), np.log(90))))
        window = self.canvas.window(x, y, radius * 1.5 + 4)
        if window is None:
            return
        uneven = noise.maybe(rng, 0.5, 0.01, 0.08) if radius > 6 else 0.0
        distance = shapes.wavy_disc(
            window.x, window.y, radius, uneven * rng.normal(0, 1, 3) / (1, 1.7, 2.5), rng.uniform(0, 6.3, 3)
        )
        rim = float(np.clip(radius * rng.uniform(0.06, 0.3), 0.4, 8))
        density = rng.uniform(0.4, 3.0) * np.exp(-(((distance + rim) / rim) ** 2))
        density -= rng.uniform(0.0, 0.4) * np.exp(-(((distance - 0.8 * rim) / rim) ** 2))
        depth = np.clip(-distance / radius, 0, 1)
        density -= rng.uniform(0.0, 0.35) * np.clip(depth - 0.25, 0, 1) * (distance < 0)
        if rng.random() < 0.3:
            density += 0.3 * np.exp(-(((distance + 3 * rim) / (0.7 * rim)) ** 2))
        side = (window.x * np.float32(np.cos(x)) + window.y * np.float32(np.sin(x))) / radius
        density *= 1 + np.float32(rng.uniform(0, 0.7)) * np.clip(side, -1, 1)
        self.canvas.clear[window.box][density > 0.5] *= 0.4  # nothing can be read through the dark rim
        self._solid(window, distance, density, GREY * rng.uniform(0.9, 1.1, 3), BUBBLE, 0.15)

    def microbubbles(self, x: float, y: float) -> None:
        """Bubbles of spore size and smaller, single or in a swarm."""
        spread = self.rng.uniform(5, 60)
        for _ in range(int(self.rng.integers(2, 14)) if self.rng.random() < 0.5 else 1):
            at = self.rng.normal(0, spread, 2)
            self.bubble(x + at[0], y + at[1], self.rng.uniform(0.8, 6.5))

    def pollen(self, x: float, y: float) -> None:
        """Pollen grain: yellow to brown, 12-60 µm, with furrows, spines, net or plain thick wall."""
        rng = self.rng
        length = float(np.exp(rng.uniform(np.log(max(14.0, 1.5 * self.spore_length)), np.log(62))))
        aspect = float(rng.uniform(1.05, 2.2)) if rng.random() < 0.5 else 1.0
        window = self.canvas.window(x, y, length * 0.62 + 3)
        if window is None:
            return
        u, v = window.turned(rng.uniform(0, np.pi))
        dressed = rng.choice(5)
        distance = shapes.ellipse(u, v, length / 2, length / 2 / aspect)
        if dressed == 0:  # spines
            theta = np.arctan2(v, u)
            distance = (
                distance
                - length * rng.uniform(0.02, 0.06) * np.abs(np.cos(theta * int(rng.integers(6, 12)))) ** 4
            )
        if dressed == 1:  # three-cornered
            distance = shapes.wavy_disc(
                u, v, length / 2, np.array([0.0, rng.uniform(0.06, 0.15)]), np.zeros(2)
            )
        wall = rng.uniform(0.8, 3.0)
        cover = shapes.coverage(distance, self.canvas.px_um)
        body = (
            rng.uniform(0.1, 0.9) * cover
            + rng.uniform(0.3, 1.5) * np.exp(-(((distance + wall) / wall) ** 2)) * cover
        )
        if dressed == 2:  # furrow
            body += rng.uniform(0.3, 0.9) * cover * np.exp(-((v / (0.06 * length)) ** 2))
            body -= 0.3 * cover * np.exp(-((v / (0.16 * length)) ** 2))
        if dressed in (3, 4) and distance.size > 200:  # net or grains
            body += (
                cover
                * 0.35
                * noise.smooth_field(rng, distance.shape, max(1.0, length * 0.07 / self.canvas.px_um))
            )
        hue = colours.hsv(rng.beta(2, 2.5) * 0.17 + 0.04, rng.beta(1.5, 1.8), 0.9)
        absorbs = np.clip(-np.log(hue + 0.03), 0.1, 2.5)
        absorbs = absorbs / float(absorbs @ [0.25, 0.6, 0.15])
        self._solid(window, distance, np.maximum(body, 0), absorbs, POLLEN, 0.9)

    def dust(self, x: float, y: float) -> None:
        """Irregular grain, black, grey or brown, jagged."""
        rng = self.rng
        size = float(np.exp(rng.uniform(np.log(1.0), np.log(32))))
        if rng.random() < 0.35:  # of spore size, told by its outline
            size = self.spore_length * rng.uniform(0.6, 1.6)
        window = self.canvas.window(x, y, size + 2)
        if window is None:
            return
        stretch = rng.uniform(0.3, 1.0)
        u, v = window.turned(rng.uniform(0, np.pi))
        if rng.random() < 0.5:
            corners = shapes.rough_corners(rng, size / 2, int(rng.integers(4, 11)), rng.uniform(0.3, 0.75))
            distance = shapes.polygon(u, v / np.float32(stretch), corners) * np.float32(stretch)
        else:
            swing = rng.uniform(0.1, 0.28) / np.arange(1, 6)
            distance = shapes.wavy_disc(u, v / np.float32(stretch), size / 2.4, swing, rng.uniform(0, 6.3, 5))
        cover = shapes.coverage(distance, self.canvas.px_um)
        body = cover * rng.uniform(0.3, 3.0)
        if distance.size > 100:
            body = body * np.clip(
                1 + 0.4 * noise.smooth_field(rng, distance.shape, max(1.0, 2 / self.canvas.px_um)), 0.2, 2
            )
        absorbs = GREY if rng.random() < 0.45 else colours.brown_absorption(rng)
        self._solid(window, distance, body, absorbs, DUST, 0.95)

    def mould(self, x: float, y: float) -> None:
        """Mould spores well below spore size: single, a chain, or a heap; grey-green to dark brown."""
        rng = self.rng
        size = min(6.5, float(rng.uniform(0.22, 0.48) * self.spore_length))
        aspect = rng.uniform(1.0, 1.6)
        count = int(rng.choice(np.array([1, rng.integers(3, 12), rng.integers(6, 40)]), p=[0.35, 0.4, 0.25]))
        chain, heading = rng.random() < 0.6, rng.uniform(0, 6.3)
        absorbs = (
            colours.brown_absorption(rng) if rng.random() < 0.5 else np.array([1.15, 0.85, 1.2], np.float32)
        )
        strength, at = rng.uniform(0.3, 2.0), np.array([x, y])
        rim = rng.uniform(0, 1.5)
        for _ in range(count):
            window = self.canvas.window(at[0], at[1], size)
            if window is not None:
                u, v = window.turned(heading)
                distance = shapes.ellipse(u, v, size / 2, size / 2 / aspect)
                cover = shapes.coverage(distance, self.canvas.px_um)
                body = strength * cover * (0.6 + rim * np.exp(-((distance / (0.15 * size)) ** 2)))
                self._solid(window, distance, body, absorbs, OTHER, 0.6)
            if chain:
                heading += rng.normal(0, 0.25)
                at = at + size * 0.95 * np.array([np.cos(heading), np.sin(heading)])
            else:
                heading = rng.uniform(0, 6.3)
                at = np.array([x, y]) + rng.normal(0, size * 0.45 * np.sqrt(count), 2)

    def septate(self, x: float, y: float) -> None:
        """Long many-celled mould spore with cross walls: far longer than wide."""
        rng = self.rng
        length, cells = rng.uniform(1.6, 4.0) * self.spore_length, int(rng.integers(2, 8))
        width = length / rng.uniform(2.6, 5.0)
        window = self.canvas.window(x, y, length / 2 + 2)
        if window is None:
            return
        u, v = window.turned(rng.uniform(0, np.pi))
        distance = shapes.lemon(u, v, length, width, rng.uniform(0, 0.5))
        cover = shapes.coverage(distance, self.canvas.px_um)
        walls = np.abs(np.sin(u * np.float32(np.pi * cells / length))) < 0.18
        body = cover * rng.uniform(0.3, 1.4) * (0.7 + 0.8 * walls + 0.8 * np.exp(-((distance / 0.8) ** 2)))
        self._solid(window, distance, body, colours.brown_absorption(rng), OTHER, 0.7)

    def crystal(self, x: float, y: float) -> None:
        """Clear grain of sand or salt: facets with bright and dark edges."""
        rng = self.rng
        size = float(np.exp(rng.uniform(np.log(3), np.log(60))))
        window = self.canvas.window(x, y, size + 2)
        if window is None:
            return
        corners = shapes.rough_corners(rng, size / 2, int(rng.integers(4, 8)), rng.uniform(0.05, 0.4))
        distance = shapes.polygon(window.x, window.y, corners)
        cover = shapes.coverage(distance, self.canvas.px_um)
        edge = np.exp(-(((distance + 0.06 * size) / (0.05 * size + 0.4)) ** 2))
        turn = rng.uniform(0, 6.3)
        facet = np.sign(
            np.sin((window.x * np.cos(turn) + window.y * np.sin(turn)) * rng.uniform(3, 8) / size + 1)
        )
        body = cover * (rng.uniform(-0.1, 0.3) + 0.15 * facet * rng.random()) + rng.uniform(0.5, 2.0) * edge
        glow = (cover * rng.uniform(0, 0.4) * (facet > 0) * np.exp(-((distance / (0.2 * size)) ** 2)))[
            ..., None
        ] * self.light
        self._solid(window, distance, body.astype(np.float32), GREY, DUST, 0.6, glow)

    def starch(self, x: float, y: float) -> None:
        """Clear oval with a thin dark outline and sometimes a small cross or dot in the middle."""
        rng = self.rng
        length = rng.uniform(5, 40)
        aspect = rng.uniform(1.0, 1.6)
        window = self.canvas.window(x, y, length * 0.6 + 3)
        if window is None:
            return
        u, v = window.turned(rng.uniform(0, np.pi))
        distance = shapes.ellipse(u, v, length / 2, length / 2 / aspect)
        cover = shapes.coverage(distance, self.canvas.px_um)
        rim = rng.uniform(0.35, 1.0)
        body = rng.uniform(0.3, 1.3) * np.exp(-((distance / rim) ** 2)) - rng.uniform(0.02, 0.15) * cover
        if rng.random() < 0.5:
            body += rng.uniform(0.1, 0.5) * cover * np.exp(-((u**2 + v**2) / (0.08 * length + 0.3) ** 2))
        self._solid(window, distance, body, GREY, OTHER, 0.15)

    def ink(self, x: float, y: float) -> None:
        """Splash of ink: deep, coloured or black, soft-edged, with satellites."""
        rng = self.rng
        absorbs = 1.0 - colours.hsv(rng.uniform(), rng.choice([0.0, 0.8]), 0.3)
        for _ in range(int(rng.integers(1, 6))):
            radius = float(np.exp(rng.uniform(np.log(1.5), np.log(25))))
            at = rng.normal(0, 35, 2)
            window = self.canvas.window(x + at[0], y + at[1], radius * 1.7 + 3)
            if window is None:
                continue
            distance = shapes.wavy_disc(
                window.x, window.y, radius, rng.uniform(0, 0.12, 4), rng.uniform(0, 6.3, 4)
            )
            body = rng.uniform(0.8, 3) * np.clip(0.5 - distance / (0.3 * radius + 0.5), 0, 1)
            self._solid(window, distance, body, absorbs, OTHER, 0.9)

    def stain(self, x: float, y: float) -> None:
        """Dried drop: a faint disc with a darker ring."""
        rng = self.rng
        radius = rng.uniform(20, 220)
        window = self.canvas.window(x, y, radius * 1.4)
        if window is None:
            return
        distance = shapes.wavy_disc(
            window.x, window.y, radius, rng.normal(0, 0.06, 4), rng.uniform(0, 6.3, 4)
        )
        ring = rng.uniform(0.02, 0.1) * radius
        body = rng.uniform(0.05, 0.5) * np.exp(-((distance / ring) ** 2)) + rng.uniform(0, 0.15) * (
            distance < 0
        )
        density = body.astype(np.float32)
        self.canvas.lay(
            window,
            np.abs(distance) < ring,
            OTHER,
            density=density,
            absorbs=self.brown,
            hides=0.0,
            soften_um=1.0,
        )

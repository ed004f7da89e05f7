"""Look-alikes of a spore's size, told from spores by their colour, rim, furrows, corners or company."""

from __future__ import annotations

import numpy as np

from sporecount.simulate.layered import colours, noise, shapes
from sporecount.simulate.layered.debris import BUBBLE, GREY, OTHER, POLLEN, PainterBase

PIECE = 3


class SmallPainter(PainterBase):
    """Draws things of 6-18 µm that are as oval as a spore, or nearly, and never brown through and through."""

    grey_photo = False
    """Set where the camera will show no colour: what only colour tells from a spore is then left out."""

    def _yellow(self) -> np.ndarray:
        rng = self.rng
        return np.array([rng.uniform(0.0, 0.03), rng.uniform(0.05, 0.25), rng.uniform(1.5, 3.0)], np.float32)

    def oval_bubble(self, x: float, y: float) -> None:
        """Oval air, 6-18 µm: a hard dark rim without colour about a clear or bright middle."""
        rng = self.rng
        length, aspect = float(np.exp(rng.uniform(np.log(6), np.log(18)))), rng.uniform(1.0, 1.8)
        thick, strength = rng.uniform(0.07, 0.22), rng.uniform(0.6, 2.5)
        bright, lean = rng.uniform(0.0, 0.35), rng.uniform(0.0, 0.6)
        turn, way = rng.uniform(0, np.pi), rng.uniform(0, 2 * np.pi)
        for _ in range(int(rng.choice([1, 1, 2, int(rng.integers(3, 12))]))):
            size = length * rng.uniform(0.75, 1.25)
            window = self.canvas.window(x, y, 0.7 * size + 2)
            if window is not None:
                u, v = window.turned(turn + rng.normal(0, 0.2))
                distance = shapes.ellipse(u, v, size / 2, size / 2 / aspect)
                wide = max(thick * size / aspect, 0.35)
                body = strength * np.exp(-(((distance + wide) / wide) ** 2))
                side = (window.x * np.float32(np.cos(way)) + window.y * np.float32(np.sin(way))) * 2 / size
                body = body * (1 + np.float32(lean) * np.clip(side, -1, 1))
                body -= bright * np.clip(-distance / (0.5 * size / aspect) - 0.35, 0, 1)
                body -= 0.12 * np.exp(-(((distance - wide) / wide) ** 2))
                self._solid(window, distance, body.astype(np.float32), GREY, BUBBLE, 0.3)
            x, y = x + rng.normal(0, 1.3 * length), y + rng.normal(0, 1.3 * length)

    def thin_ring(self, x: float, y: float) -> None:
        """Fine colourless ring, 6-18 µm, round or oval, with the untouched ground inside."""
        rng = self.rng
        for _ in range(1 if rng.random() < 0.7 else int(rng.integers(2, 6))):
            size = float(np.exp(rng.uniform(np.log(6), np.log(18))))
            window = self.canvas.window(x, y, 0.7 * size + 2)
            if window is not None:
                u, v = window.turned(rng.uniform(0, np.pi))
                distance = shapes.ellipse(u, v, size / 2, size / 2 / float(rng.uniform(1.0, 1.6)))
                wide = rng.uniform(0.35, 0.8)
                line = rng.uniform(0.3, 1.3) * np.exp(-((distance / wide) ** 2))
                self._solid(window, np.abs(distance) - np.float32(wide), line, GREY, BUBBLE, 0.2)
            x, y = x + rng.normal(0, 2.0 * size), y + rng.normal(0, 2.0 * size)

    def mould_ovals(self, x: float, y: float) -> None:
        """Mould spores of 5-14 µm, clear, grey-green or olive: single, in pairs, in chains and in sprays."""
        rng = self.rng
        size, aspect = float(np.exp(rng.uniform(np.log(5), np.log(14)))), rng.uniform(1.0, 1.7)
        sort = rng.integers(3)
        absorbs = GREY
        fill, rim = rng.uniform(-0.1, 0.1), rng.uniform(0.4, 1.4)
        if sort:  # grey-green takes red most; olive takes blue most, and hardly less red than that
            absorbs = np.array([1.4, 0.75, 1.2] if sort == 1 else [1.05, 0.75, 1.6], np.float32)
            absorbs = absorbs + np.float32(rng.uniform(0, 0.6)) * (1 - absorbs)  # more or less dull
            absorbs[2] *= rng.uniform(0.85, 1.15)
            fill, rim = rng.uniform(0.1, 0.9), rng.uniform(0.1, 1.0)
        number = int(rng.choice([1, 2, int(rng.integers(3, 14)), int(rng.integers(5, 25))]))
        if self.grey_photo:
            number = max(number, 4)
        chained, heading = number == 2 or rng.random() < 0.6, rng.uniform(0, 2 * np.pi)
        at = np.array([x, y])
        for _ in range(number):
            window = self.canvas.window(at[0], at[1], 0.7 * size + 1)
            if window is not None:
                u, v = window.turned(heading)
                distance = shapes.ellipse(u, v, size / 2, size / 2 / aspect)
                body = fill * shapes.coverage(distance, self.canvas.px_um)
                body = body + rim * np.exp(-(((distance + 0.3) / 0.6) ** 2))
                self._solid(window, distance, body.astype(np.float32), absorbs, OTHER, 0.5)
            if chained:
                at = at + size * 0.98 * np.array([np.cos(heading), np.sin(heading)])
                heading += rng.normal(0, 0.25)
            else:
                heading = rng.uniform(0, 2 * np.pi)
                at = np.array([x, y]) + rng.normal(0, 1.4 * size, 2)

    def yellow_drop(self, x: float, y: float) -> None:
        """Clear yellow droplets, 4-18 µm, round or slightly drawn out, with a bright spot."""
        rng = self.rng
        size, absorbs = float(np.exp(rng.uniform(np.log(4), np.log(18)))), self._yellow()
        strength, rim = rng.uniform(0.3, 1.0), rng.uniform(0.0, 0.8)
        for _ in range(1 if rng.random() < 0.6 else int(rng.integers(2, 9))):
            length = size * rng.uniform(0.6, 1.3)
            window = self.canvas.window(x, y, 0.7 * length + 1)
            if window is not None:
                u, v = window.turned(rng.uniform(0, np.pi))
                most = 1.04 if self.grey_photo else 1.25
                distance = shapes.ellipse(u, v, length / 2, length / 2 / float(rng.uniform(1.0, most)))
                cover = shapes.coverage(distance, self.canvas.px_um)
                body = cover * (strength + rim * np.exp(-((distance / (0.1 * length + 0.2)) ** 2)))
                spot = np.exp(-(((u - 0.15 * length) ** 2 + v**2) / (0.16 * length) ** 2))
                glow = (rng.uniform(0.1, 0.6) * spot * cover)[..., None] * self.light
                self._solid(window, distance, body.astype(np.float32), absorbs, OTHER, 0.5, glow)
            x, y = x + rng.normal(0, 1.5 * size), y + rng.normal(0, 1.5 * size)

    def small_pollen(self, x: float, y: float) -> None:
        """Yellow oval pollen, 8-18 µm, with a thick double wall and one to three furrows."""
        rng = self.rng
        size = float(np.exp(rng.uniform(np.log(8), np.log(18)))) * (2.2 if self.grey_photo else 1.0)
        aspect, absorbs, wall = rng.uniform(1.1, 1.7), self._yellow(), rng.uniform(0.05, 0.1) * size
        places = {1: (0.0,), 2: (-0.4, 0.4), 3: (-0.55, 0.0, 0.55)}[int(rng.integers(1, 4))]
        fill, depth = rng.uniform(0.25, 0.8), rng.uniform(0.6, 1.6)
        for _ in range(1 if rng.random() < 0.6 else int(rng.integers(2, 7))):
            window = self.canvas.window(x, y, 0.6 * size + 1)
            if window is not None:
                u, v = window.turned(rng.uniform(0, np.pi))
                wide = size / aspect
                distance = shapes.ellipse(u, v, size / 2, wide / 2)
                cover = shapes.coverage(distance, self.canvas.px_um)
                bow = np.sqrt(np.clip(1 - (2 * u / size) ** 2, 0, 1))
                body = np.full_like(cover, fill) + depth * np.exp(-(((distance + wall) / wall) ** 2))
                for place in places:
                    body += depth * np.exp(-(((v - place * bow * wide / 2) / (0.05 * wide + 0.25)) ** 2))
                self._solid(window, distance, (body * cover).astype(np.float32), absorbs, POLLEN, 0.8)
            x, y = x + rng.normal(0, 1.6 * size), y + rng.normal(0, 1.6 * size)

    def torn_flake(self, x: float, y: float) -> None:
        """Torn bits of scale, 6-18 µm: sharp corners, straight tears, fine ridges, any scale's colour."""
        rng = self.rng
        size = float(np.exp(rng.uniform(np.log(6), np.log(18))))
        sent = colours.scale_colour(rng)
        if (
            0.4 < sent[1] / max(float(sent[0]), 1e-3) < 0.9
        ):  # brown: grey does instead, as blur rounds corners
            sent = np.full(3, float(sent.mean()), np.float32)
        absorbs = np.clip(-np.log(sent + 0.03), 0.05, 3.0)
        opaque = float(rng.uniform(0.2, 0.9))
        for _ in range(1 if rng.random() < 0.6 else int(rng.integers(2, 8))):
            length = size * rng.uniform(0.8, 1.2)
            window = self.canvas.window(x, y, 0.8 * length + 1)
            if window is not None:
                u, v = window.turned(rng.uniform(0, np.pi))
                slim = np.float32(rng.uniform(0.3, 0.8))
                corners = shapes.rough_corners(
                    rng, 0.6 * length, int(rng.integers(3, 7)), rng.uniform(0.3, 0.6)
                )
                distance = shapes.polygon(u, v / slim, corners) * slim
                cover = shapes.coverage(distance, self.canvas.px_um)
                ridges = 1 + noise.maybe(rng, 0.6, 0.1, 0.4) * np.sin(v * np.float32(rng.uniform(2.0, 4.5)))
                self._solid(
                    window, distance, rng.uniform(0.3, 1.0) * cover * ridges, absorbs, PIECE, 0.8,
                    opaque=opaque, paint=sent * self.light,
                )  # fmt: skip
            x, y = x + rng.normal(0, 1.6 * size), y + rng.normal(0, 1.6 * size)

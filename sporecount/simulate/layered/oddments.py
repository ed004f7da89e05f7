"""More compact look-alikes: too small, too large, too long, hollow, furrowed, budding, textured, printed."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.layered import colours, noise, shapes, skin
from sporecount.simulate.layered.canvas import Window
from sporecount.simulate.layered.debris import BUBBLE, DUST, GREY, OTHER, POLLEN, PainterBase


class OddmentPainter(PainterBase):
    """Draws single things that share a spore's colour, size or outline, but never all three."""

    def _brownish(self) -> np.ndarray:
        return self.brown if self.rng.random() < 0.5 else colours.brown_absorption(self.rng)

    def _lumps(self, window: Window, cell_um: float, amount: float) -> np.ndarray:
        shape = (window.y.shape[0], window.x.shape[1])
        lumps = noise.smooth_field(self.rng, shape, max(1.0, cell_um / self.canvas.px_um))
        return np.clip(1 + np.float32(amount) * lumps, 0.2, 2.0)

    def _oval(self, x: float, y: float, length: float, aspect: float, kind: int, hides: float = 0.7) -> None:
        """Draw a filled or rimmed oval of the sample's brown or another one."""
        rng = self.rng
        window = self.canvas.window(x, y, 0.6 * length + 2)
        if window is None:
            return
        u, v = window.turned(rng.uniform(0, np.pi))
        distance = shapes.lemon(u, v, length, length / aspect, rng.uniform(0, 0.5))
        cover = shapes.coverage(distance, self.canvas.px_um)
        rim = np.exp(-((distance / (0.08 * length + 0.3)) ** 2))
        body = cover * (rng.uniform(0.1, 1.8) + rng.uniform(0, 1.2) * rim)
        self._solid(window, distance, body, self._brownish(), kind, hides)

    def speck(self, x: float, y: float) -> None:
        """Brown specks too small for a spore, strewn or in a loose group."""
        rng = self.rng
        for _ in range(int(rng.integers(1, 12)) if rng.random() < 0.4 else 1):
            at = rng.normal(0, 25, 2)
            size = min(6.5, self.spore_length * rng.uniform(0.2, 0.55))
            self._oval(x + at[0], y + at[1], size, rng.uniform(1.0, 1.8), DUST)

    def blob(self, x: float, y: float) -> None:
        """Brown blob too large for a spore, smooth or lumpy."""
        rng = self.rng
        size = max(20.0, self.spore_length * rng.uniform(1.7, 3.2))
        if rng.random() < 0.4:
            self._oval(x, y, size, rng.uniform(1.0, 1.9), OTHER, 0.8)
            return
        window = self.canvas.window(x, y, 0.8 * size + 2)
        if window is None:
            return
        distance = shapes.wavy_disc(
            window.x, window.y, size / 2, rng.uniform(0, 0.15, 4), rng.uniform(0, 6.3, 4)
        )
        cover = shapes.coverage(distance, float(rng.uniform(self.canvas.px_um, 4.0)))
        body = cover * rng.uniform(0.3, 2.2) * self._lumps(window, rng.uniform(1.5, 6), rng.uniform(0, 0.5))
        self._solid(window, distance, body, self._brownish(), OTHER)

    def bar(self, x: float, y: float) -> None:
        """Brown bar with blunt or round ends, far longer than wide."""
        rng = self.rng
        length, wide = self.spore_length * rng.uniform(1.5, 5.0), self.spore_length * rng.uniform(0.2, 0.6)
        window = self.canvas.window(x, y, 0.6 * length + 2)
        if window is None:
            return
        u, v = window.turned(rng.uniform(0, np.pi))
        v = v + np.float32(rng.normal(0, 0.3) / length) * u**2
        if rng.random() < 0.5:
            distance = np.maximum(np.abs(u) - length / 2, np.abs(v) - wide / 2)
        else:
            beyond = np.maximum(np.abs(u) - (length - wide) / 2, 0)
            distance = np.sqrt(beyond**2 + v**2) - wide / 2
        cover = shapes.coverage(distance, self.canvas.px_um)
        body = cover * (rng.uniform(0.2, 1.8) + rng.uniform(0, 1) * np.exp(-((distance / 0.9) ** 2)))
        self._solid(window, distance, body, self._brownish(), OTHER)

    def half_moon(self, x: float, y: float) -> None:
        """Disc or oval cut off straight or hollowed: a half, a crescent, a bitten wall."""
        rng = self.rng
        size = self.spore_length * rng.uniform(0.6, 2.0)
        window = self.canvas.window(x, y, 0.7 * size + 2)
        if window is None:
            return
        u, v = window.turned(rng.uniform(0, 2 * np.pi))
        distance = shapes.ellipse(u, v, size / 2, size / 2 / float(rng.uniform(1.0, 1.4)))
        if rng.random() < 0.5:
            distance = np.maximum(distance, v + np.float32(rng.uniform(-0.1, 0.15) * size))
        else:
            bite = shapes.ellipse(u, v - np.float32(rng.uniform(0.2, 0.4) * size), size * 0.5, size * 0.4)
            distance = np.maximum(distance, -bite)
        cover = shapes.coverage(distance, self.canvas.px_um)
        body = cover * (rng.uniform(0.2, 1.6) + rng.uniform(0, 1) * np.exp(-((distance / 0.9) ** 2)))
        self._solid(window, distance, body, self._brownish(), OTHER)

    def ring(self, x: float, y: float) -> None:
        """Brown or grey ring with nothing inside, closed or broken."""
        rng = self.rng
        size = float(np.exp(rng.uniform(np.log(5), np.log(45))))
        window = self.canvas.window(x, y, 0.7 * size + 3)
        if window is None:
            return
        u, v = window.turned(rng.uniform(0, np.pi))
        distance = shapes.ellipse(u, v, size / 2, size / 2 / float(rng.uniform(1.0, 1.12)))
        wide = float(np.clip(size * rng.uniform(0.04, 0.1), 0.5, 3.0))
        line = np.exp(-((distance / wide) ** 2))
        if rng.random() < 0.4:
            line *= np.clip(2.0 * np.cos(np.arctan2(v, u)) + rng.uniform(0, 2.5), 0, 1)
        absorbs = GREY if rng.random() < 0.4 else self._brownish()
        ring = np.abs(distance) - np.float32(wide)
        self._solid(window, ring, rng.uniform(0.3, 1.8) * line, absorbs, OTHER, 0.4)

    def foam(self, x: float, y: float) -> None:
        """Bubbles of 6-20 µm packed side by side, rims thin or thick, centres light or dark."""
        rng = self.rng
        size, thick, centre = rng.uniform(5, 20), rng.uniform(0.05, 0.25), rng.normal(0, 0.5)
        tone = GREY if rng.random() < 0.75 else self._brownish()
        strength = rng.uniform(0.3, 2.5)
        for number in range(int(rng.integers(1, 26))):
            far, turn = 0.55 * size * np.sqrt(number), 2.4 * number
            radius = 0.5 * size * rng.uniform(0.5, 1.1)
            cx, cy = x + far * np.cos(turn), y + far * np.sin(turn)
            window = self.canvas.window(cx, cy, 1.3 * radius + 2)
            if window is None:
                continue
            distance = np.sqrt(window.x**2 + window.y**2) - np.float32(radius)
            wide = max(0.4, thick * radius)
            body = strength * np.exp(-(((distance + wide) / wide) ** 2))
            dot = np.exp(-((window.x**2 + window.y**2) / (0.3 * radius) ** 2))
            body = body + (centre if radius > 2.5 else 0.0) * dot
            body -= 0.12 * strength * np.exp(-(((distance - wide) / wide) ** 2))
            self._solid(window, distance, body, tone, BUBBLE, 0.15)

    def lens_drop(self, x: float, y: float) -> None:
        """Clear or yellow round drop: bright on one side, dark on the other, no wall."""
        rng = self.rng
        radius = float(np.exp(rng.uniform(np.log(2), np.log(30))))
        window = self.canvas.window(x, y, 1.2 * radius + 2)
        if window is None:
            return
        r = np.sqrt(window.x**2 + window.y**2)
        distance = r - np.float32(radius)
        cover = shapes.coverage(distance, self.canvas.px_um)
        u, _ = window.turned(rng.uniform(0, 2 * np.pi))
        body = cover * (rng.uniform(-0.2, 0.3) + rng.uniform(0.1, 0.8) * u / radius * (r / radius) ** 2)
        body += rng.uniform(0, 0.8) * np.exp(-((distance / (0.06 * radius + 0.3)) ** 2)) * cover
        yellow = np.array([0.2, 0.7, 2.2], np.float32)
        self._solid(window, distance, body, yellow if rng.random() < 0.4 else GREY, OTHER, 0.3)

    def furrowed_pollen(self, x: float, y: float) -> None:
        """Oval pollen with one to three lengthwise furrows and a thick wall; whole, or broken open."""
        rng = self.rng
        length = self.spore_length * rng.uniform(1.35, 2.3)
        window = self.canvas.window(x, y, 0.6 * length + 2)
        if window is None:
            return
        u, v = window.turned(rng.uniform(0, np.pi))
        wide = length / float(rng.uniform(1.1, 2.0))
        distance = shapes.lemon(u, v, length, wide, rng.uniform(0, 0.4))
        if rng.random() < 0.25:
            crack = u * np.float32(np.cos(0.6)) + v - 0.6 * np.sin(v * np.float32(2.5))
            distance = np.maximum(distance, crack - np.float32(rng.uniform(0, 0.2) * length))
        cover = shapes.coverage(distance, self.canvas.px_um)
        bow = np.sqrt(np.clip(1 - (2 * u / length) ** 2, 0, 1))
        furrows = np.zeros_like(cover)
        for place in {1: (0.0,), 2: (-0.4, 0.4), 3: (-0.55, 0.0, 0.55)}[int(rng.integers(1, 4))]:
            furrows += np.exp(-(((v - place * bow * wide / 2) / (0.05 * wide + 0.25)) ** 2))
        wall = rng.uniform(0.5, 1.6)
        body = rng.uniform(0.15, 0.8) + float(rng.choice([-0.4, 0.7, 1.1])) * furrows
        body = body + rng.uniform(0.4, 1.4) * np.exp(-(((distance + wall) / wall) ** 2))
        hue = colours.hsv(rng.uniform(0.06, 0.19), rng.uniform(0.2, 0.9), 0.9)
        absorbs = np.clip(-np.log(hue + 0.03), 0.1, 2.5)
        self._solid(window, distance, np.maximum(body, 0) * cover, absorbs, POLLEN, 0.9)

    def conidia(self, x: float, y: float) -> None:
        """Small mould ovals of 3-6 µm in bent chains or sprays, brown, green or clear."""
        rng = self.rng
        size = min(6.5, self.spore_length * rng.uniform(0.25, 0.5))
        aspect, strength, rim = rng.uniform(1.0, 2.2), rng.uniform(0.1, 1.5), rng.uniform(0, 1.5)
        tints = (self._brownish(), GREY, np.array([1.3, 0.8, 1.3], np.float32))
        absorbs = tints[int(rng.integers(3))]
        for _ in range(int(rng.integers(1, 5))):
            heading, at = rng.uniform(0, 6.3), np.array([x, y]) + rng.normal(0, 2 * size, 2)
            for _ in range(int(rng.integers(2, 10))):
                window = self.canvas.window(at[0], at[1], size)
                if window is not None:
                    u, v = window.turned(heading)
                    distance = shapes.ellipse(u, v, size / 2, size / 2 / aspect)
                    wall = np.exp(-((distance / (0.12 * size)) ** 2))
                    body = strength * shapes.coverage(distance, self.canvas.px_um) * (0.5 + rim * wall)
                    self._solid(window, distance, body, absorbs, OTHER, 0.6)
                heading += rng.normal(0, 0.3)
                at = at + size * rng.uniform(0.8, 1.1) * np.array([np.cos(heading), np.sin(heading)])

    def yeast(self, x: float, y: float) -> None:
        """Clear budding ovals: a thin grey wall, a bright middle, perhaps a dot; no colour of their own."""
        rng = self.rng
        size = rng.uniform(3.0, 9.0)
        for _ in range(int(rng.integers(1, 9))):
            length = size * rng.uniform(0.5, 1.2)
            at = np.array([x, y]) + rng.normal(0, size, 2)
            window = self.canvas.window(at[0], at[1], length + 2)
            if window is None:
                continue
            u, v = window.turned(rng.uniform(0, np.pi))
            distance = shapes.ellipse(u, v, length / 2, length / 2 / float(rng.uniform(1.0, 1.5)))
            wall = np.exp(-((distance / 0.6) ** 2))
            dot = np.exp(-((u**2 + v**2) / (0.12 * length + 0.2) ** 2))
            body = (
                rng.uniform(0.1, 0.7) * wall
                + rng.uniform(0, 0.5) * dot
                - rng.uniform(0.05, 0.2) * (distance < 0)
            )
            self._solid(window, distance, body.astype(np.float32), GREY, OTHER, 0.1)

    def flake(self, x: float, y: float) -> None:
        """Shapeless flake of anything, 8-140 µm, with a texture of its own."""
        rng = self.rng
        size = float(np.exp(rng.uniform(np.log(8), np.log(140))))
        window = self.canvas.window(x, y, 0.8 * size + 2)
        if window is None:
            return
        px = np.float32(self.canvas.px_um)
        distance = shapes.wavy_disc(
            window.x, window.y, size / 2, rng.uniform(0, 0.22, 5), rng.uniform(0, 6.3, 5)
        )
        u, v = window.turned(rng.uniform(0, np.pi))
        tile = skin.random_tile(rng, self.canvas.px_um, plain_share=0.05)
        texture = skin.sample(rng, tile, u / px, v / px)
        body = rng.uniform(0.0, 1.2) + rng.normal(0, 0.4) * np.exp(-((distance / 1.2) ** 2))
        tint = GREY if rng.random() < 0.4 else self._brownish()
        cover = shapes.coverage(distance, float(px))[..., None]
        self.canvas.rgb[window.box] *= np.exp(-cover * np.float32(rng.uniform(0.4, 1.2)) * texture)
        self._solid(window, distance, (body * cover[..., 0]).astype(np.float32), tint, DUST, 0.7)

    def rust(self, x: float, y: float) -> None:
        """Rust or earth: jagged grains of all sizes in a loose heap; or soot, when black."""
        rng = self.rng
        red = np.array([0.35, 1.0, 1.5], np.float32) * np.exp(rng.normal(0, 0.15, 3)).astype(np.float32)
        absorbs, spread = (GREY if rng.random() < 0.35 else red), rng.uniform(2, 18)
        for _ in range(int(rng.integers(1, 14))):
            size, at = float(np.exp(rng.uniform(np.log(1.5), np.log(14)))), rng.normal(0, spread, 2)
            window = self.canvas.window(x + at[0], y + at[1], size + 1)
            if window is None:
                continue
            corners = shapes.rough_corners(rng, 0.6 * size, int(rng.integers(4, 9)), rng.uniform(0.35, 0.7))
            distance = shapes.polygon(window.x, window.y, corners)
            body = rng.uniform(0.5, 3) * shapes.coverage(distance, self.canvas.px_um)
            self._solid(window, distance, body * self._lumps(window, 1.5, 0.4), absorbs, DUST, 0.9)

    def lettering(self, x: float, y: float) -> None:
        """Strokes of ink or print: letter-like hooks, bars and dots with a rough edge."""
        rng = self.rng
        tall = float(np.exp(rng.uniform(np.log(15), np.log(400))))
        window = self.canvas.window(x, y, 0.8 * tall)
        if window is None:
            return
        shape = (window.y.shape[0], window.x.shape[1])
        sheet = np.zeros(shape, np.uint8)
        thick = max(1, round(tall * rng.uniform(0.06, 0.2) / self.canvas.px_um))
        for _ in range(int(rng.integers(1, 4))):
            bend = rng.choice([0.0, 3.0])
            path = noise.curve(
                rng,
                rng.uniform(0.2, 0.8) * shape[1],
                rng.uniform(0.2, 0.8) * shape[0],
                rng.uniform(0, 6.3),
                0.7 * max(shape),
                bend,
                12,
            )
            cv2.polylines(sheet, [np.round(path * 8).astype(np.int32)], False, 255, thick, cv2.LINE_AA, 3)
        ink = sheet.astype(np.float32) / 255
        ragged = self._lumps(window, 3.0, rng.uniform(0, 0.6))
        absorbs = 1.0 - colours.hsv(rng.uniform(), rng.choice([0.0, 0.8]), 0.2)
        self._solid(window, 0.5 - ink, rng.uniform(0.4, 2.5) * ink * ragged, absorbs, OTHER, 0.8)

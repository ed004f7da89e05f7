"""The things on a print, each laid on the canvas as a solid."""

from __future__ import annotations

from functools import partialmethod
from typing import NamedTuple

import numpy as np

from sporecount.simulate.chords.canvas import Canvas, Frame
from sporecount.simulate.chords.solids import PIGMENTS, Array, flanks, rod, shell, spindle

SPORES = {
    "length_um": (9, 16), "spread": (0.03, 0.08), "aspect": (1.36, 1.75), "point": (0.54, 0.92),
    "wall_um": (0.4, 1.3), "step": (0.008, 0.06), "deep": (0.2, 0.75), "band_at": (0.3, 1), "band": (-0.1, 0.18),
    "lens": (-0.03, 0.15), "halo": (-0.08, 0.1), "slanted": (-0.6, 1), "vary": (0.06, 0.3),
}  # fmt: skip
SCALES = {
    "long_um": (105, 220), "wide_um": (52, 105), "teeth": (0, 7), "tooth_um": (3, 24), "rib_um": (1.5, 2.8),
    "rib": (0.1, 0.75), "white": (-0.1, 0.06), "shade": (-0.5, 0.7), "edge": (0.02, 0.16), "swell": (1.2, 3),
}  # fmt: skip
"""Ranges of the looks of one print's spores and of one sort of scale; a draw below zero means none."""
SCALE_COLOURS = ((0.7, 0.1, 0.5), (0.4, 0.45, 0.1), (0.1, 1.4, 0), (0.05, 0.2, 0), (0.1, 0.03, 0.1))
"""Amber, black-brown and yellow of orange, brown, black, white and pale scales."""

FLANKS = {
    "droplet": ((0.05, 0.2, 0.08, 0), (0.3, 0.9, 0.4, 0.3)), "bubble": ((0.05, 0.4, 0.2, 0), (0.3, 1.2, 1, 0.2)),
    "pollen": ((0.02, 0.2, 0.4, 0), (0.09, 0.7, 1, 0.2)), "mould": ((0.02, 0.1, 0.5, 0), (0.05, 0.5, 1, 0.15)),
    "dust": ((0, 0.3, 1, 0), (0.03, 0.8, 1, 0)), "rod": ((0.01, 0.2, 0.3, 0), (0.07, 0.9, 0.8, 0.25)),
}  # fmt: skip
"""Least and most of the step in refractive index, depth of dark flanks, slope and gain of the bright band."""


class Look(NamedTuple):
    """Numbers of a look, and its colours: of all the wall and all the content, or of a scale's film twice."""

    of: dict[str, float]
    wall: Array
    content: Array


def draw_spore_look(rng: np.random.Generator, strength: float) -> Look:
    """Draw a look, from pale and clear to dark brown; `strength` weakens or deepens all of it."""
    dark, rimmed = strength * np.exp(rng.uniform(np.log(0.17), np.log(0.8))), rng.uniform(0.15, 0.9)
    brown, yellow = rng.beta(1, 2.2), rng.beta(1, 3)
    hue = dark * np.array([1 - 0.7 * brown, 0.75 * brown, 0.4 * yellow]) @ PIGMENTS
    of = {name: max(float(rng.uniform(*span)), 0) for name, span in SPORES.items()}
    return Look(of, rimmed * hue, (1 - rimmed) * hue * rng.uniform(0.8, 1.2, 3))


def draw_scale_look(rng: np.random.Generator, strength: float) -> Look:
    """Draw a sort of scale: orange, brown, black, white or pale."""
    sort = int(rng.choice(5, p=[0.27, 0.25, 0.18, 0.12, 0.18]))
    of = {name: max(float(rng.uniform(*span)), 0) for name, span in SCALES.items()}
    of["white"] += rng.uniform(0.05, 0.25) * (sort == 3)
    film = np.array(SCALE_COLOURS[sort]) @ PIGMENTS * strength * np.exp(rng.normal(-0.35, 0.4)) + of["white"]
    return Look(of, film, film)


class Hand:
    """Lays things on a canvas, with chance from `rng`; torn pieces come from scales of the look `sort`."""

    def __init__(self, rng: np.random.Generator, canvas: Canvas, sort: Look) -> None:
        self.rng, self.canvas, self.na, self.sort = rng, canvas, canvas.optics.na, sort

    def _frame(self, place: Array, reach_um: float, angle_deg: float | None = None) -> Frame:
        angle = float(self.rng.uniform(0, 360)) if angle_deg is None else angle_deg
        return self.canvas.frame(float(place[0]), float(place[1]), angle, reach_um)

    def _ragged(self, frame: Frame, strength: float) -> Array:
        # Radius of a ragged outline, about 1: a sum of waves along the angle.
        angle, number = np.arctan2(frame.v, frame.u), np.arange(2, 8)
        waves = self.rng.normal(0, strength, 6) / (number - 1)
        return 1 + np.cos(angle[..., None] * number + self.rng.uniform(0, 6.3, 6)) @ waves

    def _lay(self, frame: Frame, kind: str, z: tuple[float, float], sort: str, *parts: Array) -> None:
        chord, slope, colour = parts
        edge = np.where(slope > 0, flanks(slope, self.na, *self.rng.uniform(*FLANKS[sort])), 0)
        body = (slope > 0) | (chord > 0.4)
        self.canvas.lay(frame, chord[..., None] * colour + edge[..., None], self.rng.normal(*z), kind, body)
        # Faces that look a little to one side throw light from above into the lens.
        bright = np.exp(-((slope - 0.4) ** 2) / 0.04) * (frame.u > frame.v) * self.rng.uniform(0, 0.6)
        self.canvas.gleam[frame.box] += frame.reduce(bright)[..., None]

    def spore(self, look: Look, at: Array, size: tuple[float, float], number: int, z_um: float) -> float:
        """Lay a spore at x, y and an angle; give back the standard deviation of its blur in µm."""
        of, (length, width), (x, y, angle) = look.of, size, at.tolist()
        frame, wall_um = self.canvas.frame(x, y, angle, 0.65 * length), min(of["wall_um"], 0.3 * width)
        wall, content, slope = shell(frame.u, frame.v, size, of["point"], wall_um)
        body, own = slope > 0, float(np.exp(self.rng.normal(0, of["vary"])))
        focus = float(np.tanh(self.canvas.optics.depth_um(x, y, z_um) * self.na / 1.5 + 0.4))
        pigment = np.stack([wall / (2.2 * wall_um), content / width], -1) @ np.stack(
            [look.wall, look.content]
        )
        # Light comes a little from one side, the same for all: the far flank gathers more of it.
        side = (frame.u * np.cos(np.radians(angle)) - frame.v * np.sin(np.radians(angle))) / width * 2
        gain = of["band"] * abs(focus) * (1 + of["slanted"] * np.clip(side, -1, 1)) * body
        edge = flanks(slope, self.na, of["step"], of["deep"], of["band_at"], gain)
        # Over the focal plane the middle is bright, under it dark with a bright outline around.
        around = (spindle(frame.u, frame.v, (length * 1.22, width * 1.28), of["point"])[0] > 0) & ~body
        edge -= of["lens"] * focus * ((wall + content) / width) ** 3 + of["halo"] * abs(focus - 0.3) * around
        return self.canvas.lay(frame, own * pigment + edge[..., None], z_um, "spore", body, number)

    def scale(self, place: Array, look: Look, torn: float, piece_um: float = 0) -> bool:
        """Lay a scale, or with `piece_um` a torn piece of one; True where it is whole or nearly so and in view."""
        of, rng, cuts = look.of, self.rng, 0
        length, width = np.array([of["long_um"], of["wide_um"]]) * np.exp(rng.normal(0, 0.09, 2))
        frame = self._frame(place, piece_um * 0.8 if piece_um else 0.62 * length)
        u, v, along = frame.u, frame.v, frame.u / length + 0.5
        if piece_um:
            far = np.hypot(u * rng.uniform(0.8, 1), v * rng.uniform(1, 1.9))
            inside = piece_um / 2 * self._ragged(frame, 0.2) - far
        else:
            swell = np.sin(np.pi / 2 * np.clip(along * of["swell"], 0, 1))
            half = width / 2 * swell**0.7 * (1 - 0.25 * np.clip(along, 0, 1) ** 4)
            tooth = np.abs((2 * v / width * int(of["teeth"]) + 1.5) % 2 - 1) * (of["teeth"] >= 1)
            tip = length / 2 - 0.1 * length * (2 * v / width) ** 2 - of["tooth_um"] * tooth - u
            stalk = np.minimum(1.6 - np.abs(v), np.minimum(0.6 * length + u, -0.35 * length - u))
            inside = np.maximum(np.where(along > 0, np.minimum(half - np.abs(v), tip), -1), stalk)
        while not piece_um and cuts < 3 and rng.random() < torn:
            cuts, turn, at = cuts + 1, rng.uniform(0, 6.3), rng.uniform(0.05, 0.42) * width
            way = v * np.cos(turn) - u * np.sin(turn)
            tear = 2.5 * np.sin(way / rng.uniform(2, 9)) + 1.2 * np.sin(way * 0.9)
            inside = np.minimum(inside, at - u * np.cos(turn) - v * np.sin(turn) + tear)
        chord, px = np.clip(inside / 0.9, 0, 1), self.canvas.optics.um_per_px / frame.fine
        rib, rib_um = min(of["rib"], 0.35 if piece_um else 1), of["rib_um"]
        ribs = rib * np.exp(-((1.3 * px / rib_um) ** 2)) * np.cos(2 * np.pi * v / rib_um)
        ribs = ribs + 0.3 * rib * np.exp(-((px / 0.35) ** 2)) * np.cos(2 * np.pi * u / (0.7 * rib_um))
        mottle = 1 + of["shade"] * (along - 0.5) + 0.12 * np.sin(u / 17 + rng.uniform(0, 6)) * np.cos(v / 11)
        film = chord * np.maximum(np.exp(rng.normal(0, 0.25)) * mottle * (1 + ribs), 0.05)
        edge = of["edge"] * ((chord > 0) & (chord < 1)) + 0.6 * of["edge"] * chord * ribs
        self.canvas.gleam[frame.box] += frame.reduce(chord)[..., None] * (
            1.5 * of["white"] + 0.1 ** (1 + 2 * look.wall)
        )
        kind = "scale piece" if piece_um or cuts > 1 else "scale"
        density = film[..., None] * look.wall + edge[..., None]
        self.canvas.lay(frame, density, rng.normal(1, 1.5), kind, chord > 0.5)
        return kind == "scale" and bool(np.all((place >= 0) & (place < self.canvas.optics.shape[::-1])))

    def piece(self, place: Array, size_um: float, colour: Array) -> None:
        """Lay a torn piece of a scale, at times of its own colour."""
        sort = self.sort if self.rng.random() < 0.8 else Look(self.sort.of, colour, colour)
        self.scale(place, sort, 0, size_um)

    def droplet(self, place: Array, size_um: float, colour: Array) -> None:
        """Lay a droplet, at times drawn out."""
        frame, flat = self._frame(place, size_um), self.rng.uniform(0.15, 0.7)
        chord, slope = spindle(frame.u, frame.v, (size_um, size_um / max(1, self.rng.uniform(0.6, 1.6))), 0.5)
        chord = chord / size_um + self.rng.normal(0, 0.4) * (chord / size_um) ** 4
        self._lay(frame, "other", (1, 3), "droplet", chord, flat * slope, colour)

    def bubble(self, place: Array, size_um: float, colour: Array) -> None:
        """Lay an air bubble in the glue: next to no pigment, dark flanks; ragged and flat when large."""
        size_um = size_um * self.rng.choice([0.8, 1.5, 5], p=[0.6, 0.3, 0.1])
        frame, size = self._frame(place, 0.75 * size_um), (size_um, size_um * self.rng.uniform(0.7, 1))
        ragged = self._ragged(frame, 0.012 + 0.1 * min(size_um / 120, 1))
        chord, slope = spindle(frame.u / ragged, frame.v / ragged, size, 0.5)
        flat = 0.1 + 1 / (1 + (size_um / self.rng.uniform(15, 90)) ** 2)
        clear = 0.1 * colour - self.rng.uniform(0, 0.12)
        self._lay(frame, "bubble", (2, 3), "bubble", chord / size_um, slope * flat, clear)

    def pollen(self, place: Array, size_um: float, colour: Array) -> None:
        """Lay a pollen grain: a shell with spines, warts or nothing, and at times three lobes."""
        rng, size_um = self.rng, max(size_um, 7) * self.rng.choice([1, 1.8])
        frame, wall_um = self._frame(place, 0.8 * size_um), size_um * rng.uniform(0.05, 0.14)
        angle, (spines, lobes) = np.arctan2(frame.v, frame.u), np.maximum(rng.uniform(-0.08, 0.1, 2), 0)
        ragged = 1 + spines * np.cos(int(rng.integers(9, 24)) * angle) + lobes * np.cos(3 * angle)
        size = (size_um, size_um * rng.uniform(0.7, 1))
        wall, content, slope = shell(frame.u / ragged, frame.v / ragged, size, 0.5, wall_um)
        grain = 1 + 0.3 * np.sin(frame.u * 5 / wall_um**0.5) * np.sin(frame.v * 5 / wall_um**0.5)
        chord = wall / (3 * wall_um) + rng.uniform(0, 0.8) * content / size_um * grain
        self._lay(frame, "pollen", (0.3 * size_um, 2), "pollen", chord, slope, colour)

    def mould(self, place: Array, size_um: float, colour: Array) -> None:
        """Lay mould spores: a chain or a heap of small ones, or a single larger one."""
        rng, chain, way = self.rng, self.rng.random() < 0.5, self.rng.uniform(0, 6.3)
        number = int(rng.choice(np.array([1, rng.integers(2, 7), rng.integers(4, 14)])))
        size_um = size_um if number == 1 else rng.uniform(3, 8)
        size = (size_um, size_um / rng.uniform(1, 2.2))
        for _ in range(number):
            frame = self._frame(place, 0.6 * size_um, float(np.degrees(way)) if chain else None)
            wall, content, slope = shell(frame.u, frame.v, size, 0.5, 0.09 * size_um)
            chord = wall / (0.3 * size_um) + 0.5 * content / size_um
            self._lay(frame, "other", (0, 2), "mould", chord, slope, colour)
            way = way + rng.normal(0, 0.3) if chain else rng.uniform(0, 6.3)
            hop = (0.97 if chain else rng.uniform(0.4, 0.9)) * size_um / self.canvas.optics.um_per_px
            place = place + hop * np.array([np.cos(way), np.sin(way)])

    def dust(self, place: Array, size_um: float, colour: Array) -> None:
        """Lay a dust grain: a ragged lump, from clear crystal to dark soot."""
        size_um, colour = 0.7 * size_um, colour * self.rng.uniform(0.2, 2.5)
        frame = self._frame(place, 0.9 * size_um)
        far = np.hypot(frame.u, frame.v * self.rng.uniform(1, 1.8))
        inside = size_um / 2 * self._ragged(frame, 0.22) - far
        chord = np.clip(inside / max(self.rng.uniform(0.05, 0.4) * size_um, 0.6), 0, 1)
        self._lay(frame, "dust", (1, 4), "dust", chord, 3.0 * ((chord > 0) & (chord < 1)), colour)

    def hair(self, place: Array, size_um: float, colour: Array, kind: str = "hair") -> None:
        """Lay a hair, tapered and pigmented, or a fibre, twisted and pale unless dyed; many are short."""
        rng, fibre = self.rng, kind == "fibre"
        long_um = 4 * size_um if rng.random() < 0.35 else rng.uniform(90, 600)
        width = rng.uniform(7, 20) if fibre else rng.uniform(2, 8)
        frame, bent = (
            self._frame(place, 0.6 * long_um + width),
            rng.normal(0, 0.4 if fibre else 0.2) / long_um,
        )
        tip = rng.uniform(0.8, 1) if fibre else rng.uniform(0.05, 0.6)
        wave = fibre * rng.uniform(0, width) * np.sin(frame.u / rng.uniform(15, 60))
        chord, slope = rod(frame.u, frame.v + wave, (long_um, width), bent, tip)
        film = chord / width * (1 + fibre * 0.6 * np.sin(frame.u / rng.uniform(4, 20)))
        dye = rng.choice([0.1, 0.1, 0.8]) if fibre else 1
        self._lay(frame, kind, (3, 5), "rod", film, slope, colour * dye)

    fibre = partialmethod(hair, kind="fibre")

"""What else sticks to a tape: hairs, fibres, dust, pollen, mould, droplets, bubbles, glue."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.rays.film import ABOVE, BENEATH, PRINT, TAPE_BACK, Film, Pane
from sporecount.simulate.rays.forms import (
    Points,
    between,
    blob,
    cloud,
    dome,
    plate,
    ribbon,
    rotated,
    shard,
    wander,
)

BROWN = np.array([0.55, 0.8, 1.1])
YELLOW = np.array([0.06, 0.3, 1.0])
GREY = np.array([1.0, 1.0, 1.0])


def _sheet(rng: np.random.Generator) -> int:
    return int(rng.choice([BENEATH, PRINT, ABOVE], p=[0.2, 0.5, 0.3]))


class Litter:
    """Lays things down; their looks are those of one print."""

    def __init__(self, rng: np.random.Generator, film: Film) -> None:
        self.rng, self.film = rng, film
        self.pollen_um = [between(rng, 9, 38), between(rng, 9, 38)]
        self.pollen_tint = [YELLOW + rng.uniform(0, 0.3, 3), BROWN * rng.uniform(0.6, 1), GREY * 0.4]
        self.spiny = rng.random(2) < 0.4
        self.mould_um = between(rng, 3.5, 12)
        self.mould_aspect = rng.uniform(1, 2.2)
        self.mould_od = between(rng, 0.015, 0.12)
        self.drop_tint = [BROWN * rng.uniform(0.7, 1.2), YELLOW * rng.uniform(0.7, 1.3) + 0.04]
        self.drop_od = between(rng, 0.01, 0.07)
        self.bubble_um = between(rng, 7, 45)
        self.pressed = between(rng, 2, 10)
        self.round_bubbles = rng.random() < 0.65
        self.hair_tint = np.array([0.5, 0.72, 1.0]) if rng.random() < 0.7 else GREY
        self.dye = [GREY * 0.5, np.array([1.0, 0.6, 0.15]), np.array([0.15, 0.9, 0.7])]

    def _line(
        self, x: float, y: float, path: Points, half_um: NDArray[np.float64], fine_um: float
    ) -> tuple[Pane, NDArray[np.uint8]] | None:
        """Window and mask of a path with a half width, None where nothing of it is in the scene."""
        edge = ribbon(path, half_um)
        low, high = edge.min(0) - 2, edge.max(0) + 2
        pane = self.film.pane_of(x, y, (low[0], low[1], high[0], high[1]), fine_um)
        if pane is None:
            return None
        mask = pane.fill(edge)
        return (pane, mask) if mask.any() else None

    def hair(self, x: float, y: float, long_um: float | None = None) -> None:
        """Tapering body hair, round in section, dark at its sides."""
        rng = self.rng
        long_um = between(rng, 60, 700) if long_um is None else long_um
        half = between(rng, 0.8, 3.5)
        path = wander(rng, long_um, rng.uniform(0.02, 0.9))
        taper = half * np.clip(np.linspace(1, rng.uniform(0.05, 0.6), len(path)), 0.12, 1)
        taper *= np.clip(np.linspace(0, 12, len(path)) + 0.3, 0, 1)
        drawn = self._line(x, y, path, taper, half / 2.5)
        if drawn is None:
            return
        pane, mask = drawn
        body = mask.astype(np.float32) / 255
        # Too thin for distances to its edge, a hair is even.
        thick = dome(pane.depth(mask), half) if half > 2.5 * pane.step_um else body * np.float32(1.6 * half)
        amount = thick * np.float32(between(rng, 0.02, 0.14))
        self.film.lay(
            pane, _sheet(rng), "hair", body, amount, self.hair_tint, thick * np.float32(0.08), albedo=0.3
        )

    def fibre(self, x: float, y: float, long_um: float | None = None, dyed: bool = False) -> None:
        """Cotton (a twisted band), paper (flat, ragged) or synthetic (an even rod) fibre."""
        rng = self.rng
        sort = rng.choice(["cotton", "paper", "rod"], p=[0.4, 0.35, 0.25])
        half = {"cotton": rng.uniform(4, 10), "paper": rng.uniform(6, 17), "rod": rng.uniform(4, 10)}[
            str(sort)
        ]
        if long_um is None:
            long_um = between(rng, 150, 1500)
        else:
            half = min(half, long_um / 9)
        path = wander(rng, long_um, rng.uniform(0.2, 3.2) * min(1.0, long_um / 200))
        q = np.linspace(0, 1, len(path))
        wide = np.full(len(path), half)
        if sort == "cotton":
            turns = long_um / between(rng, 60, 250)
            wide *= 0.55 + 0.45 * np.abs(np.cos(np.pi * turns * q + rng.uniform(0, 3)))
        elif sort == "paper":
            wide *= np.clip(1 + 0.25 * np.interp(q, np.linspace(0, 1, 12), rng.normal(0, 1, 12)), 0.4, 1.6)
        drawn = self._line(x, y, path, wide, max(half / 4, 0.5))
        if drawn is None:
            return
        pane, mask = drawn
        depth = pane.depth(mask)
        thick = dome(depth, half, 0.45 if sort == "paper" else 0.8)
        shape = (mask.shape[0], mask.shape[1])
        grain = 1 + np.float32(rng.uniform(0.03, 0.15)) * cloud(rng, shape, rng.uniform(5, 18) / pane.step_um)
        tint = self.dye[int(rng.integers(3))] if dyed else GREY * 0.8 + np.array([0, 0.05, 0.15])
        amount = thick * grain * np.float32(between(rng, 0.02, 0.06) if dyed else between(rng, 0.002, 0.012))
        bend = np.float32(rng.uniform(0.03, 0.09))
        body = mask.astype(np.float32) / 255
        self.film.lay(
            pane,
            _sheet(rng),
            "fibre",
            body,
            np.maximum(amount, 0),
            tint,
            thick * (0.6 + 0.4 * grain) * bend,
            albedo=0.7,
        )

    def dust(self, x: float, y: float, size_um: float, far: bool = False) -> None:
        """Grit, soot or skin; `far` on the back of the tape, out of focus."""
        rng = self.rng
        sort = rng.choice(["soot", "grit", "skin", "brown"], p=[0.3, 0.25, 0.2, 0.25])
        shape = (
            shard(rng, size_um) if sort in ("grit", "skin") else blob(rng, size_um, 0.7, rng.uniform(1, 2))
        )
        pane = self.film.pane(x, y, size_um * 0.75 + 1.5, max(0.3, size_um / 24))
        if pane is None:
            return
        mask = pane.fill(shape)
        if not mask.any():
            return
        body = mask.astype(np.float32) / 255
        lumps = np.clip(
            1 + np.float32(0.4) * cloud(rng, (mask.shape[0], mask.shape[1]), 2.5 / pane.step_um), 0.2, 2
        )
        thick = (
            plate(pane.depth(mask), size_um * rng.uniform(0.15, 0.5), size_um * rng.uniform(0.05, 0.25))
            * lumps
        )
        od = {"soot": 0.2, "grit": 0.004, "skin": 0.012, "brown": 0.07}[str(sort)] * between(rng, 0.5, 2)
        tint = BROWN if sort in ("brown", "skin") else GREY
        bend = 0.1 if sort == "grit" else 0.04
        sheet = TAPE_BACK if far else _sheet(rng)
        self.film.lay(
            pane, sheet, "dust", body, thick * np.float32(od), tint, thick * np.float32(bend), albedo=0.35
        )

    def _ball(
        self, x: float, y: float, long: float, aspect: float, kind: str, od: float, tint: np.ndarray,
        bend: float, *, angle: float | None = None, wall_um: float = 0.0, spines: int = 0, flat: float = 1.0,
        rim_od: float | None = None, lumps: float = 0.0, sheet: int | None = None, slots: int = 0,
        steep: float = 2.0, albedo: float = 0.4,
    ) -> None:  # fmt: skip
        rng = self.rng
        angle = rng.uniform(0, np.pi) if angle is None else angle
        pane = self.film.pane(x, y, long * 0.62 + 1.5, max(0.3, long / 40))
        if pane is None:
            return
        u, v = pane.turned(angle)
        a, b = np.float32(long / 2), np.float32(long / 2 / aspect)
        r = np.hypot(u / a, v / b)
        if spines:
            turn = np.arctan2(v / b, u / a)
            r = r / (1 + np.float32(0.08) * np.abs(np.cos(turn * np.float32(spines / 2))) ** 3)
        full = np.sqrt(np.maximum(1 - r ** np.float32(steep), 0)) * np.float32(long / aspect * flat)
        shell = full
        if wall_um:
            shrink = np.float32(max(1 - 2 * wall_um / (long / aspect), 0.05))
            hollow = np.sqrt(np.maximum(1 - (r / shrink) ** 2, 0)) * np.float32(long / aspect * flat) * shrink
            shell = full - np.float32(0.8) * hollow
        if lumps:
            shell = shell * np.clip(
                1 + np.float32(lumps) * cloud(rng, full.shape, 1.8 / pane.step_um), 0.1, 2.5
            )
        if slots:
            # Furrows or pores, paler than the wall.
            where = np.cos(np.arctan2(v, u) * np.float32(slots)) > 0.75
            shell = shell * (1 - np.float32(0.5) * (where & (r > 0.55)))
        body = (r < 0.99).astype(np.float32)
        sheet = _sheet(rng) if sheet is None else sheet
        self.film.lay(
            pane, sheet, kind, body, shell * np.float32(od), tint, full * np.float32(bend),
            rim_od=rim_od, albedo=albedo,
        )  # fmt: skip

    def pollen(self, x: float, y: float) -> None:
        """Round or oval grain with a wall, often pores or spines."""
        rng = self.rng
        sort = int(rng.random() < 0.3)
        long = self.pollen_um[sort] * rng.uniform(0.9, 1.1)
        tint = self.pollen_tint[sort if rng.random() < 0.8 else 2]
        self._ball(
            x, y, long, rng.uniform(1, 1.12 if self.spiny[sort] else 1.5), "pollen", rng.uniform(0.015, 0.06),
            tint, rng.uniform(0.03, 0.08), wall_um=rng.uniform(0.8, 2.2),
            spines=int(long * 0.9) if self.spiny[sort] else 0,
            lumps=0.25, slots=0 if self.spiny[sort] else int(rng.choice([0, 1, 3])),
        )  # fmt: skip

    def mould(self, x: float, y: float, number: int) -> None:
        """Lay some mould spores near one another, round or oval, single, paired or in a chain."""
        rng = self.rng
        px = self.film.optics.um_per_px
        heading = rng.uniform(0, np.pi)
        chain = rng.random() < 0.4
        for _ in range(number):
            long = self.mould_um * rng.uniform(0.85, 1.15)
            angle = heading if chain else rng.uniform(0, np.pi)
            self._ball(
                x, y, long, self.mould_aspect * rng.uniform(0.95, 1.05), "other", self.mould_od, BROWN,
                0.05, angle=angle, wall_um=0.5, sheet=PRINT,
            )  # fmt: skip
            if chain:
                heading += rng.normal(0, 0.3)
                x, y = x + long * np.cos(heading) / px, y + long * np.sin(heading) / px
            else:
                x, y = x + rng.normal(0, 2.2 * long) / px, y + rng.normal(0, 2.2 * long) / px

    def droplet(self, x: float, y: float, size_um: float) -> None:
        """Dried body fluid or oil, brown or yellow, round or run."""
        rng = self.rng
        tint = self.drop_tint[int(rng.random() < 0.4)]
        od = self.drop_od * rng.uniform(0.6, 1.5)
        if rng.random() < 0.6:
            ring = rng.uniform(0.5, 2) if rng.random() < 0.3 else 0.0
            flat = rng.uniform(0.3, 0.9)
            self._ball(
                x,
                y,
                size_um,
                rng.uniform(1, 1.4),
                "other",
                od / flat * (1 + ring),
                tint,
                0.04,
                flat=flat,
                wall_um=ring,
            )
            return
        pane = self.film.pane(x, y, size_um * 0.75 + 1.5, max(0.3, size_um / 30))
        if pane is None:
            return
        mask = pane.fill(blob(rng, size_um, 0.35, rng.uniform(1, 1.8)))
        if mask.any():
            thick = dome(pane.depth(mask), size_um / 3.2, 0.6)
            body = mask.astype(np.float32) / 255
            self.film.lay(
                pane, _sheet(rng), "other", body, thick * np.float32(od), tint, thick * np.float32(0.04)
            )

    def bubble(self, x: float, y: float, size_um: float) -> None:
        """Air in the glue: a black ring with a bright middle, or a flat patch with a dark edge."""
        rng = self.rng
        if size_um < 22 or (self.round_bubbles and rng.random() < 0.8):
            ring = rng.uniform(0.5, 1.5)
            self._ball(
                x, y, size_um, rng.uniform(1, 1.12), "bubble", 0.0, GREY, -0.47, rim_od=ring, sheet=PRINT,
                albedo=0.06, flat=min(rng.uniform(0.05, 0.5), 14 / size_um),
                steep=self.pressed * rng.uniform(0.8, 1.25),
            )  # fmt: skip
            return
        pane = self.film.pane(x, y, size_um * 0.8 + 1.5, max(0.35, size_um / 60))
        if pane is None:
            return
        mask = pane.fill(blob(rng, size_um, rng.uniform(0.1, 0.35), rng.uniform(1, 2.2)))
        if mask.any():
            edge = min(size_um / 5, rng.uniform(1.5, 6))
            thick = dome(np.minimum(pane.depth(mask), np.float32(edge)), edge, 0.35)
            body = mask.astype(np.float32) / 255
            ring = rng.uniform(0.4, 1.3)
            self.film.lay(
                pane,
                PRINT,
                "bubble",
                body,
                thick * 0,
                GREY,
                thick * np.float32(-0.47),
                rim_od=ring,
                albedo=0.06,
            )

    def crossing(self, x: float, y: float) -> None:
        """Two short ends of hair or fibre over each other, about as large as a spore."""
        for _ in range(2):
            if self.rng.random() < 0.6:
                self.hair(x, y, self.rng.uniform(10, 40))
            else:
                self.fibre(x, y, self.rng.uniform(14, 50))

    def ridge(self, x: float, y: float) -> None:
        """Lay a wrinkle or string of the glue: clear, seen by its slopes only."""
        rng = self.rng
        half = between(rng, 1.5, 12)
        path = wander(rng, between(rng, 100, 900), rng.uniform(0.3, 2.5))
        wide = half * np.clip(
            1 + 0.4 * np.interp(np.linspace(0, 11, len(path)), np.arange(12), rng.normal(0, 1, 12)), 0.2, 2
        )
        drawn = self._line(x, y, path, wide, max(half / 2, 0.6))
        if drawn is None:
            return
        pane, mask = drawn
        thick = dome(pane.depth(mask), half, rng.uniform(0.3, 0.8)) * np.float32(
            rng.choice([-1, 1]) * rng.uniform(0.02, 0.1)
        )
        body = mask.astype(np.float32) * 0
        self.film.lay(pane, ABOVE, "background", body, thick * 0, GREY, thick)

    def glue(self, bend_per_um: float, cell_um: float) -> None:
        """Uneven glue over all of the view; the curvature of its light path is given."""
        film, px = self.film, self.film.optics.um_per_px
        swell = cloud(self.rng, film.full, cell_um / px) + 0.25 * cloud(
            self.rng, film.full, cell_um / px / 2.3
        )
        patches = np.clip(0.7 + 0.6 * cloud(self.rng, film.full, 7 * cell_um / px), 0.05, 2)
        pane = film.pane_of(0, 0, (-1e6, -1e6, 1e6, 1e6), 1e9)
        assert pane is not None
        film.lay(
            pane,
            ABOVE,
            "background",
            swell * 0,
            swell * 0,
            GREY,
            swell * patches * np.float32(bend_per_um * cell_um**2 / 12),
        )

    def scratch(self, x: float, y: float) -> None:
        """Lay a fine line on the back of the tape."""
        rng = self.rng
        path = rotated(
            np.stack([np.linspace(-1, 1, 8) * between(rng, 60, 900), rng.normal(0, 1, 8)], 1),
            rng.uniform(0, 3),
        )
        half = rng.uniform(0.25, 0.9)
        drawn = self._line(x, y, path, np.full(8, half), half)
        if drawn is not None:
            pane, mask = drawn
            thick = mask.astype(np.float32) * np.float32(-0.12 * half / 255)
            self.film.lay(pane, TAPE_BACK, "background", thick * 0, thick * 0, GREY, thick)

"""Stamping imaged bodies into the picture: each body is imaged once and laid down turned and scaled."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from sporecount.simulate.condenser import bodies
from sporecount.simulate.condenser.bodies import Body
from sporecount.simulate.condenser.exam import Exam
from sporecount.simulate.condenser.noise import Field, Rng
from sporecount.simulate.condenser.seats import Seats
from sporecount.simulate.condenser.waves import blur_sigma_um, image_of, lamp_points

GRID_UM = {4.0: 0.55, 10.0: 0.34, 20.0: 0.26, 40.0: 0.22}
TURNS = 6
"""Directions in half a turn for which a body is imaged anew where the light comes from one side."""
Stamp = tuple[slice, slice, Field, Field]
"""Rows, columns, light passed (h, w, 3), cover (h, w)."""


class Studio:
    """Makes portraits of bodies under the light of one exam."""

    def __init__(self, rng: Rng, exam: Exam) -> None:
        self.exam = exam
        self.lamp = lamp_points(exam.coherence, exam.slant)
        self.grid_um = min(GRID_UM.items(), key=lambda one: abs(np.log(one[0] / exam.objective)))[1]
        self.sided = exam.from_above or exam.slant != (0.0, 0.0)
        turn = rng.uniform(0, 2 * np.pi)
        self.toward = np.array([np.cos(turn), np.sin(turn)])
        self.glint = float(rng.choice([0.0, rng.uniform(0.1, 0.6)]))
        self.shadow = rng.uniform(0.03, 0.2)

    def reach(self, size_um: float, defocus_um: float) -> tuple[int, float]:
        """Give the number of cells and their size for a body and its blur."""
        grid = max(self.grid_um, size_um / 90)
        half = 0.62 * size_um + self.exam.aperture * abs(defocus_um) * 1.15 + 2 * 0.55 / self.exam.aperture
        return fft.next_fast_len(int(2 * half / grid) + 2), grid

    def portrait(self, body: Body, grid_um: float, defocus_um: float, turn: float = 0.0) -> Field:
        """Image a body, (n, n, 4): light passed in R, G, B over the empty view, and cover.

        `turn` is the direction (radians) in which it will be laid: light from one side does not turn with it.
        """
        exam = self.exam
        if exam.from_above:
            light = self._from_above(body, grid_um, defocus_um, turn)
        else:
            c, s = np.cos(turn), np.sin(turn)
            lamp = self.lamp @ np.array([[c, -s], [s, c]])
            light = image_of(body.density, body.path_um, grid_um, exam.aperture, defocus_um, lamp)
        # The pixel gathers light over its area.
        light = np.asarray(cv2.GaussianBlur(light, (0, 0), max(0.35 * exam.um_per_px / grid_um, 0.2)))
        return np.dstack([light, body.cover]).astype(np.float32)

    def _from_above(self, body: Body, grid_um: float, defocus_um: float, turn: float) -> NDArray[np.float32]:
        """Light goes down through the body, comes back from the card, and glints on the body's top."""
        sigma = blur_sigma_um(self.exam.aperture, 1.0, defocus_um) / grid_um
        light = (10 ** (-1.5 * body.density)).astype(np.float32)
        c, s = np.cos(-turn), np.sin(-turn)
        way = np.array([[c, -s], [s, c]]) @ self.toward
        cover = body.cover.astype(np.float32)
        move = np.array([[1, 0, 4.0 / grid_um * way[0]], [0, 1, 4.0 / grid_um * way[1]]], np.float32)
        shade = cv2.GaussianBlur(cv2.warpAffine(cover, move, cover.shape[::-1]), (0, 0), 2.5 / grid_um)
        light *= (1 - self.shadow * shade)[..., None]
        light = np.asarray(cv2.GaussianBlur(light, (0, 0), sigma))
        top = body.path_um / max(float(np.abs(body.path_um).max()), 1e-6)
        slope_y, slope_x = np.gradient(np.abs(top) ** 2 * 3)
        facing = np.exp(-((slope_x + way[0] * 0.25) ** 2 + (slope_y + way[1] * 0.25) ** 2) / 0.006) * cover
        return light + self.glint * cv2.GaussianBlur(facing.astype(np.float32), (0, 0), sigma)[..., None]

    def stamp(
        self,
        portrait: Field,
        grid_um: float,
        xy: tuple[float, float],
        turn: float,
        stretch: tuple[float, float],
    ) -> Stamp | None:
        """Turn and scale a portrait to its place; None if it lies outside of the photo."""
        px, (high, wide) = self.exam.um_per_px, self.exam.shape
        n = len(portrait)
        reach = int(0.5 * n * grid_um * max(stretch) / px * 1.1) + 1
        x0, y0 = max(round(xy[0]) - reach, 0), max(round(xy[1]) - reach, 0)
        x1, y1 = min(round(xy[0]) + reach + 1, wide), min(round(xy[1]) + reach + 1, high)
        if x1 <= x0 or y1 <= y0:
            return None
        c, s = np.cos(turn), np.sin(turn)
        move = np.array([[c, -s], [s, c]]) @ np.diag(stretch) * grid_um / px
        shift = np.array(xy) - (x0, y0) - move @ np.full(2, (n - 1) / 2)
        warped = cv2.warpAffine(
            portrait,
            np.column_stack([move, shift]),
            (x1 - x0, y1 - y0),
            flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(1, 1, 1, 0),
        )
        laid = np.asarray(warped, np.float32)
        return slice(y0, y1), slice(x0, x1), laid[..., :3], laid[..., 3]


def defocus_bins(exam: Exam, defocus_um: NDArray) -> NDArray[np.float64]:
    """Round defocus to steps that nobody sees; beyond the largest all is a haze anyway."""
    step = 0.25 * exam.focus_depth_um
    return np.clip(np.round(np.asarray(defocus_um) / step), -13, 13) * step


def spore_stamps(
    rng: Rng, exam: Exam, studio: Studio, seats: Seats, defocus_um: NDArray
) -> list[Stamp | None]:
    """Stamp each spore; spores share portraits of a dozen models, scaled to the very size."""
    look = exam.look
    bins = defocus_bins(exam, defocus_um)
    angle = np.radians(seats.angle_deg)
    turn_bin = np.round(angle / (np.pi / TURNS)).astype(int) if studio.sided else np.zeros(len(angle), int)
    views = len({*zip(bins.tolist(), turn_bin.tolist(), strict=True)})
    models = int(np.clip(48 // max(views, 1), 2, 12))
    which = rng.integers(0, models, len(angle))
    seeds = rng.integers(0, 2**31, models)
    width = look.length_um / look.ratio
    done: dict[tuple[int, float, int], tuple[Field, float]] = {}
    stamps = []
    for i in range(len(angle)):
        key = (int(which[i]), float(bins[i]), int(turn_bin[i]))
        if key not in done:
            n, grid = studio.reach(look.length_um, bins[i])
            own = np.random.default_rng(int(seeds[which[i]]))
            body = bodies.spore(own, n, grid, look.length_um, width, look)
            body = Body(
                body.density * own.uniform(0.75, 1.25), body.path_um * own.uniform(0.8, 1.2), body.cover
            )
            done[key] = studio.portrait(body, grid, bins[i], turn_bin[i] * np.pi / TURNS), grid
        portrait, grid = done[key]
        stretch = (seats.length_um[i] / look.length_um, seats.width_um[i] / width)
        stamps.append(studio.stamp(portrait, grid, (seats.x_px[i], seats.y_px[i]), angle[i], stretch))
    return stamps


def speck_stamps(
    rng: Rng, exam: Exam, studio: Studio, kind: str, number: int, defocus_um: Field
) -> list[tuple[Stamp, float]]:
    """Stamp `number` specks of a kind at random places, each with its mean density (green)."""
    if not number:
        return []
    draw, (small, large) = bodies.SPECKS[kind]
    x, y = rng.uniform(0, exam.shape[1], number), rng.uniform(0, exam.shape[0], number)
    away = defocus_um[y.astype(int), x.astype(int)] + np.abs(rng.normal(0, 3.0, number))
    models = []
    for level in np.quantile(away, np.linspace(0.1, 0.9, min(number, 8))):
        # Small ones are more frequent, as dust is.
        size = small * (large / small) ** (rng.random() ** 1.4)
        level = float(defocus_bins(exam, np.array(level)))
        n, grid = studio.reach(size * 1.3, level)
        body = draw(rng, n, grid, size)
        inked = float((body.density[..., 1] * body.cover).sum() / max(body.cover.sum(), 1e-6))
        models.append((studio.portrait(body, grid, level), grid, level, inked))
    levels = np.array([one[2] for one in models])
    stamps = []
    for i in range(number):
        near = np.argsort(np.abs(levels - away[i]) + rng.uniform(0, 0.9, len(levels)) * exam.focus_depth_um)
        portrait, grid, _, inked = models[near[0]]
        turn = 0.0 if studio.sided else rng.uniform(0, 2 * np.pi)
        size = rng.uniform(0.75, 1.3)
        laid = studio.stamp(portrait, grid, (x[i], y[i]), turn, (size, size * rng.uniform(0.85, 1.15)))
        if laid is not None:
            stamps.append((laid, inked))
    return stamps

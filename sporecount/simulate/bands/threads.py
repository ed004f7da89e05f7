"""Long things: hairs, fibres, hyphae, ridges of the adhesive, scratches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.bands.bands import Stuff
from sporecount.simulate.bands.outlines import Plane, along_path, band, cover, winding
from sporecount.simulate.bands.stage import Frame, Stage


@dataclass(frozen=True)
class _Line:
    """Pixels near a winding line, as flat columns: distance, way along it, side."""

    frame: Frame
    near: NDArray[np.intp]
    distance: Plane
    way: Plane
    side: Plane

    def plane(self, values: Plane) -> Plane:
        """Put a column back into the frame."""
        full = np.zeros(self.frame.u.size, np.float32)
        full[self.near] = values
        return full.reshape(self.frame.u.shape)


def _trace(
    rng: np.random.Generator,
    stage: Stage,
    x_px: float,
    y_px: float,
    length_um: float,
    bend: float,
    reach_um: float,
    height_um: float,
) -> _Line | None:
    """Give what lies within reach of a winding line through a place."""
    path = winding(rng, length_um, bend, max(length_um / 60, 5.0))
    path -= path[len(path) // 2]
    turn = rng.uniform(0, 2 * np.pi)
    path = path @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    frame = stage.frame(x_px, y_px, 0.0, float(np.abs(path).max()) + reach_um, height_um)
    if frame is None:
        return None
    distance, way, side = along_path(frame.u, frame.v, path, reach_um, stage.lens.um_per_px)
    near = np.flatnonzero(distance < reach_um)
    if not len(near):
        return None
    return _Line(frame, near, distance.ravel()[near], way.ravel()[near], side.ravel()[near])


def lay_hair(rng: np.random.Generator, stage: Stage, x_px: float, y_px: float) -> None:
    """Lay a bristle or hair-like scale: tapered, brown, with a pale axis and a dark edge."""
    length, thick, height = rng.uniform(60, 420), rng.uniform(1.6, 7), rng.uniform(0, 12)
    got = _trace(rng, stage, x_px, y_px, length, rng.uniform(0.05, 0.7), thick + 3, height)
    if got is None:
        return
    distance, way = got.distance, got.way
    px = stage.lens.um_per_px
    half = (thick / 2) * np.clip(1.05 - way / length, 0.08, 1) ** 0.7
    d = (distance - half).astype(np.float32)
    body = cover(d, px)
    skin = Stuff({"melanin": rng.uniform(0.1, 0.7), "soot": 0.03}, scatter=0.2, sheen=0.08)
    parts = [
        stage.part(got.plane(body), skin),
        stage.part(got.plane(body * band(d, -0.8, 0, px)), Stuff({"melanin": 0.2, "soot": 0.1}), on=skin),
        stage.part(
            got.plane(cover(distance - half * np.float32(0.35), px) * body), Stuff(gain=1.25), on=skin
        ),
    ]
    stage.lay(got.frame, parts, height, "hair", got.plane(body))


def lay_fibre(rng: np.random.Generator, stage: Stage, x_px: float, y_px: float, dyed: bool) -> None:
    """Lay a fibre of paper (flat, twisted, clear) or of cloth (even, sometimes dyed)."""
    length, thick, height = rng.uniform(250, 1500), rng.uniform(9, 26), rng.uniform(0, 25)
    got = _trace(rng, stage, x_px, y_px, length, rng.uniform(0.2, 1.8), thick + 4, height)
    if got is None:
        return
    distance, way, side = got.distance, got.way, got.side
    px = stage.lens.um_per_px
    twist = rng.uniform(60, 260)
    half = np.float32(thick / 2) * (
        np.float32(0.75) + np.float32(0.25) * np.cos(way * np.float32(2 * np.pi / twist))
    )
    if dyed:
        half = np.full_like(way, thick / 2)
    d = (distance - half).astype(np.float32)
    body = cover(d, px)
    colour = {"lignin": 0.02}
    if dyed:
        strong = float(np.exp(rng.uniform(np.log(0.05), np.log(0.4))))
        colour = {
            str(rng.choice(["blue", "blue", "red", "soot", "green"])): strong,
            "soot": rng.uniform(0, 0.5) * strong,
        }
    skin = Stuff(colour, scatter=rng.uniform(0.1, 0.3), sheen=0.04, gain=0.97)
    across = side / np.maximum(half, np.float32(0.5))
    if dyed:
        # A clear rod gathers light along its axis; the dye stands in streaks.
        light = np.exp(-((across / np.float32(0.4)) ** 2))
        streak = np.cos(
            across * np.float32(rng.uniform(4, 9)) + np.float32(1.5) * np.sin(way / np.float32(twist))
        )
        grain = np.clip(0.5 + 0.35 * streak + 0.3 * np.sin(way * np.float32(0.9)) * np.sin(across * 7), 0, 1)
    else:
        light = np.float32(0.5) + np.float32(0.5) * np.cos(across * np.float32(4.5) + way / np.float32(twist))
        grain = np.clip(np.cos(way / np.float32(twist / 9)) - np.float32(0.7), 0, 1)
    parts = [
        stage.part(got.plane(body), skin),
        stage.part(got.plane(band(d, -2.2, 0.3, px)), Stuff({"soot": rng.uniform(0.12, 0.35)}), on=skin),
        stage.part(got.plane(body * light), Stuff(gain=rng.uniform(1.05, 1.35), sheen=0.1), on=skin),
        stage.part(
            got.plane(body * grain), Stuff({name: 0.4 * units for name, units in colour.items()}), on=skin
        ),
        stage.part(got.plane(band(d, 0.3, 2.2, px)), Stuff(gain=1.08)),
    ]
    stage.lay(got.frame, parts, height, "fibre", got.plane(body))


def lay_hypha(rng: np.random.Generator, stage: Stage, x_px: float, y_px: float, olive: float) -> None:
    """Lay a thread of mould, walled off in cells, with a branch now and then."""
    for _ in range(int(rng.integers(1, 4))):
        length, thick, height = rng.uniform(40, 220), rng.uniform(1.8, 4.2), rng.uniform(0, 5)
        got = _trace(rng, stage, x_px, y_px, length, rng.uniform(0.3, 1.6), thick + 2, height)
        if got is None:
            return
        distance, way = got.distance, got.way
        px = stage.lens.um_per_px
        d = (distance - np.float32(thick / 2)).astype(np.float32)
        body = cover(d, px)
        skin = Stuff({"olive": olive}, scatter=0.06)
        cell = rng.uniform(8, 22)
        wall = cover(np.abs((way % np.float32(cell)) - np.float32(cell / 2)) - np.float32(0.3), px) * body
        parts = [
            stage.part(got.plane(body), skin),
            stage.part(got.plane(band(d, -0.6, 0.1, px)), Stuff({"olive": olive, "soot": 0.1}), on=skin),
            stage.part(got.plane(wall), Stuff({"olive": olive, "soot": 0.08}), on=skin),
            stage.part(got.plane(cover(distance - np.float32(thick / 5), px)), Stuff(gain=1.1), on=skin),
        ]
        stage.lay(got.frame, parts, height, "other", got.plane(body))


def lay_ridge(rng: np.random.Generator, stage: Stage, x_px: float, y_px: float) -> None:
    """Lay a ridge of the adhesive or a crease of the tape: a bright line with dark sides, nothing absorbed."""
    length, thick, height = rng.uniform(150, 1400), rng.uniform(2, 9), rng.uniform(6, 25)
    got = _trace(rng, stage, x_px, y_px, length, rng.uniform(0.1, 1.2), 2.5 * thick + 3, height)
    if got is None:
        return
    distance, way, side = got.distance, got.way, got.side
    px = stage.lens.um_per_px
    fade = np.sqrt(np.clip(np.minimum(way, length - way) / (0.25 * length), 0, 1)).astype(np.float32)
    strong = rng.uniform(0.15, 0.5)
    shift = rng.uniform(0.3, 1.2) * thick
    middle = np.exp(-((distance / (0.5 * thick)) ** 2)).astype(np.float32) * fade
    flank = np.exp(-(((side - shift) / (0.6 * thick)) ** 2)).astype(np.float32) * fade
    other = np.exp(-(((side + shift) / (0.6 * thick)) ** 2)).astype(np.float32) * fade
    parts = [
        stage.part(got.plane(middle), Stuff(gain=1 + strong, sheen=0.25)),
        stage.part(got.plane(flank), Stuff(gain=1 - strong)),
        stage.part(got.plane(other), Stuff(gain=1 - strong * rng.uniform(0.2, 1))),
    ]
    stage.lay(
        got.frame, parts, height, "bubble", got.plane(cover(distance - np.float32(thick), px) * (fade > 0.4))
    )

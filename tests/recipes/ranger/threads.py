"""Long things: hairs, fibres, mould threads, glue ridges, scratches, ink; each a bent strip by coordinates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.recipes.ranger.canvas import Canvas
from tests.recipes.ranger.world import World


@dataclass(frozen=True)
class Strip:
    """A strip along v = bend u^2 + wave sin(u / wave_um), tapering to one end."""

    half_length_um: float
    half_width_um: float
    bend_per_um: float
    wave_um: float
    taper: float
    kind: str
    density: float
    wall: float
    body: float
    pigment: NDArray[np.float64]


def _draw(rng: np.random.Generator, name: str, view_um: float) -> Strip:
    """Draw one strip of a kind; `wall` above 0 darkens its edges, below 0 lights its middle or shades one side."""
    grey, brown = np.array([0.98, 1.0, 1.02]), np.array([0.7, 1.0, 1.3])
    u = rng.uniform
    if name == "hair":
        return Strip(
            u(60, 400),
            u(1, 5),
            rng.normal(0, 8e-4),
            u(0, 2),
            u(0.3, 1),
            "hair",
            u(0.3, 1.1),
            u(-0.5, 0.5),
            0.8,
            brown,
        )
    if name == "fibre":
        return Strip(
            u(50, 500),
            u(2, 9),
            rng.normal(0, 1e-3),
            u(0, 8),
            0,
            "fibre",
            u(0.04, 0.3),
            u(0.3, 1.5),
            0.4,
            grey,
        )
    if name == "thread":
        return Strip(
            u(20, 160), u(0.7, 1.6), rng.normal(0, 4e-3), u(0, 6), 0, "other", u(0.08, 0.35), 0.5, 0.3, brown
        )
    if name == "glue":
        return Strip(
            u(0.2, 0.8) * view_um,
            u(2, 12),
            rng.normal(0, 3e-4),
            u(0, 15),
            0.3,
            "other",
            u(0.05, 0.3),
            2.5,
            0,
            grey,
        )
    if name == "scratch":
        return Strip(u(0.1, 0.7) * view_um, u(0.4, 1.4), 0.0, 0.0, 0.5, "other", u(-0.25, 0.4), 0, 0, grey)
    return Strip(1.5 * view_um, u(15, 60), 0.0, u(0, 3), 0, "other", u(0.1, 0.7), 0.1, 0.6, u(0.2, 1.8, 3))


def _lay(rng: np.random.Generator, canvas: Canvas, strip: Strip, x_px: float, y_px: float) -> None:
    """Evaluate a strip on the box around its axis and lay it."""
    way = rng.uniform(0, np.pi)
    c, s = np.cos(way), np.sin(way)
    sag = abs(strip.bend_per_um) * strip.half_length_um**2 + strip.wave_um + strip.half_width_um
    half_x = (abs(c) * strip.half_length_um + abs(s) * sag) / canvas.um_per_px + 2
    half_y = (abs(s) * strip.half_length_um + abs(c) * sag) / canvas.um_per_px + 2
    rows, cols = canvas.shape
    box = (
        slice(int(np.clip(y_px - half_y, 0, rows)), int(np.clip(y_px + half_y, 0, rows))),
        slice(int(np.clip(x_px - half_x, 0, cols)), int(np.clip(x_px + half_x, 0, cols))),
    )
    dy = ((np.arange(box[0].start, box[0].stop, dtype=np.float32) - y_px) * canvas.um_per_px)[:, None]
    dx = ((np.arange(box[1].start, box[1].stop, dtype=np.float32) - x_px) * canvas.um_per_px)[None, :]
    if dy.size == 0 or dx.size == 0:
        return
    u, v = dx * np.float32(c) + dy * np.float32(s), dy * np.float32(c) - dx * np.float32(s)
    period = np.float32(max(25.0, 8 * strip.wave_um))
    off = v - np.float32(strip.bend_per_um) * u * u - np.float32(strip.wave_um) * np.sin(u / period)
    slope = 2 * np.float32(strip.bend_per_um) * u + np.float32(strip.wave_um) / period * np.cos(u / period)
    off /= np.sqrt(1 + slope * slope)
    width = np.float32(strip.half_width_um) * (
        1 - np.float32(strip.taper) * (0.5 + u / (2.0 * strip.half_length_um))
    )
    width = np.asarray(np.maximum(width, 0.25), np.float32)
    edge = np.minimum(width - np.abs(off), strip.half_length_um - np.abs(u)) / canvas.um_per_px
    # A strip thinner than a pixel covers only a part of it.
    cover = np.clip(edge + 0.5, 0, 1) * np.minimum(1, 2 * width / canvas.um_per_px)
    q = np.clip(off / width, -1, 1)
    # A ridge of glue is a lens: bright on one side, dark on the other.
    shade = 1.5 * q if strip.wall > 2 else 1 + strip.wall * (q * q - 0.5)
    canvas.lay(
        box,
        cover.astype(np.float32),
        (cover * strip.density * shade).astype(np.float32),
        strip.pigment,
        strip.body,
        strip.kind,
    )


def lay_threads(rng: np.random.Generator, canvas: Canvas, world: World, names: tuple[str, ...]) -> None:
    """Lay strips of the given kinds: numbers Poisson about a log-normal mean, more where the preset is hard."""
    view_um = float(np.hypot(*world.shape)) * world.um_per_px
    mean = {"hair": 1.2, "fibre": 2.0, "thread": 2.0, "glue": 0.7, "scratch": 0.9, "ink": 0.08}
    gain = {"hard": 2.2, "no_spores": 1.5, "good_focus": 0.6}.get(world.preset, 1.0)
    for name in names:
        most = 2 if name == "ink" else 14
        for _ in range(min(int(rng.poisson(mean[name] * gain * rng.lognormal(-0.2, 0.7))), most)):
            x, y = rng.uniform(0, world.width_px), rng.uniform(0, world.height_px)
            _lay(rng, canvas, _draw(rng, name, view_um), x, y)

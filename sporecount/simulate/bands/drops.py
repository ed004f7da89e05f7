"""Bubbles of air under the tape, and droplets."""

from __future__ import annotations

import numpy as np

from sporecount.simulate.bands.bands import Stuff
from sporecount.simulate.bands.outlines import band, cover, ellipse, wobbly
from sporecount.simulate.bands.stage import Stage


def lay_bubble(rng: np.random.Generator, stage: Stage, x_px: float, y_px: float, size_um: float) -> None:
    """Lay a bubble: a dark ring with a bright line in it, and a middle as bright as the ground."""
    px, height = stage.lens.um_per_px, rng.uniform(3, 12)
    frame = stage.frame(x_px, y_px, rng.uniform(0, 360), 0.7 * size_um + 4, height)
    if frame is None:
        return
    flat = rng.uniform(1.0, 1.12) if rng.random() < 0.7 else rng.uniform(1.2, 1.7)
    if size_um > 35 and rng.random() < 0.6:
        waves = rng.normal(0, 0.1, 5) / np.arange(1, 6)
        d = wobbly(frame.u, frame.v * np.float32(flat), size_um / 2, waves, rng.uniform(0, 2 * np.pi, 5))
    else:
        d = ellipse(frame.u, frame.v, size_um / 2, size_um / 2 / flat)
    body = cover(d, px)
    ring = float(np.clip(size_um * rng.uniform(0.06, 0.14), 0.7, 7))
    dark, skin = rng.uniform(0.35, 0.9), Stuff(gain=rng.uniform(0.96, 1.1), sheen=0.05)
    parts = [
        stage.part(body, skin),
        stage.part(band(d, -ring, 0, px), Stuff({"plain": dark}), on=skin),
        stage.part(
            band(d, -1.9 * ring, -1.2 * ring, px), Stuff(gain=rng.uniform(1.05, 1.35), sheen=0.2), on=skin
        ),
        stage.part(band(d, 0.2, 0.2 + 0.7 * ring, px), Stuff(gain=rng.uniform(1.0, 1.2))),
    ]
    if size_um < 40:
        spot = np.exp(-((frame.u**2 + frame.v**2) / (0.17 * size_um) ** 2)).astype(np.float32)
        parts.append(stage.part(spot * body, Stuff(gain=rng.uniform(1.15, 1.6), sheen=0.4), on=skin))
    stage.lay(frame, parts, height, "bubble", body)


def lay_droplet(
    rng: np.random.Generator, stage: Stage, x_px: float, y_px: float, size_um: float, stuff: Stuff
) -> None:
    """Lay a droplet that has dried or not: round, smooth, darkest in the middle or with a lens's bright spot."""
    px, height = stage.lens.um_per_px, rng.uniform(0, 4)
    frame = stage.frame(x_px, y_px, rng.uniform(0, 360), 0.7 * size_um + 3, height)
    if frame is None:
        return
    waves = np.array([0, 0.05, 0.03]) * (rng.random() < 0.3)
    d = wobbly(
        frame.u, frame.v * np.float32(rng.uniform(1, 1.1)), size_um / 2, waves, rng.uniform(0, 6.28, 3)
    )
    body = cover(d, px)
    deep = np.clip(-2 * d / size_um, 0, 1)
    film = Stuff({name: 0.3 * units for name, units in stuff.pigments.items()}, scatter=0.05, sheen=0.03)
    more = Stuff({name: 0.7 * units for name, units in stuff.pigments.items()})
    off = np.float32(0.08 * size_um)
    away = np.hypot(frame.u - off, frame.v + off) / np.float32(size_um * rng.uniform(0.1, 0.2))
    spot = np.exp(-(away**4)).astype(np.float32)
    parts = [
        stage.part(body, film),
        stage.part(body * np.sqrt(deep * (2 - deep)), more, on=film),
        stage.part(band(d, -0.06 * size_um - 0.4, 0, px), Stuff({"plain": rng.uniform(0.04, 0.25)}), on=film),
        stage.part(
            spot,
            Stuff(gain=rng.uniform(1.2, 1.7), sheen=0.5),
            on=film,
        ),
        stage.part(band(d, 0.1, 1.2, px), Stuff(gain=rng.uniform(1.0, 1.12))),
    ]
    stage.lay(frame, parts, height, "other", body)

"""Filling the stack: everything on the print, the spores last."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.slices import solids, strands, wings
from sporecount.simulate.slices.conditions import Conditions
from sporecount.simulate.slices.places import Seats, anywhere, spore_seats
from sporecount.simulate.slices.stack import Stack
from sporecount.simulate.truth import KIND_NAMES

Rng = np.random.Generator
HIDING_DENSITY = 1.1
"""Beneath or above such a layer nobody sees a spore through it."""


@dataclass
class Sown:
    """Spores as laid: their seats, windows and outlines, and what hides them (True where hidden)."""

    seats: Seats
    outlines: list[tuple[tuple[slice, slice], NDArray[np.bool_]] | None] = field(default_factory=list)
    hidden: list[float] = field(default_factory=list)
    on_scale: list[bool] = field(default_factory=list)
    layers: NDArray[np.uint8] = field(default_factory=lambda: np.zeros((0, 0), np.uint8))
    scales: int = 0


def _pigments(rng: Rng, here: Conditions) -> NDArray[np.str_]:
    usual = ["orange", "black", "brown", "pale", "white"]
    mix = list(rng.choice(usual, 3, p=[0.26, 0.2, 0.26, 0.16, 0.12]))
    if rng.random() < (0.5 if here.from_above else 0.12):
        mix.append(str(rng.choice(["blue", "violet", "green-gold"])))
    return np.array(mix)


def _lay_scales(rng: Rng, stack: Stack, here: Conditions, pigments: NDArray[np.str_]) -> int:
    length, teeth = float(rng.uniform(75, 150)), int(rng.choice([0, 3, 4, 5]))
    inside = 0
    w, h = stack.grid.size_um
    for x, y in anywhere(rng, stack.grid, here.amounts["scale"], 40):
        long = float(np.clip(length * np.exp(rng.normal(0, 0.16)), 55, 210))
        stack.lay(wings.scale(rng, stack.grid, x, y, str(rng.choice(pigments)), long, teeth))
        inside += 0 <= x < w and 0 <= y < h
    return inside


def _lay_bubbles(rng: Rng, stack: Stack, here: Conditions) -> None:
    taken: list[tuple[float, float, float]] = []
    for x, y in anywhere(rng, stack.grid, here.amounts["bubble"], 15):
        one = solids.bubble(rng, stack.grid, x, y)
        radius = one.thick_um.shape[0] * one.at.fine_um / 2
        # Bubbles that meet become one.
        if all(np.hypot(x - a, y - b) > radius + r for a, b, r in taken):
            taken.append((x, y, radius))
            stack.lay(one)


def lay_things(rng: Rng, stack: Stack, here: Conditions) -> int:
    """Lay all but the spores; gives the number of scales in the view."""
    grid = stack.grid
    for name, lengths in (("fibre", strands.fibre), ("hair", strands.hair), ("ridge", strands.ridge),
                       ("hypha", strands.hypha)):  # fmt: skip
        for x, y in anywhere(rng, grid, here.amounts[name], 60):
            for solid in lengths(rng, grid, float(x), float(y)):
                stack.lay(solid)
    pigments = _pigments(rng, here)
    scales = _lay_scales(rng, stack, here, pigments)
    for x, y in anywhere(rng, grid, here.amounts["scale piece"], 15):
        stack.lay(wings.scale_piece(rng, grid, x, y, pigments))
    for name, make in (("flake", solids.flake), ("pollen", solids.pollen), ("droplet", solids.droplet),
                       ("crystal", solids.crystal), ("clod", solids.clod), ("dust", solids.speck)):  # fmt: skip
        for x, y in anywhere(rng, grid, here.amounts[name], 15):
            stack.lay(make(rng, grid, x, y, here.stock))
    _lay_bubbles(rng, stack, here)
    for x, y in anywhere(rng, grid, here.amounts["mould"]):
        for solid in solids.mould(rng, grid, x, y):
            stack.lay(solid)
    return scales


def sow(rng: Rng, stack: Stack, here: Conditions, dark: NDArray[np.bool_]) -> Sown:
    """Lay the spores; `dark` is True where light is bent away from the objective, by bubbles above all."""
    grid = stack.grid
    seats = spore_seats(rng, grid, here)
    sown = Sown(seats, layers=np.zeros((grid.rows, grid.cols), np.uint8))
    before = stack.density.sum(axis=0).mean(axis=2)
    kind, top = stack.kind.copy(), stack.top_um.copy()
    scale = KIND_NAMES.index("scale")
    for k in range(len(seats.turn)):
        x, y, z = seats.xyz_um[k]
        row, col = round(y / grid.step_um), round(x / grid.step_um)
        inside = 0 <= row < grid.rows and 0 <= col < grid.cols
        lies = bool(inside and kind[row, col] == scale)
        if lies:
            z = top[row, col] + 2.5 if here.from_above or rng.random() < 0.65 else top[row, col] - 5.0
        seats.xyz_um[k, 2] = z = float(np.clip(z, -7, 7))
        laid = stack.lay(
            solids.spore(rng, grid, here.stock, (x, y, z), tuple(seats.size_um[k]), seats.turn[k])
        )
        sown.outlines.append(laid)
        sown.on_scale.append(lies)
        if laid is None or not laid[1].any():
            sown.hidden.append(1.0)
            continue
        window, outline = laid
        sown.layers[window] += outline
        over = (
            (before[window] > 0.35) & (top[window] > z + 1)
            if here.from_above
            else before[window] > HIDING_DENSITY
        )
        sown.hidden.append(float(np.mean((over | dark[window])[outline])))
    return sown

"""Butterfly scales, whole and torn: radial outlines with ridges and cross-ribs by their own coordinates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.recipes.ranger.canvas import Canvas
from tests.recipes.ranger.radial import Field, Outline, Patch, from_corners, lumpy
from tests.recipes.ranger.world import World

COLOURS = {
    "black": (1.25, (0.92, 1.0, 1.08)),
    "brown": (0.7, (0.65, 1.05, 1.3)),
    "orange": (0.45, (0.25, 0.85, 1.9)),
    "pale": (0.16, (0.8, 1.0, 1.2)),
}
"""Mean density and pigment of the scales of monarch and queen (chosen by eye)."""


@dataclass(frozen=True)
class Scale:
    """A whole scale on the canvas: outline, place, and direction of its axis."""

    outline: Outline
    x_px: float
    y_px: float
    angle_rad: float


def _whole_outline(rng: np.random.Generator) -> Outline:
    """Blade that widens towards a toothed end, on a thin stalk."""
    half_length = float(np.clip(rng.lognormal(np.log(58), 0.4), 18, 240))
    half_width = float(np.clip(rng.lognormal(np.log(25), 0.22), 15, 40))
    teeth = int(rng.integers(1, 7))
    tooth = rng.uniform(0.02, 0.3) * half_length
    y_end = np.linspace(-0.85, 0.85, 2 * teeth + 1) * half_width
    x_end = (
        half_length - tooth * (np.arange(2 * teeth + 1) % 2) - 0.1 * half_length * (y_end / half_width) ** 2
    )
    waist = rng.uniform(0.55, 0.95)
    x_side = np.array([0.45, -0.1, -0.55, -0.8, -0.86, -1.05]) * half_length
    y_side = np.array([1.0, 0.97, waist, 0.45 * waist, 1.6 / half_width, 1.3 / half_width]) * half_width
    return from_corners(
        np.concatenate([x_end, x_side, x_side[::-1]]), np.concatenate([y_end, y_side, -y_side[::-1]])
    )


def _relief(
    patch: Patch, pitch_um: float, rib_um: float, depth: float, turn: float, um_per_px: float
) -> Field:
    """Ridges along the scale and finer cross-ribs, as a factor of density around 1.

    A pattern finer than two pixels fades, as a pixel averages over it.
    """
    fade, rib_fade = (max(0.0, 1 - (2 * um_per_px / period) ** 2) for period in (pitch_um, rib_um))
    across = patch.v_um + np.float32(turn) * patch.u_um
    ridge = np.float32(fade) * np.cos(np.float32(2 * np.pi / pitch_um) * across)
    ribs = np.cos(np.float32(2 * np.pi / rib_um) * patch.u_um) * np.float32(0.35 * rib_fade)
    return (
        1
        + np.float32(depth) * (ridge + ribs * (1 + ridge))
        + np.float32(0.25 * depth) * (patch.rho**4).clip(0, 1)
    )


def _pigment(rng: np.random.Generator, colour: str) -> tuple[float, NDArray[np.float64]]:
    """Density and pigment of one scale of a colour."""
    density, pigment = COLOURS[colour]
    return density * float(rng.lognormal(0, 0.3)), np.array(pigment) * rng.uniform(0.92, 1.08, 3)


def lay_scales(rng: np.random.Generator, canvas: Canvas, world: World) -> list[Scale]:
    """Lay whole scales; returns those that lie nearly whole in the view."""
    crowd = {"hard": 1.8, "scan_4x": 1.0, "heavy": 1.2}.get(world.preset, 1.0)
    number = min(int(rng.poisson(crowd * rng.gamma(1.5, 12) * world.area_mm2)), 160)
    mix = rng.dirichlet(np.full(len(COLOURS), 0.7))
    laid = []
    for _ in range(number):
        one = Scale(
            _whole_outline(rng),
            rng.uniform(-0.05, 1.05) * world.width_px,
            rng.uniform(-0.05, 1.05) * world.height_px,
            rng.uniform(0, 2 * np.pi),
        )
        density, pigment = _pigment(rng, str(rng.choice(list(COLOURS), p=mix)))
        pitch, rib, depth = rng.uniform(1.4, 3.2), rng.uniform(0.8, 2.0), rng.uniform(0.08, 0.4)
        patch = canvas.patch(one.outline, one.x_px, one.y_px, one.angle_rad)
        if patch is None:
            continue
        amount = (
            patch.cover
            * np.float32(density)
            * _relief(patch, pitch, rib, depth, rng.normal(0, 0.03), canvas.um_per_px)
        )
        canvas.lay((patch.rows, patch.cols), patch.cover, amount, pigment, 0.9, "scale")
        shown = float(patch.cover.sum()) * world.um_per_px**2 / one.outline.area_um2
        if shown > 0.85:
            laid.append(one)
    return laid


def lay_pieces(rng: np.random.Generator, canvas: Canvas, world: World, number: int) -> None:
    """Lay torn pieces of scales, 4 to 60 µm, many of a spore's size: angular, ridged, any of the colours."""
    mix = rng.dirichlet(np.full(len(COLOURS), 0.8))
    size = np.clip(rng.lognormal(np.log(11), 0.55, number), 4, 60)
    for length_um in size:
        corners = int(rng.integers(3, 8))
        theta = np.sort(rng.uniform(0, 2 * np.pi, corners)) + rng.uniform(0, 6)
        if np.diff(np.append(theta, theta[0] + 2 * np.pi)).max() > 2.6:
            outline = lumpy(length_um / 2.4, 0.22, rng.uniform(1, 2.2), rng)
        else:
            reach = length_um / 2 * rng.uniform(0.65, 1.05, corners)
            outline = from_corners(reach * np.cos(theta), reach * np.sin(theta) / rng.uniform(1, 2))
        density, pigment = _pigment(rng, str(rng.choice(list(COLOURS), p=mix)))
        x, y = rng.uniform(0, world.width_px), rng.uniform(0, world.height_px)
        patch = canvas.patch(outline, x, y, rng.uniform(0, 2 * np.pi))
        if patch is None:
            continue
        relief = _relief(
            patch, rng.uniform(1.4, 3.2), 1.3, rng.uniform(0.1, 0.45), rng.normal(0, 0.8), canvas.um_per_px
        )
        amount = patch.cover * np.float32(0.8 * density) * relief
        canvas.lay((patch.rows, patch.cols), patch.cover, amount, pigment, 0.85, "scale piece")

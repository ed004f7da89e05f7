"""From the stack of sheets to the light that reaches the phone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.recipes.roamer.optics import (
    Plane,
    blur_by_map,
    edge_density,
    lens_gain,
    oblique_gain,
    shadow,
    slopes,
    soften,
)
from tests.recipes.roamer.settings import Settings
from tests.recipes.roamer.sheets import Sheet, Stack

OPEN_CONE = 0.28
"""Blur (standard deviation) per µm of defocus with an open condenser; about right for a 10x objective."""
FARTHEST_UM = 9.0
"""Defocus beyond which lenses gather no more light in a thin beam than they lose to their neighbours."""


@dataclass(frozen=True)
class Picture:
    """Linear light at the sensor, and how blurred it is there."""

    light: Plane
    blur_um: Plane


def through(sheets: tuple[Sheet, ...], settings: Settings, ground: Plane) -> Plane:
    """Light from beneath: each sheet absorbs, throws light out at steep edges, gathers it as a lens."""
    um, closed = settings.um_per_px, 1 - settings.condenser
    out = ground
    defocus = settings.defocus_map_um(ground.shape[:2]) / (OPEN_CONE * (0.5 + 0.5 * settings.condenser))
    far = FARTHEST_UM * np.tanh((defocus + settings.heart_um) / FARTHEST_UM)
    toward = (float(np.cos(settings.light_rad)), float(np.sin(settings.light_rad)))
    for sheet in sheets:
        # A wide cone of light smooths what a lens does, and no lens acts finer than the pixels show.
        path = soften(sheet.path_um, float(np.hypot(0.35 + 0.5 * settings.condenser, 0.6 * um)) / um)
        dark = edge_density(path, um, 0.22 + 0.2 * settings.condenser, 0.16 + 0.4 * closed)
        gain = lens_gain(path, far, um, 0.45 + 0.55 * closed)
        if closed > 0.6:
            # Two weak rings around edges, as a thin beam shows them.
            edge = sheet.density.mean(2) + 0.5 * dark
            inner, outer = soften(edge, 1.3 / um + 0.4), soften(edge, 2.3 / um + 0.6)
            gain = gain * np.exp((closed - 0.4) * 0.8 * (outer - inner))
        if settings.oblique > 0.02:
            gain = gain * oblique_gain(path, um, toward, settings.oblique)
        out = out * (gain * 10**-dark)[..., None] * 10**-sheet.density
    return np.asarray(out, np.float32)


def from_above(sheets: tuple[Sheet, ...], settings: Settings, ground: Plane) -> Plane:
    """Light from above: soft shadows on what lies beneath, scattering by the side that faces the lamp, glints."""
    um = settings.um_per_px
    toward = np.array([np.cos(settings.light_rad), np.sin(settings.light_rad)])
    hard = 0.25 + 0.6 * (1 - settings.condenser)
    out = ground
    for sheet, depth in zip(sheets, (0.25, 0.45, 0.15), strict=True):
        shift = (float(2.2 * toward[0] / um), float(2.2 * toward[1] / um))
        caster = sheet.alpha * np.clip(sheet.relief / 3, 0.15, 1)
        shade = shadow(caster, shift, 1.6 / um, depth * (0.6 + 0.7 * hard))
        out = out * shade[..., None]
        right, down = slopes(soften(sheet.relief, 0.6 / um), um)
        facing = -(right * toward[0] + down * toward[1])
        lit = np.clip(0.95 - hard * 0.6 * np.tanh(facing), 0.15, 1.6)
        # A spot where the surface mirrors the lamp: one slope toward it, none across.
        across = right * toward[1] - down * toward[0]
        glint = 0.5 * hard * sheet.alpha * np.exp(-((facing + 0.55) ** 2 + across**2) / 0.03)
        out = out * (1 - sheet.alpha)[..., None] + sheet.colour * lit[..., None] + glint[..., None]
    path = soften(sheets[-1].path_um, 0.6 / um)
    right, down = slopes(path, um)
    shine = 1 + 0.5 * hard * np.tanh(1.5 * (right * toward[0] + down * toward[1]))
    return np.asarray(out * shine[..., None], np.float32)


def take(stack: Stack, settings: Settings, ground: Plane, lamp: Plane) -> Picture:
    """Mix both lights and blur by the objective and the focus."""
    um = settings.um_per_px
    scene = np.zeros_like(ground)
    if settings.top < 1:
        scene += (1 - settings.top) * through(stack.sheets, settings, ground)
    if settings.top > 0:
        scene += settings.top * from_above(stack.sheets, settings, ground)
    blur = np.hypot(settings.sharpest_um, settings.defocus_map_um(stack.shape))
    blur = np.hypot(blur, 0.35 * um).astype(np.float32)
    light = blur_by_map(scene * lamp[..., None], ((blur / um) ** 2).astype(np.float32))
    return Picture(light, blur)

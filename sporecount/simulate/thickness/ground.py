"""What lies behind the print (glass, card, paper) and the glue of the tape itself."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from sporecount.simulate.thickness.fields import Array, Dice, smooth_noise
from sporecount.simulate.thickness.stage import LOW, TAPE, Stage
from sporecount.simulate.truth import KIND_NAMES


def _felt(dice: Dice, shape: tuple[int, ...], px: float) -> Array:
    """Density of a felt of fibres out of focus, mean 0 and spread 1."""
    felt = np.zeros(shape, np.float32)
    number = int(np.clip(dice.even(6, 22) * felt.size * px**2 / 3e5, 3, 65))
    for weight in (1.0, 0.7, 0.5, 1.0):
        layer = np.zeros(shape, np.uint8)
        for _ in range(number):
            x, y = dice.rng.uniform(-0.2, 1.2, 2) * shape[::-1]
            t = np.linspace(-0.5, 0.5, 9) * dice.even(150, 900) / px
            turns = dice.way() + np.linspace(-1, 1, 9) * dice.bell(0, 0.25)
            points = np.stack([x + t * np.cos(turns), y + t * np.sin(turns)], axis=1) * 8
            thick = max(int(dice.even(6, 40) / px), 1)
            cv2.polylines(layer, [points.astype(np.int32)], False, 255, thick, cv2.LINE_AA, 3)
        felt += layer * (weight / 255)
    soft: Any = cv2.GaussianBlur(felt, (0, 0), max(dice.even(3, 11) / px, 0.7))
    return (soft - soft.mean()) / max(float(soft.std()), 1e-3)


def draw_ground(dice: Dice, stage: Stage, kind: str, ruled: bool) -> Array:
    """Light from behind the print, (H, W, 3), near 1; `kind` is glass, plastic, card or paper."""
    shape, px = stage.kinds.shape, stage.optics.um_per_px
    density = np.zeros(shape, np.float32)
    if kind != "glass":
        for grain_um, most in ((300, 0.09), (90, 0.09), (30, 0.05)):
            density += (
                dice.even(0.1, 1) * most * smooth_noise(dice, shape, grain_um / px * dice.even(0.6, 1.5))
            )
    if kind in ("card", "paper"):
        density += dice.even(0.02, 0.13) * _felt(dice, shape, px)
    tint = 1 + dice.even(0, 0.5) * np.array([-0.2, 0.05, 0.3], np.float32)
    loss = density[..., None] * tint
    if ruled:
        way, width = dice.way(), dice.even(40, 220) / px
        apart = max(dice.even(250, 900) / px, 2.2 * width)
        y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
        across = x * float(np.cos(way)) + y * float(np.sin(way)) + dice.even(0, apart)
        near = np.abs(across % apart - apart / 2) - width / 2 + smooth_noise(dice, shape, 12 / px) * (3 / px)
        cover = np.clip(0.5 - near * px / 8, 0, 1)
        stage.kinds[(cover > 0.5) & (stage.kinds == 0)] = KIND_NAMES.index("other")
        ink = np.array(dice.pick([(0.9, 0.5, 0.15), (0.6, 0.6, 0.6), (0.1, 0.7, 0.6)]), np.float32)
        cover *= np.clip(1 + 0.3 * smooth_noise(dice, shape, 8 / px), 0.2, None) * dice.even(0.15, 0.8)
        loss = loss + cover[..., None] * ink
    return np.exp(-loss)


def spread_glue(dice: Dice, stage: Stage, strength: float) -> str:
    """Give the glue its relief; return the sort of it."""
    shape, px = stage.kinds.shape, stage.optics.um_per_px
    sort = dice.pick(["smooth", "peel", "streaks", "grain"], [0.3, 0.35, 0.2, 0.15])
    if sort == "smooth":
        return sort
    grain_um = {"peel": dice.even(12, 45), "streaks": dice.even(6, 20), "grain": dice.even(4, 9)}[sort]
    # The step in path that changes the brightness by `strength` at one depth of focus; slopes stay gentle,
    # else the light would be lost as at an edge.
    step = min(strength * grain_um**2 / (8 * stage.optics.depth_um), 0.12 * stage.optics.aperture * grain_um)
    relief: Any = smooth_noise(dice, shape, max(grain_um / px, 1.5))
    if sort == "streaks":
        side = int(np.hypot(*shape)) + 2
        lines = smooth_noise(dice, (side, side), grain_um / px, grain_um / px * dice.even(8, 30))
        turn: Any = cv2.getRotationMatrix2D((side / 2, side / 2), dice.even(0, 180), 1)
        turn[:, 2] -= [(side - shape[1]) / 2, (side - shape[0]) / 2]
        relief = cv2.warpAffine(lines, turn, shape[::-1], borderMode=cv2.BORDER_REFLECT)
    stage.path_um[dice.pick([LOW, TAPE])] += step * relief
    return sort

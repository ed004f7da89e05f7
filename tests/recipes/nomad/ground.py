"""Under and around the print: card or glass, the glue of the tape, and the lamp."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from tests.recipes.nomad.field import Field, Floats
from tests.recipes.nomad.optics import smooth
from tests.recipes.nomad.shapes import bent_line, soft_noise

_CARD: dict[str, tuple[float, float, float]] = {
    "glass": (1.0, 1.0, 1.0),
    "white card": (0.97, 0.97, 0.95),
    "cream card": (0.98, 0.93, 0.80),
    "grey card": (0.60, 0.61, 0.62),
    "kraft card": (0.66, 0.52, 0.36),
}
_LAMP: dict[str, tuple[float, float, float]] = {
    "white": (1.0, 1.0, 1.0),
    "warm": (1.0, 0.86, 0.62),
    "cool": (0.92, 0.98, 1.0),
}


@dataclass(frozen=True)
class Stage:
    """Card and lamp of one photo; `above` is the share of light that comes from above."""

    card: str
    lamp: str
    way: str
    above: float
    slant: tuple[float, float]
    coherence: float

    @staticmethod
    def drawn(rng: np.random.Generator, above_odds: float) -> Stage:
        """Draw a bench."""
        card = str(rng.choice(list(_CARD), p=[0.4, 0.36, 0.1, 0.07, 0.07]))
        lamp = str(rng.choice(list(_LAMP), p=[0.5, 0.38, 0.12]))
        way, above, slant_size = "through", 0.0, 0.0
        if rng.random() < above_odds:
            way = str(rng.choice(["ring", "desk", "mixed"]))
            above = {"ring": 1.0, "desk": 1.0, "mixed": rng.uniform(0.3, 0.6)}[way]
            slant_size = {"ring": 0.0, "desk": 0.5, "mixed": 0.3}[way]
        elif rng.random() < 0.2:
            way, slant_size = "oblique", rng.uniform(0.5, 1.6)
        turn = rng.uniform(0, 2 * np.pi)
        coherence = rng.uniform(0.7, 1.0) if card == "glass" else rng.uniform(0.25, 0.55)
        slant = (float(slant_size * np.cos(turn)), float(slant_size * np.sin(turn)))
        return Stage(card, lamp, way, above, slant, float(coherence * (1 - 0.75 * above)))


def lamp_light(rng: np.random.Generator, field: Field, stage: Stage) -> Floats:
    """Light that reaches the specimen, by channel; uneven, as lamps out of line are."""
    y, x = np.mgrid[-1 : 1 : field.rows * 1j, -1 : 1 : field.cols * 1j].astype(np.float32)
    tilt = rng.normal(0, 0.09 + 0.1 * (stage.way in ("desk", "mixed")), 2)
    middle = rng.normal(0, 0.3, 2)
    fall = rng.uniform(0, 0.22)
    level = (1 + tilt[0] * x + tilt[1] * y) * (1 - fall * ((x - middle[0]) ** 2 + (y - middle[1]) ** 2) / 2)
    light = np.clip(level, 0.15, None)[..., None] * np.array(_LAMP[stage.lamp]) * np.array(_CARD[stage.card])
    if stage.card != "glass":
        light = light * _paper(rng, field, stage)[..., None]
    return np.asarray(light, np.float32)


def _paper(rng: np.random.Generator, field: Field, stage: Stage) -> Floats:
    """Clouds and felted fibres of a card, out of focus below the glue."""
    shape, pixel = (field.rows, field.cols), field.um_per_px
    kraft = 1.6 if stage.card == "kraft card" else 1.0
    cloud = soft_noise(rng, shape, 45 / pixel) * 0.05 + soft_noise(rng, shape, 9 / pixel) * 0.025
    felt = np.zeros(shape, np.float32)
    count = int(np.clip(field.width_um * field.height_um / 900, 20, 900))
    for _ in range(count):
        line = bent_line(rng, rng.uniform(60, 500), 0.9, 14)
        at = (line + rng.uniform(0, 1, 2) * field.size_um) / pixel
        wide = max(1, round(rng.uniform(8, 24) / pixel))
        one = np.round(at * 16).astype(np.int32)
        cv2.polylines(felt, [one], False, float(rng.normal(0, 1)), wide, cv2.LINE_AA, 4)
    felt = smooth(felt, max(0.6, rng.uniform(2.0, 7.0) / pixel))
    sheen = 0.03 + 0.03 * stage.above
    return np.asarray(
        np.clip(1 + kraft * (cloud * rng.uniform(0.4, 1.3) + felt * sheen), 0.3, 1.8), np.float32
    )


def spread_glue(rng: np.random.Generator, field: Field, amount: float) -> None:
    """Orange-peel relief of the glue, with ridges where the tape was drawn or lifted."""
    shape, pixel = (field.rows, field.cols), field.um_per_px
    grain = rng.uniform(5, 18)
    peel = soft_noise(rng, shape, grain / pixel)
    # the crests are rounder than the pits, as a viscous skin leaves them
    field.path_um += 0.0035 * grain**2 * amount * (peel - 0.25 * peel**2)
    for _ in range(int(rng.poisson(1.5 * amount))):
        line = bent_line(rng, 1.5 * max(field.width_um, field.height_um), 0.5)
        at = (line + rng.uniform(0, 1, 2) * field.size_um) / pixel
        wide = rng.uniform(2, 9)
        ridge = np.zeros(shape, np.float32)
        cv2.polylines(
            ridge, [np.round(at * 16).astype(np.int32)], False, 1.0, max(1, round(wide / pixel)), 16, 4
        )
        ridge = smooth(ridge, max(0.6, wide / 3 / pixel))
        field.path_um += ridge * rng.normal(0, 0.5) * amount


def eyepiece(rng: np.random.Generator, field: Field, odds: float) -> Floats | None:
    """Round view of the eyepiece with its soft rim, or None where the phone is zoomed in beyond it."""
    if rng.random() > odds:
        return None
    radius = rng.uniform(0.5, 0.68) * max(field.rows, field.cols)
    cy, cx = (
        field.rows / 2 + rng.normal(0, 0.04) * field.rows,
        field.cols / 2 + rng.normal(0, 0.04) * field.cols,
    )
    y, x = np.ogrid[: field.rows, : field.cols]
    soft = rng.uniform(2, 12)
    far = np.hypot(y - cy, x - cx)
    return np.asarray(1 / (1 + np.exp(np.clip((far - radius) / soft, -30, 30))), np.float32)

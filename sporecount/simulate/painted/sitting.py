"""What is decided before the first stroke: magnification, focus, numbers, manner; and the empty ground."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.painted.paint import F32, Focus, noise

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
_UM_PER_PX = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
# Standard deviation of the finest blur: 0.21 wavelength / aperture, at 0.55 µm and the usual apertures.
_SHARP_UM = {4.0: 1.1, 10.0: 0.46, 20.0: 0.29, 40.0: 0.18}
# Middle number of things in a quarter of a square millimetre of an ordinary print, and factors by preset.
_ORDINARY = {"scale": 7.0, "piece": 6.0, "hair": 1.0, "fibre": 0.5, "bubble": 2.0, "droplet": 1.5, "dust": 14.0,
             "pollen": 0.6, "mould": 0.7, "hair end": 1.5, "fold": 0.6, "speck": 40.0}  # fmt: skip
_MORE: dict[str, dict[str, float]] = {
    "good_focus": {"fibre": 0.5, "bubble": 0.5, "dust": 0.6, "fold": 0.4},
    "ordinary": {},
    "hard": {"fibre": 3.5, "bubble": 2.5, "hair": 1.6, "fold": 3, "scale": 1.4, "dust": 1.6, "droplet": 1.5},
    "no_spores": {"bubble": 5, "droplet": 7, "pollen": 8, "mould": 5, "piece": 3, "hair end": 5, "fibre": 2},
    "heavy": {"scale": 1.3, "dust": 0.8},
    "scan_4x": {"dust": 0.5, "scale": 0.8, "speck": 0.5},
}
_MOST = {"speck": 450, "fibre": 6, "hair": 8, "fold": 5}
# At least some of everything that could be taken for a spore.
_DOUBTFUL = ("bubble", "droplet", "pollen", "dust", "piece", "mould", "hair end")
_GROUNDS = ("glass", "clear tape", "card", "paper", "grey card", "dark card")


@dataclass(frozen=True)
class Sitting:
    """Everything that holds for one photo; `spores` and `things` are numbers to paint, shares are 0 to 1."""

    preset: str
    shape: tuple[int, int]
    um_per_px: float
    objective: float
    focus: Focus
    sharp_um: float
    spores: int
    things: dict[str, int]
    from_above: bool
    dim: bool


def _things(rng: np.random.Generator, preset: str, mm2: float, messy: float) -> dict[str, int]:
    numbers = {}
    for name, middle in _ORDINARY.items():
        # A larger view holds more, but what is rare is not photographed in proportion.
        grown = (mm2 / 0.25) ** (0.85 if name in ("scale", "speck") else 0.6)
        middle = middle * _MORE[preset].get(name, 1.0) * messy * math.exp(rng.normal(0, 0.8))
        numbers[name] = min(int(rng.poisson(middle * grown)), _MOST.get(name, 130))
        if (preset == "no_spores" and name in _DOUBTFUL) or (preset == "hard" and name == "fibre"):
            numbers[name] = max(numbers[name], int(rng.integers(2, 6)))
    return numbers


def _spores(rng: np.random.Generator, preset: str, mega: float, um_per_px: float) -> int:
    """Draw the number of spores in a photo of `mega` million pixels; never more than the ground has room for."""
    room = int(0.33e6 * mega * um_per_px**2 / 75)
    if preset == "no_spores" or (preset == "ordinary" and rng.random() < 0.12):
        return 0
    if preset == "good_focus":
        return int(rng.integers(5, min(80, max(room, 6)) + 1))
    if preset in ("ordinary", "hard"):
        number = 150 * rng.beta(0.8, 1.7) if preset == "ordinary" else rng.integers(20, 320)
        return min(int(number * min(mega / 0.8, 1)), room)
    if preset == "heavy":
        return max(min(int(rng.uniform(300, 2000) * mega), room), math.ceil(301 * mega))
    if rng.random() < 0.5:
        return int(rng.integers(0, 9))
    return max(151, min(int(rng.uniform(160, 1500) * max(mega, 0.2)), room))


def draw_sitting(rng: np.random.Generator, shape: tuple[int, int], um_per_px: float | None,
                 objective: float | None, preset: str) -> Sitting:  # fmt: skip
    """Decide everything about one photo; ValueError for an unknown preset."""
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    if objective is None:
        several = {"ordinary": (0.55, 0.3, 0.15), "hard": (0.75, 0.25, 0.0), "no_spores": (0.6, 0.25, 0.15)}
        objective = float(rng.choice([10.0, 20.0, 40.0], p=several.get(preset, (1, 0, 0))))
        objective = 4.0 if preset == "scan_4x" else objective
    if um_per_px is None:
        low, high = _UM_PER_PX.get(objective, (3.0 / objective, 10.0 / objective))
        um_per_px = float(np.exp(rng.uniform(math.log(0.4 if preset == "heavy" else low), math.log(high))))
    hard, easy = preset == "hard", preset in ("good_focus", "scan_4x")
    coarse = 1.6 if objective <= 5 else 1.0
    reach = coarse * (0.25 if easy else 0.7 if preset == "heavy" else 1.6 if hard else 1.1)
    slope = coarse * (rng.uniform(0.6, 3.2) if hard else rng.uniform(0.3, 1.8)) * (0.25 if easy else 1)
    slope *= rng.random() < (0.2 if easy else 0.85 if hard else 0.5)
    way = rng.uniform(0, 2 * math.pi)
    tilt = (slope * math.cos(way), slope * math.sin(way))
    mega = shape[0] * shape[1] / 1e6
    focus = Focus(float(rng.normal(0, reach)), tilt, float(rng.normal(0, 0.4 * reach)), shape)
    sharp = float(_SHARP_UM.get(objective, 4.6 / objective) * rng.uniform(0.85, 1.3))
    messy = math.exp(rng.normal(-0.2 if easy else 0.1, 0.45))
    things = _things(rng, preset, mega * um_per_px**2, messy)
    spores = _spores(rng, preset, mega, um_per_px)
    from_above = bool(rng.random() < (0.3 if hard else 0.03 if easy else 0.1))
    dim = bool(rng.random() < (0.4 if hard else 0.08))
    return Sitting(preset, shape, um_per_px, objective, focus, sharp, spores, things, from_above, dim)


def draw_ground(rng: np.random.Generator, sitting: Sitting) -> tuple[F32, str]:
    """Paint the empty ground, sRGB 0 to 1, and say which: its tone, its texture, the glue, a ruled line."""
    share = (0.05, 0.1, 0.27, 0.28, 0.22, 0.08) if sitting.from_above else (0.34, 0.3, 0.16, 0.12, 0.08, 0.0)
    kind = str(rng.choice(_GROUNDS, p=share))
    (rows, cols), px, clear = sitting.shape, sitting.um_per_px, kind in ("glass", "clear tape")
    level = rng.uniform(0.3, 0.42) if kind == "dark card" else rng.uniform(0.72, 0.94)
    warm = rng.normal(0, 0.02 if clear else 0.05)
    tone = np.array([level + warm, level + 0.3 * warm + rng.normal(0, 0.008), level - warm], np.float32)
    rough = rng.uniform(0.3, 1.5) * (1.5 if sitting.preset == "hard" else 1.0)
    relief = noise(rng, sitting.shape, rng.uniform(30, 300) / px) * np.float32(0.006 * rough)
    relief += noise(rng, sitting.shape, rng.uniform(3, 9) / px) * np.float32(rng.uniform(0.0, 0.006))
    if not clear:
        # Felted fibres of the card: many soft strokes of light and shade, out of focus below the print.
        felt = np.zeros(sitting.shape, np.float32)
        for _ in range(int(min(60 + rows * cols * px * px / 5000, 260))):
            way = np.linspace(-1, 1, 12) * rng.uniform(40, 200) / px
            turn = rng.uniform(0, math.pi) + rng.normal(0, 0.004) * px * way
            points = np.stack([way * np.cos(turn), way * np.sin(turn)], 1)
            points += rng.uniform(0, 1, 2) * [cols, rows]
            wide, stroke = max(1, round(rng.uniform(5, 16) / px)), np.round(points * 4).astype(np.int32)
            cv2.polylines(felt, [stroke], False, float(rng.normal(0, 1)), wide, cv2.LINE_AA, 2)
        soft = cv2.GaussianBlur(felt, (0, 0), max(rng.uniform(2.5, 9.0) / px, 0.8))
        relief += soft / (soft.std() + 1e-6) * np.float32(0.018 * rough)
    # The glue: orange-peel dimples lit from one side, or long streaks along the tape.
    skin, depth = rng.random(), rng.uniform(0.003, 0.014) * (1.8 if sitting.preset == "hard" else 1.0)
    if skin < 0.3:
        tilted = cv2.Sobel(noise(rng, sitting.shape, rng.uniform(8, 30) / px), cv2.CV_32F, 1, 0, ksize=3)
        relief += tilted / (tilted.std() + 1e-6) * np.float32(depth)
    elif skin < 0.55:
        relief += noise(rng, sitting.shape, rng.uniform(4, 18) / px, rng.uniform(8, 25)) * np.float32(depth)
    ground = tone + relief[..., None]
    if not clear and rng.random() < 0.25:
        # A printed line, its edges eaten by the fibres of the paper.
        kind, lean = f"{kind}, ruled", rng.uniform(0, math.pi)
        x, y = np.meshgrid(np.arange(cols, dtype=np.float32), np.arange(rows, dtype=np.float32))
        across = (x - rng.uniform(0, cols)) * math.sin(lean) - (y - rng.uniform(0, rows)) * math.cos(lean)
        gap = np.abs(across) * px - rng.uniform(30, 110) + noise(rng, sitting.shape, 12 / px) * 5
        here = rng.uniform(0.25, 0.7) / (1 + np.exp(np.clip(gap / rng.uniform(3, 8), -30, 30)))
        inks = np.array([(0.35, 0.45, 0.75), (0.3, 0.3, 0.32), (0.75, 0.4, 0.42)], np.float32)
        ground = ground + (inks[int(rng.integers(3))] - ground) * here[..., None]
    return np.clip(ground, 0.02, 1).astype(np.float32), kind

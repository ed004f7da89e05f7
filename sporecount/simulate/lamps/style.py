"""The drawn settings of one photo: light, ground, focus, and how much lies on the tape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
LUMA = np.array([0.3, 0.59, 0.11], np.float32)
LIGHTS = ("mirror", "led", "oblique", "ring", "desk", "mixed")
LIGHT_SHARES = {
    "good_focus": (0.33, 0.27, 0.14, 0.09, 0.09, 0.08),
    "ordinary": (0.26, 0.22, 0.14, 0.11, 0.15, 0.12),
    "hard": (0.14, 0.12, 0.20, 0.16, 0.22, 0.16),
    "no_spores": (0.25, 0.20, 0.15, 0.13, 0.15, 0.12),
    "heavy": (0.30, 0.24, 0.12, 0.10, 0.14, 0.10),
    "scan_4x": (0.30, 0.22, 0.08, 0.14, 0.16, 0.10),
}
GROUNDS = ("glass", "white card", "cream paper", "grey card", "lined paper", "dark glass")
APERTURES = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
"""Numerical aperture by magnification."""
PX_UM = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}

THINGS = {
    "scale": (4, 60, 0, 60),
    "piece": (20, 300, 4, 200),
    "grain": (30, 500, 6, 260),
    "crumb": (15, 250, 4, 200),
    "droplet": (3, 80, 3, 90),
    "pollen": (1, 25, 2, 40),
    "mould": (1, 30, 1, 30),
    "stub": (1, 30, 2, 40),
    "bubble": (2, 60, 2, 60),
    "hair": (0.5, 5, 0, 9),
    "fibre": (0.5, 6, 0, 12),
}
"""Of each thing: lowest and highest mean number per mm2, fewest in a photo without spores, most in any."""


@dataclass(frozen=True)
class Light:
    """Where the light comes from, and how crisply."""

    name: str  # one of `LIGHTS`
    below: float  # share through the ground; the rest comes from above
    hue_below: Array
    hue_above: Array
    crisp: float  # how strongly curved bodies bend the light: high for a small lamp
    rim: float  # share lost at steep slopes
    slant: tuple[float, float]  # relief shading: relative gain per unit of slope, x and y
    shade_um: tuple[float, float]  # where a body's shadow falls on the ground, x and y
    shade_soft_um: float
    gloss: float  # mirror spots on curved bodies


@dataclass(frozen=True)
class Style:
    """Everything that is settled before the first body is laid."""

    preset: str
    um_per_px: float
    objective: float
    light: Light
    ground: str  # one of `GROUNDS`
    focus_um: float  # focus error in the middle of the view
    tilt_um: float  # its change from edge to edge
    warp_um: float  # waves of the tape
    tilt_rad: float  # direction of the tilt
    spores: int
    clumped: float  # share of draws that lay a touching group
    largest: int  # spores in the largest group
    beneath: float  # share of the spores under the scales
    things: dict[str, int]  # how many of each other thing

    @property
    def aperture(self) -> float:
        """Numerical aperture of the nearest known objective."""
        return min(APERTURES.items(), key=lambda one: abs(one[0] - self.objective))[1]

    def error_um(self, x_share: float, y_share: float) -> float:
        """Signed focus error at a place, in shares of the view; the waves left out."""
        along = (x_share - 0.5) * np.cos(self.tilt_rad) + (y_share - 0.5) * np.sin(self.tilt_rad)
        return float(self.focus_um + self.tilt_um * along)


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw evenly in the logarithm."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _hue(rng: np.random.Generator, warmth: float) -> Array:
    """Colour of a lamp with a green of 1: red up and blue down where it is warm."""
    green = rng.normal(0, 0.03)
    return np.array([np.exp(0.5 * warmth - green), 1, np.exp(-0.8 * warmth - green)], np.float32)


def draw_light(rng: np.random.Generator, preset: str) -> Light:
    """Draw one of the light set-ups with its own numbers."""
    name = str(rng.choice(LIGHTS, p=LIGHT_SHARES[preset]))
    below = {"ring": 0.0, "desk": 0.0, "mixed": float(rng.uniform(0.3, 0.75))}.get(name, 1.0)
    crisp = {"mirror": (0.05, 0.5), "led": (0.2, 1.0), "oblique": (0.1, 0.7)}.get(name, (0.02, 0.3))
    slant = rng.uniform(0.06, 0.3) if name == "oblique" else rng.uniform(0, 0.05)
    turn = rng.uniform(0, 2 * np.pi)
    far = 0.0 if name == "ring" else log_uniform(rng, 1, 9)
    return Light(
        name=name,
        below=below,
        hue_below=_hue(rng, rng.normal(-0.15 if name == "led" else 0.2, 0.2)),
        hue_above=_hue(rng, rng.normal(0.15, 0.3)),
        crisp=float(rng.uniform(*crisp)),
        rim=float(rng.uniform(0.1, 0.75)),
        slant=(float(slant * np.cos(turn)), float(slant * np.sin(turn))),
        shade_um=(float(far * np.cos(turn)), float(far * np.sin(turn))),
        shade_soft_um=log_uniform(rng, 1.2, 6),
        gloss=float(rng.uniform(0, 0.7)),
    )


def _draw_ground(rng: np.random.Generator, light: Light, preset: str) -> str:
    """Choose the ground: glass mostly where the light comes through it."""
    through = [0.4, 0.22, 0.14, 0.08, 0.16, 0.0]
    shares = np.array(through if light.below == 1 else [0, 0.4, 0.2, 0.15, 0.15, 0.1])
    if light.below < 1 and preset in ("good_focus", "heavy"):
        shares[5] = 0
    return str(rng.choice(GROUNDS, p=shares / shares.sum()))


def _draw_things(rng: np.random.Generator, preset: str, area_mm2: float) -> dict[str, int]:
    """Count the things on the tape; the mean per mm2 of each is drawn over a wide range."""
    much = {"good_focus": 0.6, "hard": 2.0, "no_spores": 2.0, "scan_4x": 0.35}.get(preset, 1.0)
    counts = {}
    for name, (low, high, least, most) in THINGS.items():
        mean = log_uniform(rng, low, high) * area_mm2 * much
        if name in ("hair", "fibre"):
            mean += {"hard": 1.5, "no_spores": 1.0}.get(preset, 0.3)
        floor = least if preset == "no_spores" else int(name == "scale")
        counts[name] = int(np.clip(rng.poisson(mean), floor, most))
    return counts


def _draw_number(rng: np.random.Generator, preset: str, shape: tuple[int, int], area_um2: float) -> int:
    """Count the spores, never more than fit without covering the view."""
    room = int(0.3 * area_um2 / 85)
    if preset == "no_spores":
        return 0
    if preset == "good_focus":
        return max(5, min(int(log_uniform(rng, 5, 81)), room, 80))
    if preset == "ordinary":
        return min(int(log_uniform(rng, 1, 151)) - int(rng.random() < 0.1), room, 150)
    if preset == "hard":
        return min(int(log_uniform(rng, 8, 260)), room)
    if preset == "heavy":
        megapixels = shape[0] * shape[1] / 1e6
        return int(max(300 * megapixels, min(log_uniform(rng, 320, 2000) * megapixels, room)) + 1)
    if rng.random() < 0.5:
        return int(rng.integers(0, 9))
    return int(min(max(151, log_uniform(rng, 0.05, 0.7) * 1e-3 * area_um2), 1500))


def draw_style(
    rng: np.random.Generator,
    shape: tuple[int, int],
    um_per_px: float | None,
    objective: float | None,
    preset: str,
) -> Style:
    """Draw the settings of one photo; a ValueError for a preset that there is not."""
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    if objective is None:
        objective = {"good_focus": 10.0, "heavy": 10.0, "scan_4x": 4.0}.get(preset, 0.0)
        objective = objective or float(rng.choice([10.0, 20.0, 40.0], p=[0.65, 0.22, 0.13]))
    if um_per_px is None:
        nearest = min(PX_UM, key=lambda known: abs(np.log(known / objective)))
        um_per_px = log_uniform(rng, *PX_UM[nearest])
    area_um2 = shape[0] * shape[1] * um_per_px**2
    light = draw_light(rng, preset)
    depth_um = 0.55 / min(APERTURES.items(), key=lambda one: abs(one[0] - objective))[1] ** 2
    loose = {"good_focus": 0.25, "heavy": 0.45, "scan_4x": 0.4, "hard": 1.0}.get(preset, 0.7)
    return Style(
        preset=preset,
        um_per_px=float(um_per_px),
        objective=float(objective),
        light=light,
        ground=_draw_ground(rng, light, preset),
        focus_um=float(rng.normal(0, 0.7 * loose * depth_um)),
        tilt_um=float(abs(rng.normal(0, 2.0 * loose * depth_um))),
        warp_um=float(rng.uniform(0, 0.6 * loose * depth_um)),
        tilt_rad=float(rng.uniform(0, 2 * np.pi)),
        spores=_draw_number(rng, preset, shape, area_um2),
        clumped=float(rng.uniform(0.35, 0.8) if preset == "heavy" else rng.uniform(0.1, 0.7)),
        largest=int(rng.integers(6, 26)) if preset in ("heavy", "hard") else int(rng.integers(3, 6)),
        beneath=float(rng.uniform(0.05, 0.35)),
        things=_draw_things(rng, preset, area_um2 * 1e-6),
    )

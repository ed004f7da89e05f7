"""What one photo is like: its optics, light, ground, phone and the looks of its spores."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]

WAVELENGTHS_NM = (460, 530, 590, 640)
PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")

APERTURE = {4: 0.10, 10: 0.25, 20: 0.40, 40: 0.65}
"""Usual numerical aperture of an objective (common practice)."""
UM_PER_PX = {4: (1.0, 2.2), 10: (0.3, 1.0), 20: (0.18, 0.5), 40: (0.1, 0.25)}

# Absorbance at the four wavelengths, with a mean of about one.
STRAW = (1.9, 1.05, 0.62, 0.43)
AMBER = (1.7, 1.05, 0.70, 0.55)
BROWN = (1.45, 1.05, 0.80, 0.70)
CHOCOLATE = (1.25, 1.05, 0.90, 0.80)
GREY_BROWN = (1.18, 1.03, 0.93, 0.86)
SPORE_LOOKS = {
    "straw": (STRAW, 0.11, 0.20),
    "amber": (AMBER, 0.18, 0.42),
    "brown": (BROWN, 0.28, 0.55),
    "chocolate": (CHOCOLATE, 0.42, 0.70),
    "grey-brown": (GREY_BROWN, 0.18, 0.45),
}

# Light that a ground sends on at the four wavelengths.
GROUNDS = {
    "office paper": (0.97, 0.98, 1.0, 1.0),
    "card": (0.90, 0.95, 0.98, 1.0),
    "glass": (1.0, 1.0, 1.0, 1.0),
    "cream": (0.72, 0.90, 0.98, 1.0),
    "grey": (0.62, 0.62, 0.61, 0.60),
    "kraft": (0.30, 0.48, 0.62, 0.68),
}
GROUND_SHARES = (0.46, 0.16, 0.12, 0.12, 0.07, 0.07)
LAMPS = {"white": (1.0, 1.0, 1.0, 1.0), "warm": (0.45, 0.78, 1.0, 1.1), "cold": (1.15, 1.0, 0.92, 0.85)}


@dataclass(frozen=True)
class Lens:
    """Objective and stage: the depth of focus and how the focused plane lies."""

    aperture: float
    diffraction_um: float
    focus_um: float
    tilt_um: tuple[float, float]
    axial_um: tuple[float, ...]
    lateral: float
    high_um: float
    ground_um: float


@dataclass(frozen=True)
class Light:
    """Where the light comes from, and its colour."""

    kind: str
    top: float
    relief: float
    direction_rad: float
    lamp: tuple[float, ...]
    top_lamp: tuple[float, ...]
    slope: tuple[float, float]
    vignette: float
    ghost: float
    veil: float
    round_view: float


@dataclass(frozen=True)
class Phone:
    """Sensor and processing of a phone."""

    exposure: float
    electrons: float
    balance: float
    saturation: float
    smear: float
    local_tone: float
    sharpen: float
    sharpen_px: float
    curve: float
    quality: int


@dataclass(frozen=True)
class SporeLook:
    """What the spores of one photo share."""

    name: str
    hue: tuple[float, ...]
    density: float
    length_um: float
    spread: float
    aspect: float
    point: float
    rim: float
    core: float


@dataclass(frozen=True)
class Style:
    """All choices of one photo."""

    preset: str
    objective: float
    um_per_px: float
    ground: str
    texture: float
    lens: Lens
    light: Light
    phone: Phone
    spore: SporeLook


def draw_style(
    rng: np.random.Generator, preset: str, um_per_px: float | None, objective: float | None
) -> Style:
    """Choose everything that holds for the whole photo."""
    if objective is None:
        fixed = {"good_focus": 10.0, "heavy": 10.0, "scan_4x": 4.0}
        objective = fixed.get(preset) or float(rng.choice([10, 20, 40], p=[0.6, 0.25, 0.15]))
    nearest = min(APERTURE, key=lambda known: abs(np.log(known / objective)))
    if um_per_px is None:
        low, high = UM_PER_PX[nearest]
        um_per_px = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    ground = str(rng.choice(list(GROUNDS), p=GROUND_SHARES))
    strength = {"office paper": (0.08, 0.24), "glass": (0.0, 0.015)}.get(ground, (0.03, 0.13))
    texture = rng.uniform(*strength) * (1.3 if preset == "hard" else 0.6 if preset == "good_focus" else 1.0)
    return Style(
        preset,
        float(objective),
        float(um_per_px),
        ground,
        float(texture),
        _lens(rng, preset, APERTURE[nearest]),
        _light(rng, preset, ground),
        _phone(rng, preset, ground),
        _spore_look(rng),
    )


def _lens(rng: np.random.Generator, preset: str, aperture: float) -> Lens:
    drift = {"good_focus": 0.2, "hard": 4.0, "heavy": 0.9}.get(preset, 1.2)
    # A disc of radius r has a deviation of r / 2 along each axis, and r is the depth times the aperture.
    depth = 2 / aperture
    shift_um = drift * rng.uniform(0, 1) ** (1.6 if preset == "hard" else 1.0) * rng.choice([-1, 1])
    tilt_um = drift * rng.uniform(0, 0.5) * np.array([np.cos(a := rng.uniform(0, 2 * np.pi)), np.sin(a)])
    axial_um = rng.uniform(0.05, 0.25 if preset == "good_focus" else 0.6) * rng.choice([-1, 1])
    return Lens(
        aperture,
        0.22 * 0.55 / aperture,
        float(shift_um * depth),
        (float(tilt_um[0] * depth), float(tilt_um[1] * depth)),
        tuple(float(axial_um * depth * c) for c in (1.0, 0.12, -0.1, 0.35)),
        float(rng.uniform(-0.0028, 0.0028)),
        float(rng.uniform(0.8, 3.0)),
        -float(rng.uniform(0.5, 3.5) * depth),
    )


def _light(rng: np.random.Generator, preset: str, ground: str) -> Light:
    shares = [0.66, 0.10, 0.12, 0.12] if preset != "hard" else [0.4, 0.15, 0.25, 0.2]
    kind = str(rng.choice(["through", "oblique", "top", "mixed"], p=shares))
    if ground == "glass" and kind == "top":
        kind = "mixed"  # nothing beneath sends the light back
    top = {"top": 1.0, "mixed": rng.uniform(0.2, 0.7)}.get(kind, 0.0)
    hard = preset == "hard"
    slope = rng.normal(0, 0.16 if hard else 0.08, 2)
    return Light(
        kind,
        float(top),
        float(rng.uniform(0.3, 1.0)) if kind == "oblique" else 0.0,
        float(rng.uniform(0, 2 * np.pi)),
        LAMPS[str(rng.choice(list(LAMPS)))],
        LAMPS[str(rng.choice(list(LAMPS)))],
        (float(slope[0]), float(slope[1])),
        float(rng.uniform(0.0, 0.5)),
        float(rng.choice([0, rng.uniform(0.005, 0.04)])),
        float(rng.uniform(0.0, 0.12 if hard else 0.05)),
        float(rng.uniform(0.8, 1.2)) if rng.uniform() < 0.2 else 0.0,
    )


def _phone(rng: np.random.Generator, preset: str, ground: str) -> Phone:
    deep = {"kraft": 0.55, "grey": 0.7, "cream": 0.9}.get(ground, 1.0)
    dim = preset == "hard" and rng.uniform() < 0.4
    return Phone(
        float(rng.uniform(0.3, 0.5) if dim else rng.uniform(0.55, 0.9)) * deep,
        float(np.exp(rng.uniform(np.log(300), np.log(1200 if dim else 6000)))),
        # A phone takes a coloured ground for a coloured lamp in part only.
        float(rng.uniform(0.1, 0.6) if deep < 1 else rng.uniform(0.6, 1.0)),
        float(rng.uniform(0.3, 0.9)),
        float(rng.uniform(0.4, 1.6)),
        float(rng.uniform(0.0, 0.35)),
        float(rng.uniform(0.2, 1.3)),
        float(rng.uniform(0.8, 1.8)),
        float(rng.uniform(0.0, 0.5)),
        int(rng.integers(60, 96)),
    )


def _spore_look(rng: np.random.Generator) -> SporeLook:
    name = str(rng.choice(list(SPORE_LOOKS), p=[0.16, 0.34, 0.26, 0.14, 0.10]))
    hue, low, high = SPORE_LOOKS[name]
    return SporeLook(
        name,
        hue,
        float(rng.uniform(low, high)),
        float(rng.uniform(10.5, 14.5)),
        float(rng.uniform(0.04, 0.09)),
        float(rng.uniform(1.45, 1.65)),
        float(rng.uniform(0.55, 0.9)),
        float(rng.uniform(0.25, 0.9)),
        float(rng.uniform(-0.25, 0.35)),
    )

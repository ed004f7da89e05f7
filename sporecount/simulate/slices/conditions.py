"""What holds for a whole photo: optics, light, ground, the parasite's look, how much of everything."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
APERTURE = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
"""Numerical apertures of plain achromats (textbook values)."""
PIXEL_UM = {4.0: (0.85, 1.6), 10.0: (0.36, 0.78), 20.0: (0.19, 0.4), 40.0: (0.12, 0.22)}
"""Pixel sizes of a phone held to the eyepiece (common practice)."""
LAMPS = {
    "halogen": (1.0, 0.82, 0.56),
    "warm LED": (1.0, 0.88, 0.66),
    "cold LED": (0.93, 1.0, 1.06),
    "daylight": (0.97, 1.0, 0.99),
    "green-tinged LED": (0.9, 1.0, 0.86),
}


@dataclass(frozen=True)
class SporeStock:
    """Spores of one parasite: mean size and its spread, form and colour.

    `density` is the optical density of red, green and blue through the middle of a mean spore; `wall_share`
    is how many times more the wall absorbs than the inside; `point` is 0.5 for an ellipse, 1 for a lens.
    """

    length_um: float
    ratio: float
    spread: float
    point: float
    density: tuple[float, float, float]
    wall_um: float
    wall_share: float
    index_inside: float
    index_wall: float
    varied: float


@dataclass(frozen=True)
class Conditions:
    """All that is drawn once for a photo; refractive indices are differences from the glue's."""

    preset: str
    objective: float
    aperture: float
    um_per_px: float
    from_above: bool
    dim: bool
    ground: str
    lamp: str
    condenser: float
    directions: int
    decentred: tuple[float, float]
    focus_um: float
    tilt_um: tuple[float, float]
    bumps_um: float
    colour_shift_um: tuple[float, float, float]
    stock: SporeStock
    spores_per_mm2: float
    clumped: float
    amounts: dict[str, float]
    tape: str

    def lamp_rgb(self) -> NDArray[np.float32]:
        """Red, green and blue of the lamp."""
        return np.array(LAMPS[self.lamp], np.float32)


def log_between(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw from `low` to `high` with an even logarithm."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _stock(rng: np.random.Generator) -> SporeStock:
    green = log_between(rng, 0.17, 0.8)
    # Pale walls are amber, dark ones nearer to grey brown: red catches up as pigment thickens.
    red = green * rng.uniform(0.4, 0.62) + 0.12 * green**2
    blue = green * rng.uniform(1.45, 2.1)
    return SporeStock(
        length_um=float(np.clip(rng.normal(11.6, 1.7), 8.7, 15.2)),
        ratio=float(rng.uniform(1.38, 1.72)),
        spread=float(rng.uniform(0.025, 0.06)),
        point=float(rng.uniform(0.58, 0.9)),
        density=(float(red), green, float(min(blue, 1.5))),
        wall_um=float(rng.uniform(0.45, 0.9)),
        wall_share=log_between(rng, 0.5, 4.5),
        index_inside=float(rng.uniform(0.012, 0.05)),
        index_wall=float(rng.uniform(0.03, 0.08)),
        varied=float(rng.uniform(0.06, 0.18)),
    )


def _objective(rng: np.random.Generator, preset: str) -> float:
    if preset == "scan_4x":
        return 4.0
    if preset in ("good_focus", "heavy"):
        return 10.0
    chances = {"ordinary": (0.5, 0.15, 0.35), "hard": (0.65, 0.2, 0.15), "no_spores": (0.65, 0.15, 0.2)}[
        preset
    ]
    return float(rng.choice([10.0, 20.0, 40.0], p=chances))


def _amounts(rng: np.random.Generator, preset: str, objective: float) -> dict[str, float]:
    """Draw how much of each thing lies on a square millimetre; 0 where the print has none of it."""

    def some(chance: float, low: float, high: float) -> float:
        return log_between(rng, low, high) if rng.random() < chance else 0.0

    # The stronger the objective, the more a reader looks for a place where something lies.
    near = 1.0 if objective < 18 else 1.6 if objective < 35 else 2.6
    more = near * {"hard": 1.8, "no_spores": 1.3, "good_focus": 0.8}.get(preset, 1.0)
    likely = 1.0 if preset == "no_spores" else 0.55
    return {
        "scale": log_between(rng, 12, 90) * (0.6 if preset == "heavy" else 1.0) * min(near, 1.5),
        "scale piece": log_between(rng, 60, 400) * more,
        "dust": log_between(rng, 250, 1500) * more,
        "clod": log_between(rng, 12, 110) * more,
        "flake": some(0.7, 8, 70) * more,
        "hair": some(0.45, 1.0, 7) * more,
        "fibre": some(0.6, 1.5, 9) * more**1.5,
        "bubble": some(0.6, 4, 70) * more,
        "ridge": some(0.45 if preset != "hard" else 0.8, 2, 14) * more,
        "pollen": some(likely, 4, 35) * near,
        "mould": some(likely * 0.8, 15, 170) * near,
        "hypha": some(0.25, 2, 14) * near,
        "droplet": some(likely, 8, 80) * near,
        "crystal": some(likely * 0.6, 4, 40) * near,
    }


def draw_conditions(
    rng: np.random.Generator, um_per_px: float | None, objective: float | None, preset: str
) -> Conditions:
    """Draw the conditions of a photo; ValueError for a preset that there is not."""
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    objective = _objective(rng, preset) if objective is None else objective
    nearest = min(APERTURE, key=lambda known: abs(np.log(known / objective)))
    aperture = APERTURE[nearest]
    um_per_px = log_between(rng, *PIXEL_UM[nearest]) if um_per_px is None else um_per_px
    from_above = bool(rng.random() < (0.3 if preset == "hard" else 0.13) and nearest < 20)
    ground = "card" if from_above else str(rng.choice(["glass", "film", "card", "tracing paper"],
                                                      p=[0.42, 0.2, 0.22, 0.16]))  # fmt: skip
    diffuse = ground in ("card", "tracing paper")
    # Depth of field in the glue, wavelength over aperture squared: drift is measured in it.
    depth_um = 1.5 * 0.54 / aperture**2
    drift = {
        "good_focus": 0.12,
        "ordinary": 0.42,
        "hard": 0.6,
        "no_spores": 0.4,
        "heavy": 0.25,
        "scan_4x": 0.2,
    }
    tilt = {
        "good_focus": 0.1,
        "ordinary": 0.35,
        "hard": 0.7,
        "no_spores": 0.35,
        "heavy": 0.2,
        "scan_4x": 0.2,
    }
    direction = rng.uniform(0, 2 * np.pi)
    slope = abs(rng.normal(0, tilt[preset])) * depth_um
    off = rng.uniform(0, 2 * np.pi)
    axial = rng.normal(0, 0.12) * depth_um
    decentred = float(rng.choice([0.0, rng.uniform(0.05, 0.35)], p=[0.65, 0.35]))
    heavy_scan = preset == "scan_4x" and rng.random() < 0.5
    loads = {
        "good_focus": (30, 420), "ordinary": (25, 450), "hard": (60, 700), "no_spores": (0, 0),
        "heavy": (1000, 4200), "scan_4x": (250, 900) if heavy_scan else (3, 60),
    }  # fmt: skip
    low, high = loads[preset]
    return Conditions(
        preset=preset,
        objective=float(objective),
        aperture=aperture,
        um_per_px=float(um_per_px),
        from_above=from_above,
        dim=bool(rng.random() < (0.3 if preset == "hard" else 0.06)),
        ground=ground,
        lamp=str(rng.choice(list(LAMPS))),
        condenser=float(rng.uniform(0.75, 1.0) if diffuse else rng.uniform(0.35, 0.75)),
        directions=6 if diffuse else 5,
        decentred=(decentred * np.cos(off), decentred * np.sin(off)),
        focus_um=float(rng.normal(0, drift[preset]) * depth_um),
        tilt_um=(slope * np.cos(direction), slope * np.sin(direction)),
        bumps_um=float(abs(rng.normal(0, 0.5 * tilt[preset])) * depth_um * (1.5 if diffuse else 0.6)),
        colour_shift_um=(axial * 0.8, 0.0, -axial),
        stock=_stock(rng),
        spores_per_mm2=log_between(rng, low, high) if high else 0.0,
        clumped=float(rng.uniform(0.35, 0.8) if preset == "heavy" else rng.beta(1.3, 4)),
        amounts=_amounts(rng, preset, objective),
        tape=str(rng.choice(["clear", "yellowed", "matt"], p=[0.6, 0.2, 0.2])),
    )

"""The world draw: one wide draw per photo for everything that its bodies, light, optics and phone share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.recipes.ranger.radial import Field

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
UM_PER_PX = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
APERTURE = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
GROUNDS = ("glass", "mat", "mottled", "banded", "raster", "wrinkled")
KERNELS = ("gauss", "disc", "ring")
PROFILES = ("rim", "core", "ringed", "flat")
PRINT_MM2 = 0.2
"""View that the stated counts of a print photo are meant for; a smaller one holds less."""
PROFILE_TO = 1.5
HUES = np.array(
    [[0.35, 0.65, 1.75], [0.5, 0.95, 1.65], [0.85, 0.95, 1.2], [0.8, 1.02, 1.18], [0.92, 1.0, 1.08]]
)
"""Arc of spore pigments in red, green, blue, of mean near 1: straw, amber, olive grey, brown, dark brown."""


@dataclass(frozen=True)
class SporeWorld:
    """What the spores of one photo have in common; `profile` is density by rho from 0 to PROFILE_TO."""

    length_um: float
    spread: float
    aspect: float
    flat: float
    point: float
    pigment: Field
    density: float
    density_spread: float
    profile_name: str
    profile: Field
    halo: float
    glint: float


@dataclass(frozen=True)
class World:
    """Everything that one photo shares."""

    preset: str
    um_per_px: float
    objective: float
    width_px: int
    height_px: int
    spore: SporeWorld
    count: int
    clumping: float
    ground: str
    ground_strength: float
    paper: Field
    top_share: float
    lamp: Field
    clutter: float
    kernel: str
    defocus_um: float
    tilt_um: float
    motion_um: float
    fringe_px: float
    noise: float
    round_view: bool

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.height_px, self.width_px

    @property
    def area_mm2(self) -> float:
        """Area of the view."""
        return self.width_px * self.height_px * self.um_per_px**2 * 1e-6

    @property
    def objective_um(self) -> float:
        """Standard deviation of the sharp objective's blur: a Gaussian like the Airy disc, at 0.55 µm."""
        nearest = min(APERTURE, key=lambda power: abs(np.log(power / self.objective)))
        return 0.21 * 0.55 / APERTURE[nearest]


def _profile(name: str, rng: np.random.Generator) -> Field:
    """Random density by radius, of mean 1 over the outline: monotone towards rim or core, ringed, or flat."""
    rho = np.linspace(0, PROFILE_TO, 128)
    knots = np.append(0, np.cumsum(rng.gamma(0.6, size=7) + 0.02))
    rise = np.interp(np.minimum(rho, 1), np.linspace(0, 1, 8), knots / knots[-1])
    depth = rng.uniform(0.35, 0.85)
    if name == "rim":
        curve = 1 - depth + depth * rise
    elif name == "core":
        curve = 1 - 0.8 * depth * rise
    elif name == "ringed":
        curve = 1 + 0.45 * depth * np.cos(2 * np.pi * rng.uniform(0.9, 1.9) * rho + rng.uniform(0, 2 * np.pi))
    else:
        curve = np.ones_like(rho)
    inside = rho <= 1
    return (curve / np.average(curve[inside], weights=rho[inside])).astype(np.float32)


def _spores(rng: np.random.Generator) -> SporeWorld:
    """Draw what the spores share."""
    hue = float(np.clip(rng.normal(1.9, 1.2), 0, len(HUES) - 1.001))
    low = int(hue)
    pigment = HUES[low] + (hue - low) * (HUES[low + 1] - HUES[low])
    shape = rng.choice(3, p=(0.3, 0.45, 0.25))
    flat, point = (
        (2.0, 0.5),
        (rng.uniform(1.9, 2.4), rng.uniform(0.6, 1.0)),
        (rng.uniform(2.3, 3.0), rng.uniform(0.42, 0.6)),
    )[shape]
    name = str(rng.choice(PROFILES, p=(0.45, 0.2, 0.2, 0.15)))
    return SporeWorld(
        length_um=rng.uniform(9.8, 15.5),
        spread=rng.uniform(0.04, 0.09),
        aspect=rng.uniform(1.38, 1.68),
        flat=float(flat),
        point=float(point),
        pigment=pigment.astype(np.float32),
        density=float(np.clip(np.exp(rng.normal(np.log(0.27), 0.45)), 0.1, 0.65)),
        density_spread=rng.uniform(0.08, 0.35),
        profile_name=name,
        profile=_profile(name, rng),
        halo=float(np.clip(rng.normal(0, 0.15), -0.3, 0.25)),
        glint=rng.uniform(0, 0.5),
    )


def _objective(preset: str, rng: np.random.Generator) -> float:
    """Objective that a preset asks for."""
    if preset in ("good_focus", "heavy"):
        return 10.0
    return 4.0 if preset == "scan_4x" else float(rng.choice((10.0, 20.0, 40.0), p=(0.6, 0.25, 0.15)))


def _count(preset: str, area_mm2: float, length_um: float, rng: np.random.Generator) -> int:
    """Spores in the view: log-uniform within the preset's range, less where the view is small."""
    low, high = {
        "good_focus": (5, 80), "ordinary": (0, 60), "hard": (5, 150), "no_spores": (0, 0),
        "heavy": (300, 2000), "scan_4x": (5, 400),
    }[preset]  # fmt: skip
    if high == 0:
        return 0
    drawn = np.exp(rng.uniform(np.log(low + 1), np.log(high + 1))) - 1
    fitting = 0.4 * area_mm2 * 1e6 / (0.5 * length_um**2)
    count = round(float(min(drawn * min(1, area_mm2 / PRINT_MM2), fitting)))
    return max(count, {"heavy": 14, "ordinary": 0}.get(preset, 1))


def draw_world(
    rng: np.random.Generator,
    width_px: int,
    height_px: int,
    um_per_px: float | None,
    objective: float | None,
    preset: str,
) -> World:
    """Draw one world."""
    power = _objective(preset, rng) if objective is None else objective
    nearest = min(UM_PER_PX, key=lambda one: abs(np.log(one / power)))
    scale = float(np.exp(rng.uniform(*np.log(UM_PER_PX[nearest])))) if um_per_px is None else um_per_px
    hard, good = preset == "hard", preset == "good_focus"
    spore = _spores(rng)
    ground = str(
        rng.choice(GROUNDS, p=(0.1, 0.4, 0.15, 0.1, 0.05, 0.2) if hard else (0.3, 0.2, 0.2, 0.1, 0.06, 0.14))
    )
    top = rng.choice(3, p=(0.45, 0.3, 0.25) if hard else (0.7, 0.18, 0.12))
    warm = rng.normal(0, 0.5)
    papers = ((0.0, 0.0, 0.0), (0.01, 0.03, 0.1), (0.12, 0.12, 0.12), (0.12, 0.22, 0.4), (0.02, 0.02, 0.03))
    paper = papers[rng.choice(5, p=(0.35, 0.25, 0.12, 0.13, 0.15))] if ground != "glass" else papers[0]
    defocus = {
        "good_focus": 0.15,
        "heavy": 0.6,
        "ordinary": 1.2,
        "no_spores": 1.2,
        "scan_4x": 1.6,
        "hard": 3.0,
    }[preset]
    return World(
        preset=preset,
        um_per_px=scale,
        objective=power,
        width_px=width_px,
        height_px=height_px,
        spore=spore,
        count=_count(preset, width_px * height_px * scale**2 * 1e-6, spore.length_um, rng),
        clumping=rng.uniform(0.55, 0.95) if preset == "heavy" else rng.beta(1.2, 2.5),
        ground=ground,
        ground_strength=float(rng.lognormal(np.log(0.035 if not hard else 0.07), 0.5)) * (0.5 if good else 1),
        paper=np.array(paper, np.float32),
        top_share=float((0.0, rng.uniform(0.2, 0.6), rng.uniform(0.7, 1.0))[top]),
        lamp=np.exp(np.array([0.12, 0.0, -0.22]) * warm).astype(np.float32),
        clutter=float(rng.lognormal(0.15 if hard or preset == "no_spores" else -0.5, 0.6)),
        kernel=str(rng.choice(KERNELS, p=(0.4, 0.4, 0.2))),
        defocus_um=defocus * float(rng.beta(1.2, 1.8)),
        tilt_um=float(rng.uniform(0, {"good_focus": 0.1, "hard": 3.0}.get(preset, 0.6))),
        motion_um=float(rng.exponential(0.5) if rng.random() < (0.4 if hard else 0.15) and not good else 0.0),
        fringe_px=float(rng.exponential(0.25)),
        noise=float(np.exp(rng.uniform(np.log(0.004), np.log(0.04 if hard else 0.018)))),
        round_view=bool(rng.random() < 0.15),
    )

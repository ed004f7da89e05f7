"""What a photo of the exam is about: objective, light, focus, spores and the other things on the print."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.condenser.noise import Rng, log_uniform

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
APERTURE = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
"""Usual numerical apertures (textbook values)."""
PIXEL_UM = {4.0: (0.9, 1.7), 10.0: (0.38, 0.85), 20.0: (0.2, 0.42), 40.0: (0.1, 0.24)}
"""Pixel sizes that a phone at the eyepiece gives, by its zoom (common practice)."""
GLASS_LIKE = ("glass", "film")


@dataclass(frozen=True)
class SporeLook:
    """How the spores of one print look.

    Parameters
    ----------
    length_um, length_spread : float
        Mean length, and its relative standard deviation.
    ratio : float
        Mean length over width.
    density : ndarray of shape (3,)
        Optical density of R, G, B through the middle of a spore.
    wall : float
        0: the body absorbs, so the centre is darkest; 1: the wall does, so the rim is.
    wall_um : float
        Thickness of the wall.
    contrast_index : float
        Refractive index over that of the glue.
    tip : float
        Exponent of the outline: 0.5 is an ellipse, 1 two parabolas with sharp ends.
    """

    length_um: float
    length_spread: float
    ratio: float
    density: NDArray[np.float64]
    wall: float
    wall_um: float
    contrast_index: float
    tip: float


@dataclass(frozen=True)
class Exam:
    """Everything that is drawn before the picture is begun.

    Parameters
    ----------
    shape : tuple of int
    um_per_px, objective, aperture : float
    preset : str
    from_above, dim : bool
    coherence : float
        Radius of the lit condenser over the objective's aperture; above 1 for a diffusing card.
    slant : tuple of float
        Centre of the lit condenser, same unit: slanted light gives a relief.
    ground : str
        "card", "paper", "glass" or "film".
    focus_um : ndarray of shape (4,)
        Defocus at the middle; change to the right edge and to the lower edge; bulge of the card.
    spores_per_mm2 : float
    clump : float
        Share of spores that lie in clumps.
    clump_size : float
        Mean number in a clump.
    look : SporeLook
    scale_cover : float
        Share of the view covered by scales.
    per_mm2 : dict
        Number of other things for each mm², by name.
    """

    shape: tuple[int, int]
    um_per_px: float
    objective: float
    aperture: float
    preset: str
    from_above: bool
    dim: bool
    coherence: float
    slant: tuple[float, float]
    ground: str
    focus_um: NDArray[np.float64]
    spores_per_mm2: float
    clump: float
    clump_size: float
    look: SporeLook
    scale_cover: float
    per_mm2: dict[str, float]

    @property
    def view_mm2(self) -> float:
        """Area of the print that the photo shows."""
        return self.shape[0] * self.shape[1] * self.um_per_px**2 / 1e6

    @property
    def focus_depth_um(self) -> float:
        """Defocus that begins to be seen: wavelength over the squared aperture."""
        return 0.55 / self.aperture**2


def draw_look(rng: Rng) -> SporeLook:
    """Draw the spores of one print: from pale amber to nearly black."""
    depth = rng.choice([0.18, 0.3, 0.5, 0.8, 1.2], p=[0.08, 0.2, 0.32, 0.26, 0.14]) * rng.uniform(0.8, 1.25)
    # The darker, the less colour is left: amber takes the blue, black takes all alike.
    greyness = float(np.clip(0.25 + 0.45 * depth + rng.normal(0, 0.12), 0.12, 0.95))
    amber = np.array([0.28, 0.75, 1.35 + rng.uniform(-0.25, 0.3)])
    return SporeLook(
        length_um=float(np.clip(rng.normal(12.0, 1.7), 8.8, 15.2)),
        length_spread=rng.uniform(0.035, 0.09),
        ratio=rng.uniform(1.38, 1.72),
        density=depth * ((1 - greyness) * amber + greyness * np.array([0.85, 0.97, 1.1])),
        wall=rng.uniform(0.05, 0.95),
        wall_um=rng.uniform(0.5, 1.3),
        contrast_index=rng.choice([-1, 1], p=[0.1, 0.9]) * log_uniform(rng, 0.008, 0.1),
        tip=rng.uniform(0.54, 0.86),
    )


def _objective(rng: Rng, preset: str) -> float:
    shares = {
        "ordinary": (0.55, 0.15, 0.3),
        "hard": (0.6, 0.15, 0.25),
        "no_spores": (0.65, 0.15, 0.2),
    }.get(preset, (1.0, 0.0, 0.0))
    return 4.0 if preset == "scan_4x" else float(rng.choice([10.0, 20.0, 40.0], p=shares))


def _focus(rng: Rng, preset: str, depth_um: float) -> NDArray[np.float64]:
    spread, slope = {
        "good_focus": (0.2, 0.3),
        "ordinary": (0.65, 0.8),
        "no_spores": (0.55, 0.7),
        "heavy": (0.4, 0.5),
        "scan_4x": (0.3, 0.4),
        "hard": (1.3, 1.4),
    }[preset]
    return depth_um * np.array([spread, slope, slope, slope]) * np.clip(rng.normal(size=4), -1.8, 1.8)


def _spores_per_mm2(rng: Rng, preset: str, objective: float) -> float:
    if preset == "no_spores":
        return 0.0
    if preset == "heavy":
        return log_uniform(rng, 1000, 3800)
    if preset == "scan_4x":
        return 0.0 if rng.random() < 0.2 else log_uniform(rng, 0.2, 400)
    low, high = {10.0: (25, 500), 20.0: (80, 1200), 40.0: (250, 3500)}.get(objective, (1, 400))
    crowd = 3.0 if preset == "hard" else 1.0
    return log_uniform(rng, crowd**0.5 * low, crowd * high)


def _others(rng: Rng, preset: str, objective: float) -> dict[str, float]:
    # Low power is used on ordinary spots of a print, so a view of it holds more things but no denser ones.
    usual = {
        "piece": 25.0,
        "hair": 4.0,
        "fibre": 3.0,
        "bubble": 18.0,
        "dust": 70.0,
        "pollen": 5.0,
        "mould": 14.0,
        "droplet": 14.0,
        "thread": 2.0,
    }
    strength = {
        "good_focus": 0.6,
        "ordinary": 1.0,
        "heavy": 0.8,
        "scan_4x": 0.5,
        "hard": 2.0,
        "no_spores": 1.6,
    }
    # Of each kind some prints have none and some have plenty; blank prints have a bit of all.
    there = {name: rng.random() < 0.75 or preset == "no_spores" for name in usual}
    gather = {4.0: 0.5, 10.0: 1.0, 20.0: 2.0, 40.0: 5.0}.get(objective, 1.0)
    return {
        name: (there[name] * number * gather * strength[preset] * rng.gamma(1.3, 0.77))
        for name, number in usual.items()
    }


def draw_exam(
    rng: Rng, shape: tuple[int, int], um_per_px: float | None, objective: float | None, preset: str
) -> Exam:
    """Draw what the photo shows and how it is taken.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    if objective is None:
        objective = _objective(rng, preset)
    nearest = min(APERTURE, key=lambda known: abs(np.log(known / objective)))
    if um_per_px is None:
        low, high = PIXEL_UM[nearest]
        um_per_px = log_uniform(rng, max(low, 0.48) if preset == "heavy" else low, high)
    aperture = APERTURE[nearest]
    chance = {"good_focus": 0.1, "ordinary": 0.15, "hard": 0.35, "heavy": 0.12}.get(preset, 0.12)
    from_above = bool(rng.random() < chance and nearest < 20)
    ground = str(rng.choice(["card", "paper", "glass", "film"], p=[0.3, 0.15, 0.4, 0.15]))
    if from_above:
        ground = "card"
    diffuse = ground not in GLASS_LIKE
    slanted = rng.random() < 0.3 and not diffuse
    turn = rng.uniform(0, 2 * np.pi)
    shift = rng.uniform(0.2, 0.5) if slanted else 0.0
    return Exam(
        shape=shape,
        um_per_px=float(um_per_px),
        objective=float(objective),
        aperture=aperture,
        preset=preset,
        from_above=from_above,
        dim=bool(preset == "hard" and not from_above and rng.random() < 0.4),
        coherence=rng.uniform(0.85, 1.2) if diffuse or from_above else rng.uniform(0.3, 0.85),
        slant=(shift * np.cos(turn), shift * np.sin(turn)),
        ground=ground,
        focus_um=_focus(rng, preset, 0.55 / aperture**2),
        spores_per_mm2=_spores_per_mm2(rng, preset, nearest),
        clump=rng.uniform(0.35, 0.8) if preset == "heavy" else rng.uniform(0.0, 0.45),
        clump_size=log_uniform(rng, 5, 40) if preset == "heavy" else log_uniform(rng, 2.2, 7),
        look=draw_look(rng),
        scale_cover=float(
            rng.choice([0.02, 0.08, 0.2, 0.35, 0.55], p=[0.2, 0.33, 0.28, 0.12, 0.07]) * rng.uniform(0.6, 1.3)
        ),
        per_mm2=_others(rng, preset, nearest),
    )

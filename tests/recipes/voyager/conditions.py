"""What is drawn for a whole photo before anything is laid out: objective, light, ground, focus, phone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
_UM_PER_PX = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
_APERTURE = ((4.0, 0.10), (10.0, 0.25), (20.0, 0.40), (40.0, 0.65))
GROUNDS = {
    # transmission of red, green, blue; reflection; grain of the card
    "white card": ((0.95, 0.93, 0.88), (0.92, 0.92, 0.9), 0.07),
    "cream card": ((0.97, 0.9, 0.75), (0.93, 0.88, 0.76), 0.07),
    "grey card": ((0.8, 0.8, 0.8), (0.62, 0.62, 0.63), 0.08),
    "kraft": ((0.8, 0.62, 0.42), (0.7, 0.55, 0.38), 0.12),
    "glass": ((0.98, 0.98, 0.97), (0.75, 0.76, 0.77), 0.015),
}


@dataclass(frozen=True)
class Conditions:
    """The conditions of one photo; lengths in µm, angles in radians.

    Parameters
    ----------
    objective, um_per_px : float
    ground : str
        Key of `GROUNDS`.
    through : float
        Share of the light that comes from below.
    lamp, day : tuple of float
        Colour of the light from below and from above.
    slant : float
        How much relief shades the picture.
    slant_angle : float
        Where the slanting light comes from.
    optics_um : float
        Blur of the objective, standard deviation.
    focus_um, tilt_um, curve_um : float
        Defocus blur in the middle, what tilt adds at the rim, what the field's curvature adds at the rim.
    tilt_angle : float
    shake_um : float
        Standard deviation of the handshake along its way.
    shake_angle : float
    fringe : float
        Difference of magnification between red and blue.
    vignette : float
        Light lost in the corners.
    eyepiece : float
        Radius of the round view over half the diagonal, 0 where the photo is cropped inside it.
    glue : float
        Strength of the glue's ridges.
    crowding : float
        Amount of scales and dirt.
    noise : float
    smear : float
    sharpen : float
    jpeg : int
    """

    objective: float
    um_per_px: float
    ground: str
    through: float
    lamp: tuple[float, float, float]
    day: tuple[float, float, float]
    slant: float
    slant_angle: float
    optics_um: float
    focus_um: float
    tilt_um: float
    curve_um: float
    tilt_angle: float
    shake_um: float
    shake_angle: float
    fringe: float
    vignette: float
    eyepiece: float
    glue: float
    crowding: float
    noise: float
    smear: float
    sharpen: float
    jpeg: int


def _objective(rng: np.random.Generator, preset: str) -> float:
    if preset in ("good_focus", "heavy"):
        return 10.0
    if preset == "scan_4x":
        return 4.0
    return float(rng.choice([10.0, 20.0, 40.0], p=[0.6, 0.22, 0.18]))


def draw_conditions(
    rng: np.random.Generator, preset: str, um_per_px: float | None, objective: float | None
) -> Conditions:
    """Draw the conditions of a photo; a given objective or size of pixel is kept."""
    drawn = _objective(rng, preset)
    kept = drawn if objective is None else float(objective)
    near, aperture = min(_APERTURE, key=lambda pair: abs(np.log(pair[0] / kept)))
    span = np.log(_UM_PER_PX[near])
    size = float(np.exp(rng.uniform(*span)))
    hard = preset == "hard" or (preset == "no_spores" and rng.random() < 0.3)
    sharp = preset == "good_focus"
    above = rng.random()
    # mixed daylight and lamp is the usual case; hard photos may have the light from above alone
    through = rng.uniform(0.0, 0.3) if above < (0.3 if hard else 0.1) else rng.uniform(0.55, 1.0)
    if preset == "heavy":
        through = rng.uniform(0.5, 1.0)
    warm = rng.uniform(0, 0.3)
    cold = rng.uniform(-0.1, 0.15)
    ease = rng.beta(1.1, 2.2)
    if sharp:
        focus, tilt, curve = rng.uniform(0, 0.25), rng.uniform(0, 0.2), rng.uniform(0.1, 0.7)
    elif hard:
        focus, tilt, curve = 4.0 * rng.beta(1.1, 2.0), rng.uniform(0.2, 2.0), rng.uniform(0.2, 1.6)
    else:
        focus, tilt, curve = 1.2 * ease, rng.uniform(0, 0.7), rng.uniform(0.1, 1.1)
    # a view at high power is small: its rim is no further from the axis in focus than it is in place
    field = min(1.0, 10.0 / kept)
    return Conditions(
        objective=kept,
        um_per_px=size if um_per_px is None else float(um_per_px),
        ground=str(rng.choice(list(GROUNDS), p=[0.36, 0.18, 0.12, 0.12, 0.22])),
        through=float(through),
        lamp=(1.0, float(1 - 0.3 * warm), float(1 - warm)),
        day=(1.0, float(1 + 0.3 * cold), float(1 + cold)),
        slant=float(rng.uniform(0.0, 0.05) if rng.random() < 0.7 else rng.uniform(0.05, 0.16)),
        slant_angle=float(rng.uniform(0, 2 * np.pi)),
        optics_um=float(0.21 * 0.55 / aperture * rng.uniform(0.95, 1.35)),
        focus_um=float(focus * rng.choice([-1, 1])),
        tilt_um=float(tilt * field),
        curve_um=float(curve * field * rng.choice([-1, 1])),
        tilt_angle=float(rng.uniform(0, 2 * np.pi)),
        shake_um=float(0.0 if rng.random() < 0.5 else rng.uniform(0, 0.25 if sharp else 0.7) * field),
        shake_angle=float(rng.uniform(0, np.pi)),
        fringe=float(rng.normal(0, 0.0012)),
        vignette=float(rng.uniform(0.05, 0.5 if hard else 0.35)),
        eyepiece=float(rng.uniform(0.62, 0.95) if rng.random() < 0.18 else 0.0),
        glue=float(rng.uniform(0.4, 1.0) if hard else rng.uniform(0, 0.5)),
        crowding=float(rng.uniform(0.8, 1.9) if hard else rng.uniform(0.3, 0.8 if sharp else 1.2)),
        noise=float(rng.uniform(0.012, 0.035) if hard else rng.uniform(0.004, 0.02)),
        smear=float(rng.uniform(0, 0.9) if rng.random() < 0.5 else 0.0),
        sharpen=float(rng.uniform(0, 0.9)),
        jpeg=int(rng.integers(60, 91)),
    )

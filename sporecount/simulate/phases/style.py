"""What is drawn per photo: the microscope's setting, the print's habits and how much lies on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
APERTURE = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
UM_PER_PX = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
SPORE_UM2 = 80.0
"""Area of a middling spore, for keeping a view from being paved with them."""
SCALE_UM2 = 9000.0
THINGS = ("dust", "soot", "mould", "piece", "droplet", "pollen", "bubble", "hair", "hair end", "fibre")
MEANS = dict(zip(THINGS, (9.0, 3.0, 1.2, 4.0, 3.0, 0.5, 1.5, 0.8, 1.0, 0.35), strict=True))
"""Things on 100 000 um2 of a middling print."""
ODD = ("pale spores", "grey spores", "dark paper", "coloured lamp", "smooth phone")
DRIFT = {"good_focus": (0.18, 0.15), "hard": (0.9, 1.3), "heavy": (0.45, 0.4)}
"""Spread of focus and of tilt, in depths of focus."""
SCALE_COVER = {"good_focus": (0.01, 0.12), "hard": (0.1, 0.4), "scan_4x": (0.02, 0.3)}


@dataclass(frozen=True)
class Style:
    """The setting of one photo.

    Parameters
    ----------
    unusual : str
        "" for an everyday print, or what is out of the ordinary.
    condenser : float
        Its opening as a share of the aperture; a small one gives dark rims.
    focus_um, tilt_um, bowl_um : float
        Height of the print over the sharp plane: at the centre, its rise to the side and to the corners.
    fringe_um : float
        Difference of the sharp plane between green and blue.
    ground_um : float
        Depth of the ground under the print.
    relief : float
        How strongly defocus brightens or darkens curved paths.
    lens_px : float
        Softness of the phone's lens.
    glue_um : float
        Unevenness of the glue.
    huddle, group : float
        Share of the spores that lie in groups, and the mean size of a group.
    beneath : float
        Share of the spores that lie under the scales.
    things : dict
        How many of each kind lie on the print.
    """

    preset: str
    unusual: str
    um_per_px: float
    objective: float
    aperture: float
    from_above: bool
    dim: bool
    ground: str
    condenser: float
    focus_um: float
    tilt_um: float
    bowl_um: float
    fringe_um: float
    ground_um: float
    relief: float
    lens_px: float
    glue_um: float
    spores: int
    huddle: float
    group: float
    beneath: float
    things: dict[str, int]


def log_uniform(rng: Generator, low: float, high: float) -> float:
    """Draw a number between two, even in its logarithm."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _objective(rng: Generator, preset: str, um_per_px: float | None) -> float:
    if preset == "scan_4x":
        return 4.0
    if preset in ("good_focus", "heavy"):
        return 10.0
    spans = [(o, *UM_PER_PX[o]) for o in (10.0, 20.0, 40.0)]
    fitting = [o for o, low, high in spans if um_per_px is None or low * 0.8 <= um_per_px <= high * 1.25]
    return float(rng.choice(fitting or [10.0], p=[0.6, 0.25, 0.15] if len(fitting) == 3 else None))


def _spore_number(rng: Generator, preset: str, pixels: int, area_um2: float) -> int:
    megapixels = pixels / 1e6
    if preset == "no_spores":
        return 0
    if preset == "good_focus":
        return int(np.clip(log_uniform(rng, 5, 80), 5, max(5, 0.2 * area_um2 / SPORE_UM2)))
    if preset == "heavy":
        most = max(320.0, 0.75 * area_um2 / SPORE_UM2 / megapixels)
        return int(np.ceil(min(log_uniform(rng, 310, 2000), most) * megapixels))
    if preset == "scan_4x":
        if rng.random() < 0.5:
            return int(rng.integers(0, 9))
        return int(max(155, log_uniform(rng, 220, 1500) * megapixels))
    share = 0.12 if preset == "ordinary" else 0.3
    most = max(6.0, min(150.0 if preset == "ordinary" else 400.0, share * area_um2 / SPORE_UM2))
    return 0 if rng.random() < 0.1 else int(log_uniform(rng, 1, most + 1))


def _thing_numbers(rng: Generator, preset: str, area_um2: float) -> dict[str, int]:
    """Means per 100 000 um2, then wildly different from print to print."""
    dirt = {"good_focus": 0.5, "hard": 2.0, "no_spores": 2.0, "scan_4x": 0.3}.get(preset, 1.0)
    means = dict(MEANS)
    if preset == "hard":
        means.update(fibre=1.2, bubble=3.0)
    if preset == "no_spores":
        means.update(droplet=8.0, bubble=5.0, pollen=1.2, mould=2.0)
    # A low-power view holds much more ground, and a reader's print is not ten times dirtier for it.
    patch = min(area_um2, 400_000 + 0.2 * max(0.0, area_um2 - 400_000)) / 1e5
    rates = {name: mean * dirt * patch * log_uniform(rng, 0.2, 2.6) for name, mean in means.items()}
    most = {"hair": 20.0, "fibre": 20.0}
    numbers = {name: int(rng.poisson(min(rate, most.get(name, 160.0)))) for name, rate in rates.items()}
    low, high = SCALE_COVER.get(preset, (0.03, 0.35))
    numbers["scale"] = int(rng.poisson(log_uniform(rng, low, high) * (area_um2 + 2e4) / SCALE_UM2))
    if preset == "no_spores":
        for name in ("dust", "mould", "piece", "droplet", "pollen", "bubble", "hair end"):
            numbers[name] += 1
    return numbers


def draw_style(
    rng: Generator, shape: tuple[int, int], um_per_px: float | None, power: float | None, preset: str
) -> Style:
    """Draw the setting of a photo; what is given is kept."""
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    objective = _objective(rng, preset, um_per_px) if power is None else float(power)
    nearest = min(APERTURE, key=lambda o: abs(np.log(o / objective)))
    px = log_uniform(rng, *UM_PER_PX[nearest]) if um_per_px is None else float(um_per_px)
    unusual = str(rng.choice(ODD)) if rng.random() < 0.25 else ""
    hard, dark = preset == "hard", unusual == "dark paper"
    from_above = dark or (hard and rng.random() < 0.3)
    # Of the height at which the blur reaches 1.3 um, well below what makes a spore hopeless.
    depth_um = 2.6 / APERTURE[nearest]
    drift, lean = DRIFT.get(preset, (0.7, 0.8))
    area_um2 = shape[0] * shape[1] * px**2
    return Style(
        preset=preset,
        unusual=unusual,
        um_per_px=px,
        objective=objective,
        aperture=APERTURE[nearest],
        from_above=from_above,
        dim=hard and not from_above and rng.random() < 0.4,
        ground="dark paper" if dark else str(rng.choice(["glass", "card", "paper"])),
        condenser=float(rng.uniform(0.35, 1.0)),
        focus_um=float(rng.normal(0, drift) * depth_um),
        tilt_um=float(rng.normal(0, lean) * depth_um) if rng.random() < 0.7 else 0.0,
        bowl_um=float(rng.normal(0, 0.4 * lean) * depth_um),
        fringe_um=float(rng.normal(0, 0.22) * depth_um),
        ground_um=log_uniform(rng, 12, 90),
        relief=float(rng.uniform(0.25, 1.0)),
        lens_px=float(rng.uniform(0.3, 0.6)),
        glue_um=float(rng.choice([0.0, log_uniform(rng, 0.01, 0.12 if not hard else 0.4)])),
        spores=_spore_number(rng, preset, shape[0] * shape[1], area_um2),
        huddle=float(rng.uniform(0.45, 0.9) if preset == "heavy" else rng.uniform(0, 0.6)),
        group=log_uniform(rng, 3, 14) if preset == "heavy" else log_uniform(rng, 2, 5),
        beneath=float(rng.uniform(0, 0.35)),
        things=_thing_numbers(rng, preset, area_um2),
    )

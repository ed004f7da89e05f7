"""What a photo shall hold, drawn before anything is painted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
SCALE_UM_PER_PX = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
SHARP_UM = {4.0: 1.2, 10.0: 0.5, 20.0: 0.32, 40.0: 0.24}
"""Blur of a fair cheap objective in focus, as standard deviation."""
SPORE_AREA_UM2 = 75.0


@dataclass(frozen=True)
class Plan:
    """Contents and optics of one photo.

    `clumping` and `under` are the shares of the spores that lie beside or on another one, and under the scales;
    `blur_um` is the blur in focus, then what defocus adds in the middle, by tilt and by a curved field.
    """

    preset: str
    um_per_px: float
    objective: float
    spores: int
    clumping: float
    under: float
    counts: dict[str, int]
    from_above: bool
    lamp_deg: float
    blur_um: tuple[float, ...]
    ground: str
    length_um: float
    clean: bool


# Scales, pieces, dust, droplets, pollen, mould, bubbles per square millimetre; hairs, fibres per view.
AMOUNTS: dict[str, tuple[float, ...]] = {
    "good_focus": (18, 40, 90, 15, 3, 1, 8, 0.3, 0.4),
    "ordinary": (22, 50, 140, 30, 6, 3, 20, 0.6, 0.8),
    "hard": (40, 90, 200, 60, 10, 5, 60, 1.5, 4.5),
    "no_spores": (25, 110, 260, 150, 60, 20, 110, 1.4, 2.2),
    "heavy": (25, 60, 120, 20, 4, 2, 15, 0.5, 0.7),
    "scan_4x": (22, 20, 50, 8, 3, 1, 6, 0.7, 1.0),
}
NAMES = ("scale", "piece", "dust", "droplet", "pollen", "mould", "bubble", "hair", "fibre")


def _spore_number(rng: np.random.Generator, preset: str, area_um2: float, pixels: int) -> int:
    # Ranges of the number, and the share of the view that they may fill.
    ranges = {
        "good_focus": (5, 80, 0.16),
        "ordinary": (1, 150, 0.2),
        "hard": (8, 300, 0.28),
        "heavy": (300e-6 * pixels, 2000e-6 * pixels, 0.52),
        "scan_4x": (160, 1800, 0.24),
    }
    few = {"ordinary": 0.1, "scan_4x": 0.5, "no_spores": 1.0}.get(preset, 0.0)
    if rng.random() < few:
        return int(rng.integers(0, 9)) if preset == "scan_4x" else 0
    low, high, share = ranges[preset]
    number = min(np.exp(rng.uniform(np.log(low), np.log(high))), share * area_um2 / SPORE_AREA_UM2)
    return int(np.ceil(max(number, low, 8 if preset == "heavy" else 0)))


def _optics(rng: np.random.Generator, preset: str, objective: float, length_um: float) -> tuple[float, ...]:
    sharp = SHARP_UM[min(SHARP_UM, key=lambda m: abs(m - objective))] * rng.uniform(0.9, 1.5)
    # A cheap lens leaves its corners soft; a print that is not flat drifts through focus.
    most = {"good_focus": 0.4, "hard": 2.6, "heavy": 0.9, "scan_4x": 1.2}.get(preset, 1.4)
    middle, tilt, bowl = (float(most * rng.random() ** 1.6) for _ in range(3))
    share = 0.5 if preset == "good_focus" else 1.0
    return sharp, middle * length_um / 12, tilt * share, bowl * share


def draw_plan(
    rng: np.random.Generator,
    shape: tuple[int, int],
    um_per_px: float | None,
    objective: float | None,
    preset: str,
) -> Plan:
    """Draw what a photo of `shape` (rows, columns) shall hold.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    if objective is None:
        objective = 4.0 if preset == "scan_4x" else 10.0
        if preset in ("ordinary", "hard", "no_spores"):
            objective = float(rng.choice([10.0, 20.0, 40.0], p=[0.65, 0.2, 0.15]))
    low, high = SCALE_UM_PER_PX[min(SCALE_UM_PER_PX, key=lambda m: abs(m - objective))]
    drawn = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    px_um = drawn if um_per_px is None else float(um_per_px)
    area_um2 = shape[0] * shape[1] * px_um**2
    # One photo is dusty, the next has many droplets: each kind has its own luck.
    amounts = np.array(AMOUNTS[preset]) * rng.lognormal(0, 0.7, len(NAMES))
    amounts[:7] *= area_um2 / 1e6
    if preset == "no_spores":
        amounts[1:7] += rng.uniform(0.5, 3.0, 6)
    amounts = np.minimum(amounts, (160, 250, 400, 150, 60, 20, 120, 6, 12))
    length_um = rng.uniform(9.8, 15.2)
    number = _spore_number(rng, preset, area_um2, shape[0] * shape[1])
    clumping = rng.uniform(0.45, 0.85) if preset == "heavy" else 0.5 * rng.random() ** 1.5
    above = rng.random() < {"hard": 0.3, "ordinary": 0.06, "no_spores": 0.1}.get(preset, 0)
    return Plan(
        preset=preset,
        um_per_px=px_um,
        objective=float(objective),
        spores=number,
        clumping=clumping,
        under=0.4 * rng.random() ** 2,
        from_above=bool(above),
        lamp_deg=rng.uniform(0, 360),
        counts={name: int(rng.poisson(amount)) for name, amount in zip(NAMES, amounts, strict=True)},
        blur_um=_optics(rng, preset, objective, length_um),
        length_um=length_um,
        clean=preset == "good_focus",
        ground=str(rng.choice(["slide", "thin paper", "card", "tape"], p=[0.4, 0.25, 0.1, 0.25])),
    )

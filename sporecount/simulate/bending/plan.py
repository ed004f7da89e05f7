"""What a photo is going to be: drawn once per photo, before anything is laid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")

APERTURE = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
"""Numerical aperture by magnification, as engraved on common objectives (from memory)."""

SCALES_UM = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
"""µm per pixel that phones give through each objective."""

FEW_TO_MANY = {"good_focus": (7, 80), "ordinary": (3, 150), "hard": (15, 250)}
"""Fewest and most spores of the presets that are not told by area."""

THINGS = ["scale", "flake", "hair", "fibre", "bubble", "droplet", "pollen", "dust", "mould", "stub"]
"""What lies on a print besides spores."""

USUAL_PER_MM2 = (24, 26, 6, 3, 20, 16, 3, 110, 4, 8)
"""Usual number of each of `THINGS`."""


@dataclass(frozen=True)
class Plan:
    """The facts of one photo."""

    preset: str
    objective: float
    um_per_px: float
    aperture: float
    from_above: bool  # by a ring or torch, not from below
    ground: str  # "glass", "card" or "paper"
    lamp: str  # "mirror" (old lamp and mirror), "led", "daylight" or "ring"
    spores: int
    piled: float  # share in touching clumps
    beneath: float  # share under the scales
    focus_um: float  # signed, in the middle
    tilt_um: float  # change of focus from the middle to the edge
    warp_um: float  # unevenness of the ground
    brightness: float  # brightness of the bare ground in the finished photo, 0 to 1
    glue: float  # strength of the texture of the tape's glue, 0 to 1
    ruled: bool
    things: dict[str, int]


def _objective(rng: np.random.Generator, preset: str, um_per_px: float | None) -> float:
    if preset == "scan_4x":
        return 4.0
    if preset in ("good_focus", "heavy"):
        return 10.0
    usual = (10.0, 10.0, 20.0, 40.0)
    fits = [m for m in usual if um_per_px is None or SCALES_UM[m][0] <= um_per_px <= SCALES_UM[m][1]]
    return float(rng.choice(fits or [10.0]))


def _count_spores(rng: np.random.Generator, preset: str, mm2: float, megapixels: float) -> int:
    # A lemon of middling size covers some 75 µm²; more than this share covered is not a view, but a wall.
    room = 0.42 * mm2 * 1e6 / 75
    if preset == "no_spores":
        return 0
    if preset in FEW_TO_MANY:
        low, high = FEW_TO_MANY[preset]
        wanted = (
            0.0 if preset == "ordinary" and rng.random() < 0.15 else np.exp(rng.uniform(*np.log([low, high])))
        )
        return int(np.clip(wanted, 5 if preset == "good_focus" else 0, max(5, 0.7 * room)))
    if preset == "heavy":
        wanted = np.exp(rng.uniform(np.log(320), np.log(2000))) * max(megapixels, 0.08)
        return int(max(min(wanted, room), 300 * megapixels + 1, 12))
    if rng.random() < 0.5:
        return int(rng.integers(0, 9))
    return int(max(151, min(np.exp(rng.uniform(np.log(160), np.log(1500))) * megapixels, room * 0.6)))


def _count_things(rng: np.random.Generator, preset: str, mm2: float) -> dict[str, int]:
    # Small views are not empty and wide ones not packed: things gather where the photographer looks.
    area = min(mm2, 0.6 + 0.45 * mm2) if preset == "scan_4x" else max(mm2, 0.05)
    busy = {"good_focus": 0.6, "ordinary": 0.9, "hard": 1.7, "no_spores": 2.2, "heavy": 1.0, "scan_4x": 0.7}
    things = {}
    for name, usual in zip(THINGS, USUAL_PER_MM2, strict=True):
        mean = usual * area * busy[preset] * np.exp(rng.normal(-0.3, 0.7))
        if preset == "no_spores" and name not in ("scale", "hair", "fibre"):
            mean = mean * 2 + 1.5
        if preset == "hard" and name in ("fibre", "hair", "scale"):
            mean += min(1.5, 4 * mm2)
        things[name] = int(min(rng.poisson(mean), 400))
    return things


def draw_plan(
    rng: np.random.Generator,
    shape: tuple[int, int],
    um_per_px: float | None,
    objective: float | None,
    preset: str,
) -> Plan:
    """Draw the facts of a photo."""
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    power = float(objective) if objective is not None else _objective(rng, preset, um_per_px)
    nearest = min(APERTURE, key=lambda m: abs(np.log(m / power)))
    low, high = SCALES_UM[nearest]
    px_um = (
        float(um_per_px) if um_per_px is not None else float(np.exp(rng.uniform(np.log(low), np.log(high))))
    )
    mm2 = shape[0] * shape[1] * px_um**2 * 1e-6
    # Depth of focus shrinks with the square of the aperture; drift is told in such depths.
    depth_um = 0.55 / APERTURE[nearest] ** 2
    drift = {"good_focus": 0.35, "ordinary": 1.0, "hard": 1.8, "no_spores": 0.8, "heavy": 0.6, "scan_4x": 0.4}
    slack = drift[preset] * depth_um
    above = rng.random() < {"good_focus": 0.08, "hard": 0.35, "scan_4x": 0.15}.get(preset, 0.12)
    old = rng.random() < 0.4
    return Plan(
        preset=preset,
        objective=power,
        um_per_px=px_um,
        aperture=APERTURE[nearest],
        from_above=bool(above),
        ground=str(rng.choice(["card", "paper"] if above else ["glass", "glass", "card", "paper"])),
        lamp="ring" if above else "mirror" if old else str(rng.choice(["led", "led", "daylight"])),
        spores=_count_spores(rng, preset, mm2, shape[0] * shape[1] * 1e-6),
        piled=float(rng.uniform(0.35, 0.85) if preset == "heavy" else rng.uniform(0, 0.5)),
        beneath=float(rng.uniform(0, 0.35)),
        # Nobody focuses exactly: some defocus to either side is what shows the refractile look.
        focus_um=float(rng.choice([-1, 1]) * rng.uniform(0.3, 1) * slack + rng.normal(0, 0.35 * slack)),
        tilt_um=float(abs(rng.normal(0, 1)) * slack * rng.choice([0.3, 1.2])),
        warp_um=float(abs(rng.normal(0, 0.5)) * slack),
        brightness=float(rng.uniform(0.22, 0.85) if preset == "hard" else rng.uniform(0.5, 0.93)),
        glue=float(rng.beta(1.2, 2.5) if preset != "hard" else rng.beta(2.5, 1.5)),
        ruled=bool(rng.random() < 0.12),
        things=_count_things(rng, preset, mm2),
    )

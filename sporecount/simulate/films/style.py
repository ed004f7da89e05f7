"""What differs from photo to photo: optics, ground, tints, how many things of each kind."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

Rng = np.random.Generator
PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
APERTURES = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
"""Numerical aperture of a common objective, by magnification."""
SCALE_RANGES = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
"""Micrometres per finished pixel, by magnification."""
TONES = {
    # Density in red and in blue, over the mean of both; where green lies between them (1 = as red).
    "amber": (0.45, 1.55, 0.50),
    "brown": (0.70, 1.30, 0.50),
    "straw": (0.55, 1.45, 0.65),
    "olive": (0.85, 1.15, 1.05),
    "grey": (1.0, 1.0, 0.5),
}
COMMON = {"bubble": 8, "droplet": 12, "pollen": 4, "mould": 8, "dust": 60, "grain": 5, "toner": 6, "stub": 4}
"""Look-alikes per square millimetre. "grain": starch of the paper; "stub": cut end of a hair."""


@dataclass(frozen=True)
class Style:
    """All that is drawn once per photo.

    `cone` and `oblique`, the width and the offset of the lamp's light, are in apertures of the objective;
    `focus_um` is the height of the focal plane in mid-view and `tilt_um` its change from side to side;
    `veil`, stray light, is a share of the ground's; `piled` and `beneath` (the scales) are shares of the spores.
    """

    preset: str
    objective: float
    um_per_px: float
    aperture: float
    cone: float
    oblique: tuple[float, float]
    from_above: bool
    focus_um: float
    tilt_um: tuple[float, float]
    ground: str
    veil: float
    spores: int
    length_um: float
    aspect: float
    tone: str
    piled: float
    beneath: float
    scales: int
    flakes: int
    threads: int
    things: dict[str, int]


def _spore_count(rng: Rng, preset: str, megapixels: float, area_mm2: float) -> int:
    # Spores per square millimetre bound what a small view can hold.
    least, most = {
        "good_focus": (5, 80),
        "ordinary": (0, min(150, rng.gamma(0.9, 90), 900 * area_mm2 + 6)),
        "hard": (0, min(260, 900 * area_mm2 + 12)),
        "heavy": (max(12, 300 * megapixels), max(13, np.exp(rng.uniform(6, 7.6)) * megapixels)),
        "scan_4x": (0, 8) if rng.random() < 0.5 else (160, 900),
    }.get(preset, (0, 0))
    return int(rng.integers(int(least), max(int(most), int(least)) + 1))


def draw_style(
    rng: Rng, shape: tuple[int, int], um_per_px: float | None, objective: float | None, preset: str
) -> Style:
    """Draw the style of a photo of `shape` (rows, columns)."""
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    fixed = {"good_focus": 10.0, "heavy": 10.0, "scan_4x": 4.0}
    drawn = fixed.get(preset, float(rng.choice([10.0, 20.0, 40.0], p=[0.55, 0.27, 0.18])))
    power = float(objective) if objective is not None else drawn
    near = min(APERTURES, key=lambda known: abs(np.log(known / power)))
    low, high = SCALE_RANGES[near]
    # Mostly the lower half: phones have many pixels.
    um = float(um_per_px) if um_per_px is not None else float(low + (high - low) * rng.beta(1.2, 1.8))
    area_mm2 = shape[0] * shape[1] * um**2 / 1e6
    hard = preset == "hard"
    from_above = bool(rng.random() < {"hard": 0.35, "no_spores": 0.12, "ordinary": 0.08}.get(preset, 0.0))
    aperture = APERTURES[near]
    # Depth of focus sets what counts as much.
    depth_um = 0.55 / aperture**2 + 2.0
    drift = {"good_focus": 0.35, "ordinary": 1.1, "hard": 1.9, "no_spores": 1.2, "heavy": 0.7, "scan_4x": 0.4}
    tilt = depth_um * drift[preset] * abs(rng.normal(0, 0.8))
    turn = rng.uniform(0, 2 * np.pi)
    oblique = rng.normal(0, 0.14, 2) if rng.random() < 0.5 else np.zeros(2)
    much = {"good_focus": 0.5, "ordinary": 1.0, "hard": 2.2, "no_spores": 3.0, "heavy": 0.8, "scan_4x": 0.5}
    things = {}
    for name, usual in COMMON.items():
        # Most prints abound in one or two kinds of dirt and lack others.
        number = usual * much[preset] * rng.gamma(0.5, 2.0) * (area_mm2 + 0.01)
        if preset == "no_spores":
            number = max(number, rng.uniform(1, 14))
        things[name] = int(min(rng.poisson(number), 160))
    scale_rate = {"good_focus": 25, "ordinary": 40, "hard": 45, "no_spores": 40, "heavy": 50, "scan_4x": 16}
    # Two thirds of the view at most: more is a smear, not a print.
    most = int(0.66 * area_mm2 / 0.009) + 2
    scales = min(int(rng.poisson(scale_rate[preset] * rng.gamma(1.2, 0.9) * (area_mm2 + 0.03))), most, 90)
    thread_rate = {"good_focus": 1, "ordinary": 2, "hard": 6, "no_spores": 4}.get(preset, 1.5)
    return Style(
        preset=preset,
        objective=power,
        um_per_px=um,
        aperture=aperture,
        cone=float(rng.uniform(0.8, 1.0) if from_above else rng.uniform(0.25, 0.85)),
        oblique=(float(np.clip(oblique[0], -0.3, 0.3)), float(np.clip(oblique[1], -0.3, 0.3))),
        from_above=from_above,
        focus_um=float(rng.normal(0, 0.6) * depth_um * drift[preset]),
        tilt_um=(float(tilt * np.cos(turn)), float(tilt * np.sin(turn))),
        ground=str(
            rng.choice(
                ["card", "kraft", "office"] if from_above else ["glass", "glass", "card", "kraft", "office"]
            )
        ),
        veil=float(rng.gamma(1.5, 0.05) + (rng.uniform(0, 0.35) if hard or rng.random() < 0.2 else 0)),
        spores=_spore_count(rng, preset, shape[0] * shape[1] / 1e6, area_mm2),
        length_um=float(rng.uniform(9, 16)),
        aspect=float(rng.uniform(1.36, 1.72)),
        tone=str(rng.choice(list(TONES))),
        piled=float(rng.uniform(0.45, 0.85) if preset == "heavy" else rng.uniform(0, 0.5 if hard else 0.25)),
        beneath=float(rng.uniform(0, 0.5)),
        scales=max(scales, 1 if preset != "no_spores" else 0),
        flakes=min(int(rng.poisson(much[preset] * 25 * (area_mm2 + 0.05) * rng.gamma(0.8, 1.2))), 120),
        threads=min(int(rng.poisson(thread_rate * rng.gamma(1, 1) * min(1.0, area_mm2 + 0.15))), 14),
        things=things,
    )

"""What is drawn once per photo: its scale, its print, how much of everything, and how it is out of focus."""

from __future__ import annotations

import numpy as np

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
GROUNDS = ("card", "paper", "glass", "glue")
SCALE_RANGE = {4: (1.0, 2.2), 10: (0.3, 1.0), 20: (0.18, 0.5), 40: (0.1, 0.25)}
"""Micrometres per pixel that a phone gives behind each objective."""

APERTURE = {4: 0.10, 10: 0.25, 20: 0.40, 40: 0.65}
LITTER_PER_MM2 = {
    "flake": 60,
    "dust": 90,
    "droplet": 40,
    "pollen": 8,
    "mould": 8,
    "bubble": 30,
    "hair": 5,
    "fibre": 7,
}


def _draw_number(rng: np.random.Generator, preset: str, megapixels: float, room: float) -> int:
    """Draw how many spores the view holds, bounded by a share of the `room`, the number that would fill it."""
    if preset == "no_spores":
        return 0
    if preset == "good_focus":
        return int(max(5, min(int(rng.integers(5, 81)), 0.12 * room)))
    if preset == "ordinary":
        many = 0.0 if rng.random() < 0.12 else 150 * rng.random() ** 1.5
        return int(min(many, 0.25 * room))
    if preset == "hard":
        return int(min(int(rng.integers(10, 260)), 0.3 * room))
    if preset == "heavy":
        most = np.clip(0.42 * room / megapixels, 320, 2000)
        return int(np.ceil(megapixels * np.exp(rng.uniform(np.log(300), np.log(most)))))
    if rng.random() < 0.5:
        return int(rng.integers(0, 9))
    return int(max(151, min(rng.uniform(160, 1800) * megapixels, 0.3 * room)))


class Plan:
    """The choices of one photo.

    `clumped` is the share of spores in touching groups of at most `largest`, `beneath` the share that lies
    beneath the scales, `covered` the share of the view that scales take. Blur is given as standard deviations:
    the objective's, and the middle, slope and unevenness of defocus, blurring with a bell or a `disc`.
    """

    def __init__(
        self,
        rng: np.random.Generator,
        shape: tuple[int, int],
        um_per_px: float | None,
        objective: float | None,
        preset: str,
    ) -> None:
        if preset not in PRESETS:
            raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
        lenses = {"good_focus": (10,), "heavy": (10,), "scan_4x": (4,)}.get(preset, (10, 10, 20, 40))
        self.objective = float(objective or rng.choice(lenses))
        nearest = min(SCALE_RANGE, key=lambda known: abs(known - self.objective))
        low, high = SCALE_RANGE[nearest]
        px_um = float(um_per_px or np.exp(rng.uniform(np.log(low), np.log(high))))
        small = rng.random() < 0.5
        self.length_um = float(rng.uniform(9.0, 10.5) if small else rng.uniform(10.5, 16))
        self.aspect = float(rng.uniform(1.36, 1.74))
        area_um2 = shape[0] * shape[1] * px_um**2
        spore_um2 = 0.7 * self.length_um**2 / self.aspect
        self.spores = _draw_number(rng, preset, shape[0] * shape[1] / 1e6, area_um2 / spore_um2)
        plenty = {"good_focus": 0.5, "ordinary": 1, "hard": 2, "no_spores": 3, "heavy": 0.7, "scan_4x": 0.4}
        self.litter: dict[str, int] = {}
        for name, per_mm2 in LITTER_PER_MM2.items():
            mean = per_mm2 * area_um2 / 1e6 * plenty[preset] * np.exp(rng.normal(0, 0.8))
            # A small view must still hold something to be fooled by.
            least = 2.5 if preset == "no_spores" else 0.2
            self.litter[name] = int(
                min(rng.poisson(max(mean, least)), 12 if name in ("hair", "fibre") else 250)
            )
        if preset == "hard":
            self.litter["fibre"] += int(rng.integers(1, 6))
        drift = {
            "good_focus": 0.25,
            "ordinary": 1.2,
            "hard": 1.9,
            "no_spores": 1,
            "heavy": 0.7,
            "scan_4x": 0.8,
        }
        self.from_above = bool(rng.random() < {"hard": 0.4, "good_focus": 0.1}.get(preset, 0.18))
        self.preset = preset
        self.um_per_px = px_um
        dim = preset == "hard" and rng.random() < 0.6
        self.dim = float(rng.uniform(0.22, 0.75) if dim else rng.uniform(0.75, 1.08))
        self.ground = str(rng.choice(("card", "paper", "glue") if self.from_above else GROUNDS))
        self.spread = float(rng.uniform(0.03, 0.08))
        self.clumped = float(rng.uniform(0.45, 0.85) if preset == "heavy" else rng.uniform(0.15, 0.75))
        self.largest = int(rng.integers(8, 26)) if preset == "heavy" else int(rng.integers(3, 7))
        self.beneath = float(rng.uniform(0, 0.25))
        self.covered = float(rng.uniform(0, 0.75) ** 1.6 * (0.6 if preset == "good_focus" else 1.1))
        self.sharp_um = 0.21 * 0.55 / APERTURE[nearest] * float(rng.uniform(1, 1.3))
        self.defocus_um = float(rng.uniform(0, drift[preset]))
        self.tilt_um = float(rng.uniform(0, drift[preset])) if rng.random() < 0.7 else 0.0
        self.bump_um = float(rng.uniform(0, 0.4 * drift[preset]))
        self.disc = bool(rng.random() < 0.4)

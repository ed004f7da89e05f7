"""What one photo is like: everything that differs from photo to photo, drawn once."""

from __future__ import annotations

import numpy as np

from sporecount.simulate.lightbox.optics import Lens, Rng

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
GROUNDS = ("glass", "card", "paper", "film")
# Least and most um per pixel, and blur in focus (about 0.21 of the wavelength over the aperture), by objective.
OBJECTIVES = {4.0: (1.0, 2.2, 1.15), 10.0: (0.3, 1.0, 0.48), 20.0: (0.18, 0.5, 0.3), 40.0: (0.1, 0.25, 0.2)}
# Spread of the middle's defocus, greatest tilt, spread of depths: um of the disc that a point becomes.
_FOCUS_UM = {
    "good_focus": (0.35, 0.7, 0.3),
    "ordinary": (1.2, 3.5, 0.9),
    "hard": (1.5, 6.0, 1.3),
    "no_spores": (1.0, 3.0, 0.9),
    "heavy": (0.8, 2.0, 0.7),
    "scan_4x": (1.0, 2.5, 0.7),
}
# Mean number per square millimetre of the print, and how many more a photo without spores gets.
_PER_MM2 = {
    "scale": 9,
    "piece": 30,
    "dust": 90,
    "droplet": 22,
    "pollen": 6,
    "mould": 6,
    "stub": 10,
    "bubble": 30,
}
_MORE = {"piece": 9, "dust": 10, "droplet": 9, "pollen": 5, "mould": 3, "stub": 4, "bubble": 9}


def _between(rng: Rng, low: float, high: float) -> float:
    """Draw evenly in ratio."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _draw_lens(rng: Rng, preset: str, objective: float) -> Lens:
    middle, tilt, _ = _FOCUS_UM[preset]
    share = 1.4 if objective == 4 else 1.0
    way = rng.uniform(0, 2 * np.pi)
    return Lens(
        sigma_um=float(OBJECTIVES[objective][2] * rng.uniform(1.0, 1.45)),
        ring=float(rng.uniform(0.05, 0.75)),
        colour_um=float(rng.choice([0.0, rng.uniform(0.15, 0.5)])) * share,
        middle_um=float(np.clip(rng.normal(0, middle), -2 * middle, 2 * middle)) * share,
        tilt_um=np.array([np.cos(way), np.sin(way)]) * tilt * rng.uniform() ** 1.5 * share,
        bowl_um=float(0.25 * tilt * rng.uniform(-1, 1)),
        wave_um=rng.normal(0, 0.06 * tilt * rng.uniform(), (4, 4)),
    )


def _draw_number(rng: Rng, preset: str, mega_px: float, most: float) -> int:
    """Draw how many spores there are; `most` would half cover the view."""
    if preset == "no_spores":
        return 0
    if preset == "good_focus":
        return int(np.clip(_between(rng, 5, 81), 5, min(80, max(5, most))))
    if preset == "heavy":
        return max(4, int(min(_between(rng, 300, 2000) * mega_px, most * 1.3)))
    if preset == "ordinary":
        number = 0.0 if rng.random() < 0.1 else _between(rng, 1, 151)
    elif preset == "hard":
        number = rng.uniform(10, 220)
    else:
        number = rng.uniform(0, 9) if rng.random() < 0.5 else _between(rng, 155, 1100)
    return int(min(number, most * 0.7))


class Style:
    """All that is drawn once for a photo.

    `clumped` is the share of spores in touching groups, `piled` how much these overlap, `depth_um` the spread of
    depths as the radius of the disc that a point becomes, `things` how many of each other thing there are.
    """

    def __init__(
        self, rng: Rng, shape: tuple[int, int], um_per_px: float | None, objective: float | None, preset: str
    ) -> None:
        if preset not in PRESETS:
            raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
        self.preset, hard = preset, preset == "hard"
        fixed = {"good_focus": [10.0], "heavy": [10.0], "scan_4x": [4.0], "hard": [10.0, 10.0, 20.0]}
        drawn = rng.choice(fixed.get(preset, [10.0, 10.0, 20.0, 40.0]))
        self.objective = float(drawn if objective is None else objective)
        near = min(OBJECTIVES, key=lambda known: abs(np.log(known / self.objective)))
        low, high, _ = OBJECTIVES[near]
        px_um = _between(rng, low * (1.4 if preset == "heavy" else 1), high)
        self.um_per_px = px_um if um_per_px is None else float(um_per_px)
        self.lens = _draw_lens(rng, preset, near)
        self.depth_um = float(_FOCUS_UM[preset][2] * rng.uniform(0.3, 1.4))
        # Small spores are as common as all others together: they are the harder ones to see.
        self.length_um = float(rng.uniform(9, 10.5) if rng.random() < 0.5 else rng.uniform(10.5, 16))
        area_um2 = shape[0] * shape[1] * self.um_per_px**2
        self.spores = _draw_number(rng, preset, shape[0] * shape[1] / 1e6, area_um2 / self.length_um**2)
        self.clumped = rng.uniform(0.4, 0.9) if hard or preset == "heavy" else rng.uniform(0.05, 0.7)
        self.piled = rng.uniform(0.05, 0.5) if preset == "heavy" else rng.uniform(0, 0.25)
        self.glue = float(rng.choice([0.0, 0.3, 1.0]) * rng.uniform(0.5, 1.0) * (1.8 if hard else 0.7))
        above = 0.35 if hard else 0.0 if preset in ("good_focus", "scan_4x") else 0.07
        self.from_above = bool(rng.random() < above)
        self.dim = bool(rng.random() < (0.4 if hard else 0.08))
        self.ground = str(rng.choice(GROUNDS, p=[0.35, 0.25, 0.2, 0.2]))
        busy = {"heavy": 0.8, "hard": 1.4, "no_spores": 1.8, "good_focus": 0.7}.get(preset, 1.0)
        mean = {k: n * area_um2 / 1e6 * busy * np.exp(rng.normal(0, 1.0)) for k, n in _PER_MM2.items()}
        self.things = {name: int(min(rng.poisson(number), 160)) for name, number in mean.items()}
        # Overlapping now and then, but never a print of scales alone.
        most = (0.5 if preset == "good_focus" else 0.8) * area_um2 / 8400
        scales = self.things["scale"] + float(rng.integers(0, 4))
        self.things["scale"] = int(min(scales, most + rng.uniform(0, 1.5), 45.0))
        if preset == "no_spores":
            self.things |= {name: self.things[name] + int(rng.integers(0, n)) for name, n in _MORE.items()}
        many = {"hard": 4.0, "no_spores": 2.0, "good_focus": 0.4}.get(preset, 0.9)
        self.things["hair"] = min(int(rng.poisson(0.5 * many)), 4)
        self.things["fibre"] = min(int(rng.poisson(0.6 * many)), 6)

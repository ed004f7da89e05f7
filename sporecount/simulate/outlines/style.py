"""The house style of one photo: what lies on the print, and how each class of thing is rendered."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
UNUSUAL = ("pale", "blue", "green", "faint", "grey")
"""What may be unlike the everyday print: see-through spores, a cast, low contrast, no colour."""
GROUNDS = ("glass", "glass", "tape", "tape", "card", "paper")
SPORE_UM2 = 75.0
"""Usual area of a spore, to keep a crowd from filling the view."""
SCALE_UM = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
APERTURE = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
WAYS = {
    "scale": ("ridged", "ridged", "ribbed", "smooth", "mottled"),
    "dust": ("angular", "ragged", "fluffy"),
    "mould": ("single", "chain", "heap"),
    "pollen": ("spiky", "netted", "plain"),
    "bubble": ("thick", "double", "shaded"),
    "thread": ("tube", "ribbon", "solid"),
}
"""Ways to render a class of things; a photo keeps to one."""
THINGS_PER_MM2 = {
    "scale": (3.0, 55.0, 500),
    "piece": (10.0, 120.0, 500),
    "dust": (40.0, 500.0, 700),
    "mould": (2.0, 45.0, 500),
    "droplet": (0.5, 25.0, 500),
    "pollen": (0.3, 6.0, 60),
    "bubble": (1.0, 35.0, 500),
    "hair": (0.5, 7.0, 14),
    "fibre": (0.2, 4.0, 9),
}
"""Things on an everyday print, drawn evenly on a log scale (from memory), and the most in a view."""


@dataclass(frozen=True)
class HouseStyle:
    """How one photo is drawn; lengths in um of the print."""

    preset: str
    objective: float
    um_per_px: float
    unusual: str
    from_above: bool
    dim: bool
    ground: str
    ground_strength: float
    ruled: bool
    edge_um: float
    ways: dict[str, str]
    counts: dict[str, int]
    spores: int
    crowding: tuple[float, float, float]
    optics_um: float
    focus_um: tuple[float, float, float]
    flare: float


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _number(rng: np.random.Generator, preset: str, megapixels: float, area_mm2: float) -> int:
    """Spores in the view."""
    # Smaller views than usual hold fewer, but the promised least is kept.
    room = 0.45 * area_mm2 * 1e6 / SPORE_UM2
    if preset == "good_focus":
        return int(np.clip(_log(rng, 5, 80), 5, max(5, room)))
    if preset == "ordinary":
        return int(min(rng.choice([0, 1, 2, 150 * rng.random() ** 2], p=[0.08, 0.04, 0.03, 0.85]), room))
    if preset == "hard":
        return int(min(_log(rng, 4, 250), room))
    if preset == "heavy":
        least = 300 * megapixels
        return int(np.clip(_log(rng, 310, 2000) * megapixels, least, max(least, room))) + 8
    if preset == "scan_4x":
        many = int(max(155, min(_log(rng, 155, 1200), room)))
        return int(rng.integers(0, 9)) if rng.random() < 0.5 else many
    return 0


def _focus(rng: np.random.Generator, preset: str, objective: float) -> tuple[float, float, float]:
    """Even, tilted and uneven defocus, as standard deviations of blur at the most."""
    most = {"good_focus": (0.45, 0.3, 0.2), "hard": (1.8, 3.5, 1.5), "heavy": (0.9, 1.0, 0.6)}
    # A strong objective is refocused more carefully, since little is sharp otherwise.
    care = 0.75 if objective > 30 else 1.0
    even, tilt, bumps = (care * top * float(rng.random()) for top in most.get(preset, (1.2, 1.7, 0.8)))
    return even, tilt, bumps


def draw_style(
    rng: np.random.Generator,
    shape: tuple[int, int],
    scale: float | None,
    objective: float | None,
    preset: str,
) -> HouseStyle:
    """Draw a house style; `scale` is in um per px. A preset that there is not raises a ValueError."""
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {PRESETS}, got {preset!r}")
    drawn = {"good_focus": 10.0, "heavy": 10.0, "scan_4x": 4.0}.get(preset)
    if drawn is None:
        drawn = float(rng.choice([10.0, 20.0, 40.0], p=[0.6, 0.25, 0.15]))
    objective = drawn if objective is None else float(objective)
    nearest = min(SCALE_UM, key=lambda known: abs(np.log(known / objective)))
    px_um = _log(rng, *SCALE_UM[nearest]) if scale is None else float(scale)
    hard = preset == "hard"
    area_mm2 = shape[0] * shape[1] * px_um**2 / 1e6
    counts = {}
    for name, (low, high, most) in THINGS_PER_MM2.items():
        per_mm2 = _log(rng, low, high)
        if preset == "no_spores" and name not in ("scale", "hair", "fibre"):
            per_mm2 = _log(rng, 0.4 * high, 3 * high)
        if hard:
            per_mm2 *= {"hair": 4.0, "fibre": 8.0, "bubble": 2.0}.get(name, 1.5)
        # Some are promised, however small the view.
        least = int(rng.integers(1, 5))
        promised = preset == "no_spores" or (preset, name) in (("hard", "fibre"), ("heavy", "scale"))
        counts[name] = min(max(least * promised, int(rng.poisson(per_mm2 * area_mm2))), most)
    unusual = str(rng.choice(UNUSUAL)) if rng.random() < 0.25 else ""
    from_above = bool(rng.random() < (0.3 if hard else 0.03))
    ground = "card" if from_above else str(rng.choice(GROUNDS))
    ways = {name: str(rng.choice(names)) for name, names in WAYS.items()}
    spores = _number(rng, preset, shape[0] * shape[1] / 1e6, area_mm2)
    least_crowd, most_crowd = [(0, 0, 0), (0.35, 0.05, 0)], [(0.45, 0.2, 0.35), (0.8, 0.4, 0.35)]
    clumped, piled, beneath = rng.uniform(least_crowd, most_crowd)[int(preset == "heavy")].tolist()
    crowding, focus = (clumped, piled, beneath), _focus(rng, preset, objective)
    optics = 0.21 * 0.55 / APERTURE[nearest] * rng.uniform(1.0, 1.35)
    strength, edge = _log(rng, 0.25, 1.4 if hard else 0.9), _log(rng, 0.2, 0.6)
    dim, ruled = bool(rng.random() < (0.4 if hard else 0.04)), bool(rng.random() < 0.06)
    flare = rng.uniform(0.35, 0.9) if unusual == "faint" else _log(rng, 0.005, 0.12)
    lit = (from_above, dim, ground, strength, ruled, edge)
    return HouseStyle(
        preset, objective, px_um, unusual, *lit, ways, counts, spores, crowding, optics, focus, flare
    )

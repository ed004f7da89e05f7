"""What is photographed and how: everything that is settled before the first thing is laid down."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sporecount.simulate.bands.lens import Lens

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
APERTURE = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
"""Numerical apertures of common objectives (textbook values)."""
PIXEL_UM = {4.0: (1.0, 1.6), 10.0: (0.42, 0.8), 20.0: (0.22, 0.4), 40.0: (0.12, 0.23)}
"""What a phone at the eyepiece makes of them, by its zoom (common practice)."""
USUAL_PER_MM2 = {
    "scale": 45.0, "piece": 70.0, "hair": 7.0, "fibre": 2.0, "hypha": 1.0, "ridge": 1.2, "bubble": 14.0,
    "pollen": 5.0, "dust": 70.0, "flake": 14.0, "speck": 300.0, "droplet": 8.0, "mould": 12.0,
}  # fmt: skip
"""Things on an ordinary print: mostly scales, what they leave, and dust (common practice; numbers from memory)."""
MOST = {"scale": 150, "piece": 260, "speck": 350, "dust": 250, "fibre": 9, "ridge": 9}
_MOST_SCALES_PER_MM2 = 110
_USUAL_LENGTH_UM = 12.0


@dataclass(frozen=True)
class Occasion:
    """A field, its lens and light, and how many things of each sort lie there.

    Parameters
    ----------
    spores : int
    alone, mean_group, largest, pressed : float, float, int, float
        Share of single spores; size of the groups; how far their members overlap.
    beneath : float
        Share of the spores that scales may lie on.
    things : dict of str to int
    """

    shape: tuple[int, int]
    objective: float
    lens: Lens
    from_above: bool
    ground: str
    dim: bool
    rough: bool
    spores: int
    alone: float
    mean_group: float
    largest: int
    pressed: float
    beneath: float
    things: dict[str, int]

    @property
    def area_mm2(self) -> float:
        """Give the area of the photo."""
        return self.shape[0] * self.shape[1] * self.lens.um_per_px**2 / 1e6


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _objective(rng: np.random.Generator, preset: str) -> float:
    if preset == "scan_4x":
        return 4.0
    if preset in ("good_focus", "heavy"):
        return 10.0
    return float(rng.choice([10.0, 20.0, 40.0], p=[0.6, 0.12, 0.28]))


def _focus(
    rng: np.random.Generator, preset: str, shape: tuple[int, int], um_per_px: float, aperture: float
) -> Lens:
    """Draw the lens; focus errors are meant as blur in spore lengths and turned into depth."""
    fill = rng.uniform(0.3, 0.9)
    lens = Lens(um_per_px, aperture, fill, 0, 0, 0, (0, 0), 0, (0, 0))
    off, edge = {"good_focus": (0.025, 0.035), "hard": (0.1, 0.17), "ordinary": (0.05, 0.09)}.get(
        preset, (0.04, 0.06)
    )
    depth = 2 * _USUAL_LENGTH_UM / lens.spread
    half = np.hypot(*shape) / 2
    turn, rise = rng.uniform(0, 2 * np.pi), abs(rng.normal(0, edge)) * depth / half
    return Lens(
        um_per_px=um_per_px,
        aperture=aperture,
        fill=fill,
        fringe=rng.uniform(0, 0.45),
        edge=rng.normal(0, 0.4),
        focus_um=rng.normal(0, off) * depth,
        tilt=(float(rise * np.cos(turn)), float(rise * np.sin(turn))),
        bowl_um=float(rng.normal(0, 0.4 * edge) * depth),
        middle_px=((shape[1] - 1) / 2, (shape[0] - 1) / 2),
    )


def _things(rng: np.random.Generator, preset: str, area_mm2: float) -> dict[str, int]:
    crowd = {"good_focus": 0.8, "hard": 1.5, "scan_4x": 0.8}.get(preset, 1.0)
    # One sort or two of each print are common on it, some are hardly there.
    spread = np.exp(rng.normal(-0.2, 0.8, len(USUAL_PER_MM2)))
    for favourite in rng.integers(0, len(USUAL_PER_MM2), 2):
        spread[favourite] = max(spread[favourite], rng.uniform(2, 5))
    things = {}
    for (name, usual), share in zip(USUAL_PER_MM2.items(), spread, strict=True):
        if preset == "hard" and name in ("fibre", "ridge", "bubble"):
            share *= 2.5
        number = int(rng.poisson(min(usual * crowd * share * area_mm2, 900)))
        if preset == "no_spores" and name not in ("fibre", "ridge", "hypha"):
            number = max(number, 1)
        things[name] = min(number, MOST.get(name, 90))
    # More than this, and scales lie in heaps through which no light comes.
    things["scale"] = min(things["scale"], round(_MOST_SCALES_PER_MM2 * area_mm2) + 2)
    return things


def _spores(rng: np.random.Generator, preset: str, objective: float, area_mm2: float) -> int:
    if preset == "no_spores" or (preset == "ordinary" and rng.random() < 0.08):
        return 0
    low, high = {
        "good_focus": (40, 450),
        "ordinary": (20, 400),
        "hard": (20, 700),
        "heavy": (900, 4500),
    }.get(preset, (0.3, 120))
    more = {20.0: 2.0, 40.0: 5.0}.get(objective, 1.0)
    number = rng.poisson(_log_uniform(rng, low, high) * more * area_mm2)
    # A heavy photo of the usual size holds three hundred at least.
    least = {"good_focus": 3.0, "heavy": min(320.0, 4500 * area_mm2)}.get(preset, 0.0)
    return int(np.clip(number, least, 2000))


def draw_occasion(
    rng: np.random.Generator,
    shape: tuple[int, int],
    um_per_px: float | None,
    objective: float | None,
    preset: str,
) -> Occasion:
    """Draw an occasion.

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
        um_per_px = _log_uniform(rng, low, 0.68 if preset == "heavy" else high)
    above = {"good_focus": 0.08, "hard": 0.3, "no_spores": 0.15, "ordinary": 0.15}.get(preset, 0.1)
    from_above = bool(nearest <= 10 and rng.random() < above)
    ground = str(rng.choice(["card", "paper", "glass", "film"], p=[0.25, 0.15, 0.4, 0.2]))
    area_mm2 = shape[0] * shape[1] * um_per_px**2 / 1e6
    heavy = preset == "heavy"
    return Occasion(
        shape=shape,
        objective=float(objective),
        lens=_focus(rng, preset, shape, um_per_px, APERTURE[nearest]),
        from_above=from_above,
        ground="card" if from_above else ground,
        dim=bool(rng.random() < (0.25 if preset == "hard" else 0.05)),
        rough=bool(rng.random() < (0.7 if preset == "hard" else 0.2)),
        spores=_spores(rng, preset, nearest, area_mm2),
        alone=rng.uniform(0.05, 0.5) if heavy else rng.uniform(0.35, 0.95),
        mean_group=_log_uniform(rng, 4, 60) if heavy else rng.uniform(2.2, 5),
        largest=300 if heavy else 14,
        pressed=rng.uniform(0.0, 0.7) if heavy else rng.uniform(0, 0.45),
        beneath=rng.uniform(0, 0.25),
        things=_things(rng, preset, area_mm2),
    )

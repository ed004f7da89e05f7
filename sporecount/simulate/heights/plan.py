"""What a photo is going to be: microscope, light, ground, focus and the numbers of things."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")

APERTURE = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
SHARES = {10.0: 0.55, 20.0: 0.28, 40.0: 0.17}
UM_PER_PX = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}

LAMPS = {
    "halogen": (1.25, 1.0, 0.6),
    "halogen, blue filter": (0.97, 1.0, 1.02),
    "white LED": (0.95, 1.0, 1.1),
    "warm LED": (1.1, 1.0, 0.82),
}
"""Colour of each lamp before the phone's white balance."""

RATES_PER_MM2 = {
    "piece": 55.0,
    "dust": 170.0,
    "droplet": 25.0,
    "pollen": 8.0,
    "mould": 7.0,
    "bubble": 14.0,
    "hair": 2.5,
    "fibre": 5.0,
}
"""Things on an ordinary print; guesses, spread widely per photo."""

COVER = {
    "good_focus": (0.02, 0.16),
    "ordinary": (0.01, 0.32),
    "hard": (0.08, 0.5),
    "no_spores": (0.0, 0.3),
    "heavy": (0.04, 0.3),
    "scan_4x": (0.02, 0.35),
}
"""Share of the view that butterfly scales would cover, were they not to overlap."""

CLUTTER = {"good_focus": 0.35, "ordinary": 0.9, "hard": 2.2, "no_spores": 1.0, "heavy": 0.9, "scan_4x": 0.5}


class Plan(NamedTuple):
    """Everything of a photo that is drawn before its first pixel.

    `condenser` runs from 0 closed (strong rims) to 1 open (flat); `above` is the share of light from above;
    `sun` points to that lamp; `shadow_um` is how far a body of 4 um throws its shadow; `z_*` is the height of the
    print over the plane of focus: middle, rise over half the view, waves; `clumped`, `beneath`, `at_scales` are
    shares of the spores.
    """

    preset: str
    um_per_px: float
    objective: float
    aperture: float
    condenser: float
    above: float
    lamp: str
    ground: str
    sun: tuple[float, float]
    shadow_um: float
    shadow: float
    gloss: float
    z_mid_um: float
    z_tilt_um: float
    z_bump_um: float
    z_direction: float
    dim: bool
    counts: dict[str, int]
    clumped: float
    beneath: float
    at_scales: float
    glue: float
    clean: bool


def _pick_optics(
    rng: np.random.Generator, um_per_px: float | None, objective: float | None, preset: str
) -> tuple[float, float]:
    """Objective and scale, drawn where they are not given."""
    if objective is None:
        if preset in ("scan_4x", "good_focus", "heavy"):
            objective = 4.0 if preset == "scan_4x" else 10.0
        else:
            scale = um_per_px or 0.3
            weights = np.array([w * (UM_PER_PX[o][0] <= scale <= UM_PER_PX[o][1]) for o, w in SHARES.items()])
            weights = weights if um_per_px and weights.any() else np.array(list(SHARES.values()))
            objective = float(rng.choice(list(SHARES), p=weights / weights.sum()))
    if um_per_px is None:
        low, high = UM_PER_PX[min(UM_PER_PX, key=lambda o: abs(o - objective))]
        um_per_px = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    return um_per_px, objective


def _spore_count(rng: np.random.Generator, preset: str, area_um2: float, megapixels: float) -> int:
    """Draw the number of spores; never more than there is room for."""
    if preset == "no_spores":
        return 0
    room = max(5, int(area_um2 / 400))
    if preset == "good_focus":
        return int(min(np.exp(rng.uniform(np.log(5), np.log(81))), room))
    if preset == "ordinary":
        return 0 if rng.random() < 0.12 else int(min(np.exp(rng.uniform(0, np.log(151))), room))
    if preset == "hard":
        return int(min(np.exp(rng.uniform(np.log(3), np.log(400))), 2 * room))
    if preset == "heavy":
        per_view = np.exp(rng.uniform(np.log(300), np.log(2000)))
        return max(12, int(min(per_view * max(megapixels, 0.1), area_um2 / 110)))
    if rng.random() < 0.5:
        return int(rng.integers(0, 9))
    return int(np.clip(np.exp(rng.uniform(np.log(155), np.log(1800))), 152, max(152.0, area_um2 / 200)))


def _thing_counts(rng: np.random.Generator, preset: str, area_um2: float, um_per_px: float) -> dict[str, int]:
    clutter = CLUTTER[preset] * float(np.exp(rng.normal(0, 0.5)))
    cover = float(rng.uniform(*COVER[preset]))
    counts = {"scale": int(rng.poisson(cover * area_um2 / 9500))}
    for name, rate in RATES_PER_MM2.items():
        mean = rate * clutter * area_um2 / 1e6 * float(np.exp(rng.normal(0, 0.8)))
        if preset == "no_spores" and name not in ("hair", "fibre"):
            # Look-alikes of a spore's size are what this preset is for.
            mean += float(rng.uniform(1, 14))
        elif preset == "hard" and name in ("fibre", "hair"):
            mean += float(rng.uniform(0, 5))
        mean += 0.3 * (um_per_px < 0.5)
        counts[name] = int(min(rng.poisson(mean), 600))
    return counts


def draw_plan(
    rng: np.random.Generator,
    shape: tuple[int, int],
    um_per_px: float | None,
    objective: float | None,
    preset: str,
) -> Plan:
    """Draw the plan of a photo; ValueError for a preset that there is not."""
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    um_per_px, objective = _pick_optics(rng, um_per_px, objective, preset)
    aperture = APERTURE[min(APERTURE, key=lambda o: abs(o - objective))] * float(rng.uniform(0.9, 1.1))
    area_um2 = shape[0] * shape[1] * um_per_px**2
    on_card = bool(rng.random() < 0.5)
    above = float(rng.uniform(0.35, 0.95)) if on_card else 0.0
    grounds = ("white card", "grey card", "paper") if on_card else ("glass", "glass", "paper", "white card")
    spread_um = {"good_focus": 2.5, "heavy": 6.0, "scan_4x": 14.0, "ordinary": 10.0}.get(preset, 14.0)
    # Depth of field shrinks with the aperture, and a careful person refocuses to suit it.
    spread_um *= min(1.0, (0.25 / aperture) ** 1.3)
    tilt_um = spread_um * float(rng.choice([0.3, 1.0, 2.2 if preset == "hard" else 1.5]))
    turn = float(rng.uniform(0, 2 * np.pi))
    counts = _thing_counts(rng, preset, area_um2, um_per_px)
    counts["spore"] = _spore_count(rng, preset, area_um2, shape[0] * shape[1] / 1e6)
    crowded = preset == "heavy" or (preset == "hard" and rng.random() < 0.6)
    return Plan(
        preset=preset,
        um_per_px=um_per_px,
        objective=objective,
        aperture=aperture,
        condenser=float(rng.beta(1.2, 1.2)),
        above=above,
        lamp=str(rng.choice(list(LAMPS))),
        ground=str(rng.choice(grounds)),
        sun=(float(np.cos(turn)), float(np.sin(turn))),
        shadow_um=float(rng.uniform(1.5, 6.0)),
        shadow=float(rng.uniform(0.25, 0.85)),
        gloss=float(rng.uniform(0, 1) ** 1.5),
        z_mid_um=float(rng.normal(0, spread_um)),
        z_tilt_um=tilt_um * float(rng.uniform(0.2, 1)),
        z_bump_um=spread_um * float(rng.uniform(0, 0.6)),
        z_direction=float(rng.uniform(0, 2 * np.pi)),
        dim=bool(rng.random() < (0.4 if preset == "hard" else 0.06)),
        counts=counts,
        clumped=float(rng.uniform(0.5, 0.9) if crowded else rng.beta(1, 4)),
        beneath=float(rng.beta(1, 6)),
        at_scales=float(rng.beta(1, 2)),
        glue=float(rng.uniform(0, 1) ** 2 * (2.0 if preset == "hard" else 1.0)),
        clean=preset in ("good_focus", "heavy"),
    )


def height_map(rng: np.random.Generator, shape: tuple[int, int], plan: Plan) -> Array:
    """Height of the print over the plane of focus, in um, a slope with slow waves."""
    rows, cols = shape
    x = np.linspace(-1, 1, cols, dtype=np.float32)[None]
    y = np.linspace(-1, 1, rows, dtype=np.float32)[:, None]
    along = x * np.cos(plan.z_direction) + y * np.sin(plan.z_direction)
    first, second, third = rng.uniform(0, 2 * np.pi, 3)
    waves = np.sin(2.3 * x + 1.1 * y + first) + np.sin(1.7 * y - 0.9 * x + second) * np.cos(1.9 * x + third)
    return np.asarray(plan.z_mid_um + plan.z_tilt_um * along + 0.6 * plan.z_bump_um * waves, np.float32)

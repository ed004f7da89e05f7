"""What a photo is to show: scale, numbers of things, light and focus, drawn per photo."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
_UM_PER_PX = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
_APERTURE = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
_NAMES = ("scale", "piece", "dust", "hair", "fibre", "bubble", "droplet", "pollen", "mould")
# Means for a view of 0.3 mm²: an ordinary 10x photo.
_MEANS = {
    "good_focus": (7, 8, 14, 0.5, 0.6, 1.5, 2, 0.7, 1),
    "ordinary": (8, 13, 22, 1, 1.5, 5, 5, 1.5, 3),
    "hard": (18, 26, 35, 2, 5, 14, 10, 3, 6),
    "no_spores": (7, 22, 35, 1.5, 2.5, 14, 20, 10, 12),
    "heavy": (9, 12, 20, 0.7, 0.8, 3, 3, 1, 2),
    "scan_4x": (6, 8, 14, 0.4, 0.5, 1.5, 2, 0.7, 1),
}


@dataclass(frozen=True)
class Plan:
    """Settings of one photo; `defocus_um` and `tilt_um` are standard deviations of blur in the specimen.

    `contrast` is the mean optical density of a spore over its surroundings where the focus is best.
    """

    preset: str
    objective: float
    um_per_px: float
    spores: int
    clumped: float
    beneath: float
    things: dict[str, int]
    from_above: bool
    dim: bool
    ground: str
    sharp_um: float
    defocus_um: float
    tilt_um: float
    contrast: float
    length_um: float


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def draw_plan(
    rng: np.random.Generator,
    shape: tuple[int, int],
    um_per_px: float | None,
    objective: float | None,
    preset: str,
) -> Plan:
    """Draw the settings of a photo.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    drawn = {"scan_4x": 4.0, "ordinary": float(rng.choice([10, 10, 10, 20, 20, 40]))}.get(preset, 10.0)
    power = drawn if objective is None else float(objective)
    near = min(_UM_PER_PX, key=lambda known: abs(np.log(known / power)))
    scale = _log_uniform(rng, *_UM_PER_PX[near]) if um_per_px is None else float(um_per_px)
    pixels = shape[0] * shape[1]
    area_mm2 = pixels * scale**2 / 1e6
    number, largest_cover = {
        "good_focus": (_log_uniform(rng, 5, 80), 0.06),
        "ordinary": (rng.uniform(0, 1) ** 1.6 * 150, 0.12),
        "hard": (_log_uniform(rng, 12, 300), 0.15),
        "no_spores": (0.0, 0.0),
        "heavy": (_log_uniform(rng, 300, 2000) * pixels / 1e6, 0.33),
        "scan_4x": (rng.uniform(0, 9) if rng.random() < 0.5 else _log_uniform(rng, 155, 800), 0.2),
    }[preset]
    # A spore covers about 75 µm²; more than this share of the view would be a carpet.
    spores = int(min(number, max(5.0, largest_cover * area_mm2 * 1e6 / 75)))
    size = (area_mm2 / 0.3) ** 0.7
    busy = _log_uniform(rng, 0.4, 1.7)
    things = {
        name: int(rng.poisson(mean * size * busy * np.exp(rng.normal(0, 0.5))))
        for name, mean in zip(_NAMES, _MEANS[preset], strict=True)
    }
    # Scales of about 8000 µm² may cover a part of the view, counted twice where they overlap.
    crowded = 0.8 if preset == "hard" else 0.45
    things["scale"] = min(things["scale"], 2 + int(crowded * area_mm2 * 1e6 / 8000))
    things["fibre"] = min(things["fibre"], 8)
    hard, plain = preset == "hard", preset in ("good_focus", "heavy", "scan_4x")
    length = float(rng.uniform(9.5, 15.5))
    slack = 0.05 if plain else 0.15 if hard else 0.11
    return Plan(
        preset=preset,
        objective=power,
        um_per_px=scale,
        spores=spores,
        clumped=float(
            {"heavy": rng.uniform(0.3, 0.8), "hard": rng.uniform(0.1, 0.6)}.get(preset, rng.beta(1.5, 5))
        ),
        beneath=float(rng.uniform(0.1, 0.4)),
        things=things,
        from_above=bool(rng.random() < (0.4 if hard else 0.03 if plain else 0.1)),
        dim=bool(rng.random() < (0.4 if hard else 0.05)),
        ground=str(rng.choice(["glass", "card", "paper"], p=[0.5, 0.3, 0.2])),
        # 0.21 wavelength over aperture is the spread of a sharp point; the eyepiece and phone add some.
        sharp_um=float(np.hypot(0.21 * 0.55 / _APERTURE[near], rng.uniform(0.35, 0.7) * scale)),
        defocus_um=float(rng.uniform(0, slack) * length),
        tilt_um=float(rng.uniform(0, slack) * length),
        contrast=float(rng.uniform(0.12 if hard else 0.18, 0.5)),
        length_um=length,
    )

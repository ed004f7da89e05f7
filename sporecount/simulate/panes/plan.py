"""What a photo is to show and how it is taken, drawn for each preset."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
APERTURES = {4.0: 0.10, 5.0: 0.12, 10.0: 0.25, 16.0: 0.32, 20.0: 0.40, 40.0: 0.65, 50.0: 0.75, 63.0: 0.85}
"""Numerical apertures of common school objectives (common practice)."""
CLUTTER = (
    "scale",
    "piece",
    "hair",
    "fibre",
    "mould",
    "conidia",
    "pollen",
    "dust",
    "droplet",
    "bubble",
    "ridge",
)


@dataclass(frozen=True)
class Plan:
    """Everything about a photo that is not a matter of single objects.

    Parameters
    ----------
    objective, aperture, um_per_px, field_mm : float
        `field_mm` is the diameter of the round view on the print.
    from_above, dim : bool
        Lit from above; too little light for the phone.
    base : str
        What carries the tape: "glass", "acetate" or "card".
    sharp_um : float
        Standard deviation of the blur in best focus.
    focus_um, tilt_um, bowl_um, wave_um : float
        Blur that defocus adds, signed by its side: at the centre, half the change across the photo, at the
        corners, and of a tape that is not flat. All are standard deviations.
    uneven_um : float
        Largest blur that an object's own height adds.
    oblique : float
        How far the condenser is off axis.
    spores : int
    clumps : (float, float)
        Share of spores in clumps and mean clump.
    press : float
        Least distance of neighbours in a clump over that of touching.
    density : (float, float)
        Range of the spores' mean optical density, green.
    number : dict of str to int
        Objects of each sort of `CLUTTER`.
    glue : float
        Strength of bubbles and ridges.
    """

    objective: float
    aperture: float
    um_per_px: float
    field_mm: float
    from_above: bool
    dim: bool
    base: str
    sharp_um: float
    focus_um: float
    tilt_um: float
    bowl_um: float
    wave_um: float
    uneven_um: float
    oblique: float
    spores: int
    clumps: tuple[float, float]
    press: float
    density: tuple[float, float]
    number: dict[str, int]
    glue: float


PER_MM2 = {
    # Objects of each sort a square millimetre: ordinary prints, and those of the hard preset.
    "scale": (45, 90),
    "piece": (35, 90),
    "hair": (5, 12),
    "fibre": (1.6, 7),
    "mould": (1.0, 3),
    "conidia": (1.5, 5),
    "pollen": (2.5, 5),
    "dust": (45, 110),
    "droplet": (9, 30),
    "bubble": (4, 22),
    "ridge": (1.5, 9),
}


def _scale(rng: np.random.Generator, objective: float, field_mm: float, width_px: int) -> float:
    """Give µm per px: zoomed in, or wide enough to show the rim of the round view."""
    wide = 1000 * field_mm / (width_px * rng.uniform(1.02, 1.3))
    near = float(np.exp(rng.uniform(np.log(5.0), np.log(11.0)))) / objective
    # A small picture of the whole view would show spores as dots: nobody counts on such a one.
    return wide if rng.random() < 0.2 and wide * objective < 17 else near


def _spores(rng: np.random.Generator, preset: str, area_mm2: float, crowded: bool, objective: float) -> int:
    if preset == "no_spores":
        return 0
    if preset == "heavy":
        return int(np.exp(rng.uniform(np.log(300), np.log(2000))))
    if preset == "scan_4x":
        load = rng.choice(["none", "light", "heavy"], p=[0.3, 0.25, 0.45])
        if load == "none":
            return 0
        per = np.exp(rng.uniform(*np.log([0.1, 0.9] if load == "light" else [8, 260])))
        return int(rng.poisson(per * area_mm2))
    if crowded:
        return int(rng.uniform(120, 380) * min(1, area_mm2 / 0.4))
    if preset == "ordinary" and rng.random() < 0.08:
        return 0
    middle = {"good_focus": 32, "ordinary": 26, "hard": 30}[preset] * (0.45 if objective >= 30 else 1)
    return int(np.clip(rng.lognormal(np.log(middle), 0.75), 1, 220))


def draw_plan(
    rng: np.random.Generator,
    shape: tuple[int, int],
    um_per_px: float | None,
    objective: float | None,
    preset: str,
) -> Plan:
    """Draw the plan of a photo of `shape` (rows, columns); what is None is drawn too."""
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    if objective is None:
        some = {"good_focus": [10.0], "heavy": [10.0], "scan_4x": [4.0]}
        objective = float(rng.choice(some.get(preset, [10.0, 10.0, 10.0, 40.0])))
    aperture = APERTURES.get(objective, float(np.clip(0.03 * objective**0.85, 0.08, 0.9)))
    field_mm = float(rng.choice([18.0, 18.0, 20.0, 22.0])) / objective * rng.uniform(0.985, 1.015)
    um_per_px = _scale(rng, objective, field_mm, shape[1]) if um_per_px is None else float(um_per_px)
    area = shape[0] * shape[1] * um_per_px**2 / 1e6
    hard, good, scan = preset == "hard", preset == "good_focus", preset == "scan_4x"
    trouble = (
        rng.choice(["crowded", "dim", "above", "focus", "glue", "fibres"], 2, replace=False) if hard else ()
    )
    dim, above, crowded = ("dim" in trouble), ("above" in trouble), ("crowded" in trouble)
    base = str(rng.choice(["glass", "acetate", "card"], p=[0.5, 0.35, 0.15] if good else [0.35, 0.3, 0.35]))
    # The smallest resolved blur is the Airy disc's, 0.225 λ/NA at λ 0.55 µm, made worse by glass and phone.
    sharp = float(np.hypot(0.225 * 0.55 / aperture * rng.uniform(1.1, 1.5), 0.4 * um_per_px))
    loose = 0.25 if good else 1.7 if "focus" in trouble else 1.1 if hard else 0.8
    number = {}
    for name, (ordinary, many) in PER_MM2.items():
        middle = many if hard else ordinary * (0.6 if good else 0.35 if scan else 1.0)
        middle *= 2 if f"{name}s" in trouble or ("glue" in trouble and name in ("bubble", "ridge")) else 1
        least = 1 if preset == "no_spores" and name != "mould" else 0
        number[name] = max(least, int(rng.poisson(area * middle * rng.lognormal(0, 0.45))))
    # A field at high power is chosen where there is something to see.
    if objective >= 30 and number["scale"] == 0:
        number["scale"] = int(rng.integers(1, 4))
    clumps = (rng.uniform(0, 0.45), rng.uniform(2, 4.5))
    if preset == "heavy" or crowded:
        clumps = (rng.uniform(0.55, 0.9), np.exp(rng.uniform(np.log(5), np.log(45))))
    return Plan(
        objective=objective,
        aperture=aperture,
        um_per_px=um_per_px,
        field_mm=field_mm,
        from_above=above,
        dim=dim,
        base=base,
        sharp_um=sharp,
        focus_um=loose * rng.standard_normal() * 0.8,
        tilt_um=loose * abs(rng.standard_normal()) * 0.8,
        bowl_um=0.4 * loose * rng.standard_normal(),
        wave_um=0.35 * loose * rng.random(),
        uneven_um=0.5 * (0.5 + loose) * (1.4 if objective >= 30 else 0.8),
        oblique=rng.uniform(0, 0.35),
        spores=_spores(rng, preset, area, crowded, objective),
        clumps=(float(clumps[0]), float(clumps[1])),
        press=rng.uniform(0.82, 0.97),
        density=(0.1, 0.26) if hard else (0.12, 0.32),
        number=number,
        glue=rng.uniform(0.7, 1.6) if "glue" in trouble else rng.uniform(0.3, 1.0),
    )

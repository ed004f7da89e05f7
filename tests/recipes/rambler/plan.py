"""The choices of one photo, drawn afresh: view, light, focus, how full it is, how spores and scales look."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
UM_PER_PX = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
APERTURE = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
"""Numerical aperture of the usual objectives (common practice)."""
USUAL_VIEW_UM2 = 380_000.0
"""What a photo at 10x shows; counts are meant for such a view."""

PAPERS = {
    "glass": (0.97, 0.97, 0.97),
    "card": (0.93, 0.92, 0.89),
    "cream": (0.92, 0.86, 0.72),
    "grey": (0.62, 0.62, 0.62),
    "kraft": (0.66, 0.50, 0.34),
}
TEXTURES = ("none", "fine grain", "felt", "fibrous", "gridded", "mottled")
SPORE_INKS = {
    "straw": (0.85, 0.74, 0.48),
    "tan": (0.78, 0.64, 0.44),
    "amber": (0.75, 0.47, 0.15),
    "orange": (0.82, 0.50, 0.18),
    "brown": (0.50, 0.31, 0.15),
    "olive": (0.55, 0.49, 0.26),
    "grey-brown": (0.50, 0.46, 0.41),
    "chocolate": (0.24, 0.15, 0.09),
}
LIGHTS = ("white lamp", "warm lamp", "oblique", "top")


@dataclass(frozen=True)
class SporeLook:
    """How the spores of one photo are drawn; densities are decadic and of the mean of red, green and blue."""

    length_um: float
    spread: float
    aspect: float
    pointed: float
    jitter: float
    ink: str
    density: float
    unevenness: float
    gradient: float
    edge: float
    edge_width: float
    spot: float
    opacity: float


@dataclass(frozen=True)
class Plan:
    """All choices of one photo that more than one part of the drawing needs."""

    preset: str
    objective: float
    um_per_px: float
    width_px: int
    height_px: int
    light: str
    blend: str
    paper: str
    texture: str
    texture_strength: float
    exposure: float
    defocus_um: float
    tilt_um: float
    crowd: float
    singles: int
    clumps: tuple[int, ...]
    scale_look: str
    spore: SporeLook

    @property
    def area_um2(self) -> float:
        """Area of the view."""
        return self.width_px * self.height_px * self.um_per_px**2

    @property
    def share(self) -> float:
        """How much of a usual view this one shows, 1 at most by which counts grow."""
        return min(1.0, self.area_um2 / USUAL_VIEW_UM2)


def draw_plan(
    rng: Generator,
    width_px: int,
    height_px: int,
    um_per_px: float | None,
    objective: float | None,
    preset: str,
) -> Plan:
    """Draw the choices of one photo."""
    if objective is None:
        objective = {"good_focus": 10.0, "heavy": 10.0, "scan_4x": 4.0}.get(preset)
    if objective is None:
        objective = float(rng.choice((10.0, 20.0, 40.0), p=(0.6, 0.25, 0.15)))
    nearest = min(UM_PER_PX, key=lambda known: abs(np.log(known / objective)))
    if um_per_px is None:
        low, high = np.log(UM_PER_PX[nearest])
        um_per_px = float(np.exp(rng.uniform(low, high)))
    hard = preset == "hard"
    light = str(rng.choice(LIGHTS, p=(0.2, 0.2, 0.2, 0.4) if hard else (0.4, 0.25, 0.15, 0.2)))
    shines_through = light in LIGHTS[:3]
    papers = ("glass", "card", "cream") if shines_through else ("card", "cream", "grey", "kraft")
    blend = "multiply" if rng.random() < (0.7 if shines_through else 0.2) else "alpha"
    share = min(1.0, width_px * height_px * um_per_px**2 / USUAL_VIEW_UM2)
    look = draw_spore_look(rng, hard)
    singles, clumps = _draw_counts(rng, preset, share)
    return Plan(
        preset=preset,
        objective=objective,
        um_per_px=um_per_px,
        width_px=width_px,
        height_px=height_px,
        light=light,
        blend=blend,
        paper=str(rng.choice(papers)),
        texture=str(rng.choice(TEXTURES)),
        texture_strength=float(rng.uniform(0.02, 0.09) * (1.5 if hard else 1.0)),
        exposure=float(rng.uniform(0.22, 0.6) if hard else rng.uniform(0.42, 0.82)),
        defocus_um=_draw_defocus(rng, preset),
        tilt_um=float(
            rng.uniform(0.5, 3.5) if hard else rng.uniform(0, 0.15 if preset == "good_focus" else 1.2)
        ),
        crowd=float(rng.uniform(0.8, 2.2) if hard else rng.uniform(0.15, 1.2)),
        singles=singles,
        clumps=clumps,
        scale_look=str(rng.choice(("stripes", "ribs", "noise", "flat"))),
        spore=look,
    )


def draw_spore_look(rng: Generator, hard: bool) -> SporeLook:
    """Draw how the spores of one photo look; few photos have very faint ones."""
    edge = float(rng.choice((0.0, rng.uniform(0.2, 0.6), rng.uniform(0.6, 1.3)), p=(0.25, 0.4, 0.35)))
    return SporeLook(
        length_um=float(rng.uniform(10.0, 15.5)),
        spread=float(rng.uniform(0.04, 0.09)),
        aspect=float(rng.uniform(1.4, 1.7)),
        pointed=float(rng.uniform(0, 1)),
        jitter=float(rng.uniform(0, 0.035)),
        ink=str(rng.choice(list(SPORE_INKS))),
        density=float(np.exp(rng.uniform(np.log(0.1 if hard else 0.15), np.log(0.7)))),
        unevenness=float(rng.uniform(0.06, 0.28)),
        gradient=float(
            rng.choice((0.0, rng.uniform(-0.5, -0.15), rng.uniform(0.15, 0.7)), p=(0.3, 0.3, 0.4))
        ),
        edge=edge,
        edge_width=float(rng.uniform(0.05, 0.14)),
        spot=float(rng.choice((0.0, rng.uniform(0.1, 0.5)))),
        opacity=float(rng.uniform(0.85, 1.0)),
    )


def _draw_defocus(rng: Generator, preset: str) -> float:
    if preset == "good_focus":
        return float(rng.uniform(-0.25, 0.25))
    if preset == "hard":
        return float(rng.uniform(-2.6, 2.6))
    return float(rng.uniform(-1.0, 1.0))


def _draw_counts(rng: Generator, preset: str, share: float) -> tuple[int, tuple[int, ...]]:
    """Draw how many spores lie scattered, and the sizes of the clumps."""
    if preset == "no_spores":
        return 0, ()
    if preset == "heavy":
        total = int(np.exp(rng.uniform(np.log(300), np.log(2000))) * share)
        sizes = [int(rng.integers(6, 12))]
        clumped = rng.uniform(0.3, 0.75) * total
        while sum(sizes) < clumped:
            sizes.append(int(np.clip(np.exp(rng.normal(1.6, 0.9)), 2, 60)))
        return max(3, total - sum(sizes)), tuple(sizes)
    low, high = {"good_focus": (5, 80), "hard": (5, 150), "ordinary": (0, 60), "scan_4x": (5, 120)}[preset]
    singles = round(rng.integers(low, high + 1) * share**0.75)
    clumps = rng.integers(2, 7, rng.poisson(0.06 * singles))
    return max(singles, 1 if low else 0), tuple(int(size) for size in clumps)

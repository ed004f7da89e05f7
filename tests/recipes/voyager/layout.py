"""Where things lie: features of the print draw drifts, heaps, rows and rings, and clumps grow in them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]


@dataclass(frozen=True)
class View:
    """The view in µm, from the centre of the first pixel."""

    width_um: float
    height_um: float

    def holds(self, points: Points, margin_um: float = 0.0) -> NDArray[np.bool_]:
        """Tell which points lie in the view, or up to a margin outside it."""
        x, y = points[..., 0], points[..., 1]
        low, right, down = -margin_um, self.width_um + margin_um, self.height_um + margin_um
        return (x > low) & (x < right) & (y > low) & (y < down)

    def anywhere(self, rng: np.random.Generator, n: int, margin_um: float = 0.0) -> Points:
        """Draw even places."""
        sides = np.array([self.width_um, self.height_um])
        return rng.uniform(-margin_um, sides + margin_um, (n, 2))


@dataclass(frozen=True)
class Feature:
    """A line on the print where things gather, as points 1.5 µm apart or so, and how widely they scatter."""

    kind: str
    path_um: Points
    spread_um: float


@dataclass(frozen=True)
class SporePlan:
    """Where a spore lies, its size, and what lies above it (`depth` below 1: under the scales)."""

    x_um: float
    y_um: float
    length_um: float
    width_um: float
    angle_deg: float
    depth: float


def glue_ridge(rng: np.random.Generator, view: View) -> Feature:
    """Wavy line of squeezed glue across the view."""
    centre, turn = view.anywhere(rng, 1)[0], rng.uniform(0, np.pi)
    reach = np.hypot(view.width_um, view.height_um)
    t = np.arange(-reach, reach, 1.5)
    wave_um = rng.uniform(60, 300)
    off = rng.uniform(0.05, 0.2) * wave_um * np.sin(2 * np.pi * t / wave_um + rng.uniform(0, 6.3))
    way, side = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    return Feature("ridge", centre + t[:, None] * way + off[:, None] * side, float(rng.uniform(2, 12)))


def tape_edge(rng: np.random.Generator, view: View) -> Feature:
    """Straight edge of the tape near a rim of the view."""
    reach = view.width_um + view.height_um
    t = np.arange(-reach, reach, 1.5)
    upright = rng.random() < 0.5
    across = (view.width_um if upright else view.height_um) * rng.choice(
        [0.06, 0.94, 0.5], p=[0.45, 0.45, 0.1]
    )
    slope = rng.normal(0, 0.04)
    path = np.column_stack([t, across + slope * t])
    return Feature("edge", path[:, ::-1] if upright else path, float(rng.uniform(1, 6)))


def outline(kind: str, x_um: float, y_um: float, axes_um: tuple[float, float], turn_deg: float) -> Feature:
    """Ring round a bubble or a scale."""
    t = np.linspace(0, 2 * np.pi, max(12, int(sum(axes_um) * 2)), endpoint=False)
    u, v = axes_um[0] * np.cos(t), axes_um[1] * np.sin(t)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    spread_um = 2.0 if kind == "ring" else 4.0
    return Feature(kind, np.column_stack([x_um + c * u - s * v, y_um + s * u + c * v]), spread_um)


def drift(rng: np.random.Generator, view: View, features: list[Feature], n: int) -> Points:
    """Draw places of one drift: along a stretch of a feature, or a loose swarm on open ground."""
    seen = [f for f in features if view.holds(f.path_um).any()]
    if not seen or rng.random() < 0.25:
        centre = view.anywhere(rng, 1)
        return centre + rng.standard_t(2.5, (n, 2)) * rng.uniform(8, 40)
    feature = seen[int(rng.integers(len(seen)))]
    start = rng.choice(np.flatnonzero(view.holds(feature.path_um)))
    steps = start + np.cumsum(rng.exponential(rng.uniform(4, 25), n)).astype(int)
    return feature.path_um[steps % len(feature.path_um)] + rng.normal(0, feature.spread_um, (n, 2))


def _clump_size(rng: np.random.Generator, heavy: bool) -> int:
    """Most are single; sizes have a long tail."""
    if rng.random() < (0.35 if heavy else 0.7):
        return 1
    tail = rng.pareto(1.1 if heavy else 1.9)
    return int(min(2 + tail * (2.2 if heavy else 0.8), 60 if heavy else 9))


def _touch_um(plan: NDArray[np.float64], way: float) -> float:
    """Half a spore's extent in a direction."""
    turn = way - np.radians(plan[4])
    a, b = plan[2] / 2, plan[3] / 2
    return float(a * b / np.hypot(b * np.cos(turn), a * np.sin(turn)))


def settle_spores(
    rng: np.random.Generator, view: View, features: list[Feature], n: int, heavy: bool
) -> list[SporePlan]:
    """Lay out `n` spores (fewer where the view is full) in drifts of clumps."""
    mean_um, spread = rng.uniform(9.6, 15.2), rng.uniform(0.04, 0.09)
    aspect, under_share = rng.uniform(1.38, 1.68), rng.uniform(0.02, 0.15)
    laid = np.zeros((0, 5))
    depths: list[float] = []
    for _ in range(40 + n):
        if len(laid) >= n:
            break
        for place in drift(rng, view, features, int(rng.integers(1, 9 if heavy else 5))):
            size = min(_clump_size(rng, heavy), n - len(laid))
            clump: list[NDArray[np.float64]] = []
            depth = float(rng.uniform(0, 0.9) if rng.random() < under_share else rng.uniform(1.4, 1.9))
            tight = rng.uniform(0.82, 1.06)
            for _ in range(size * 4):
                if len(clump) == size:
                    break
                length_um = float(np.clip(rng.normal(mean_um, spread * mean_um), 8.6, 17.4))
                ratio = float(np.clip(rng.normal(aspect, 0.07), 1.3, 1.8))
                new = np.array([*place, length_um, length_um / ratio, rng.uniform(0, 180)])
                if clump:
                    host, way = clump[int(rng.integers(len(clump)))], rng.uniform(0, 2 * np.pi)
                    if rng.random() < 0.35:
                        # side by side, as grains settle
                        new[4] = (host[4] + rng.normal(0, 14)) % 180
                        way = np.radians(host[4] + rng.choice([-90, 90]) + rng.normal(0, 20))
                    apart = tight * (_touch_um(host, way) + _touch_um(new, way))
                    new[:2] = host[:2] + apart * np.array([np.cos(way), np.sin(way)])
                near = np.hypot(*(laid[:, :2] - new[:2]).T)
                beside = [float(np.hypot(*(c[:2] - new[:2]))) for c in clump]
                closest = min([float(near.min(initial=1e9)), *beside]) / new[3]
                if view.holds(new[:2], 2.0) and closest > (0.85 if rng.random() < 0.9 else 0.5):
                    clump.append(new)
                    depths.append(depth)
                elif not clump:
                    break
            if clump:
                laid = np.vstack([laid, *clump])
    return [SporePlan(*row) for row in np.column_stack([laid, depths]).tolist()]

"""What a photo is to show: scale, focus, light, how many of everything, and where the spores sit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.waves.bodies import SporeLook
from sporecount.simulate.waves.optics import Optics
from sporecount.simulate.waves.scene import Tilt

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
_APERTURE = {4.0: 0.1, 10.0: 0.25, 20.0: 0.4, 40.0: 0.62}
_PX_UM = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
SMALL = ("piece", "dust", "pollen", "droplet", "mould", "stub")
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Plan:
    """A photo before it is drawn."""

    px_um: float
    objective: float
    optics: Optics
    tilt: Tilt
    sheet_um: tuple[float, float, float]
    from_above: bool
    dim: bool
    rough: bool
    round_view: bool
    ground: str
    glue_slope: float
    things: dict[str, int]
    spores: int
    mean_group: float
    pressed: float
    spread: float
    beneath: float
    on_scales: float


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def draw_plan(
    rng: np.random.Generator,
    shape: tuple[int, int],
    px_um: float | None,
    objective: float | None,
    preset: str,
) -> Plan:
    """Draw what a photo of a preset shows."""
    if preset not in PRESETS:
        msg = f"preset must be one of {PRESETS}, got {preset!r}"
        raise ValueError(msg)
    if objective is None:
        several = {"ordinary": (0.5, 0.3, 0.2), "hard": (0.8, 0.2, 0), "no_spores": (0.7, 0.2, 0.1)}
        drawn = float(rng.choice([10, 20, 40], p=several.get(preset, (1, 0, 0))))
        objective = 4.0 if preset == "scan_4x" else drawn
    nearest = min(_APERTURE, key=lambda one: abs(np.log(one / objective)))
    aperture = _APERTURE[nearest] * float(rng.uniform(0.85, 1.1))
    px = px_um if px_um is not None else _log(rng, *_PX_UM[nearest])
    rough = preset == "hard" or (preset == "ordinary" and rng.random() < 0.3)
    optics = Optics(
        aperture=aperture,
        coherence=float(rng.uniform(0.25, 0.95)),
        soft_um=float(np.hypot(px * rng.uniform(0.35, 0.8), rng.uniform(0.0, 0.35) * 0.3 / aperture * 0.5)),
        spherical=float(rng.normal(0, 0.12)),
        lamp_turn=float(rng.uniform(0, 1)),
    )
    unit = max(optics.depth_of_field_um, 2.2)
    calm = {"good_focus": 0.22, "ordinary": 0.75, "hard": 0.9, "no_spores": 0.5}.get(preset, 0.3)
    way = rng.uniform(0, 2 * np.pi)
    lean = abs(rng.normal(0, calm)) * unit * (1 if rng.random() < 0.7 else 0.2)
    tilt = Tilt(
        focus_um=float(rng.normal(0, calm) * unit),
        slope=(float(lean * np.cos(way)), float(lean * np.sin(way))),
        bow_um=float(rng.normal(0, 0.3 * calm) * unit),
    )
    round_view = bool(rng.random() < 0.18)
    area_mm2 = shape[0] * shape[1] * px * px / 1e6
    area_px = shape[0] * shape[1] / 1e6
    dirt = _log(rng, 0.4, 2.5) * (2 if preset == "hard" else 1)

    def some(per_mm2: float, per_view: float = 0.0) -> int:
        return int(rng.poisson(min(dirt * _log(rng, 0.35, 2.2) * (per_mm2 * area_mm2 + per_view), 260)))

    things = {
        "scale": some(22, 0.6), "piece": some(25, 1.5), "dust": some(60, 4), "pollen": some(3, 0.4),
        "droplet": some(10, 0.7), "mould": some(10, 0.6), "stub": some(6, 0.4), "hair": some(3, 0.5),
        "fibre": some(1.5, 0.4), "bubble": some(6, 0.7), "thread": some(2, 0.2),
    }  # fmt: skip
    if preset == "good_focus":
        things["scale"] = min(things["scale"], round(2 + 28 * area_mm2))
    if preset == "no_spores":
        lures = rng.choice(
            ["piece", "dust", "pollen", "droplet", "mould", "stub", "bubble"], 4, replace=False
        )
        for name in things:
            if name not in ("scale", "hair", "fibre"):
                things[name] += int(rng.poisson(14 if name in lures else 2.5))
        things["fibre"] += int(rng.integers(1, 5))
    if preset == "hard":
        things["fibre"] += int(rng.integers(3, 12))
        things["bubble"] += int(rng.poisson(4))
    if preset == "heavy":
        things["scale"] += int(rng.poisson(3 + 25 * area_mm2 * rng.random()))
    spores, group = 0, 1.2
    # A spore is about 80 µm² large; more than about half of the view covered by them is sludge.
    room = 0.5 * area_mm2 * 1e6 / 80
    if preset == "good_focus":
        spores, group = round(_log(rng, 5, 80)), float(rng.uniform(1.0, 1.6))
        spores = max(8, min(spores, round(0.25 * room)))
    elif preset == "ordinary":
        spores, group = (
            round(min(rng.uniform(0, 150) * rng.random(), 0.5 * room)),
            float(rng.uniform(1.0, 3.5)),
        )
    elif preset == "hard":
        spores, group = round(min(_log(rng, 20, 500) * area_px, 0.6 * room)) + 4, float(rng.uniform(1.2, 7))
    elif preset == "heavy":
        spores, group = round(min(rng.uniform(300, 2000) * area_px, room)), float(rng.uniform(2.5, 14))
    elif preset == "scan_4x":
        full = rng.random() < 0.5
        spores = round(min(_log(rng, 160, 1800), room)) if full else int(rng.integers(0, 9))
        group = float(rng.uniform(1.5, 8)) if full else 1.1
    rough_glue = 2.5 if preset == "hard" else 1.0
    # About half of the photo is black surround.
    spores = round(1.8 * spores) if round_view and preset == "good_focus" else spores
    return Plan(
        px_um=px,
        objective=float(objective),
        optics=optics,
        tilt=tilt,
        sheet_um=(
            -float(rng.uniform(10, 90)),
            float(rng.normal(0, 0.15) * unit),
            float(rng.normal(0, 0.7) * unit),
        ),
        from_above=bool(rng.random() < {"hard": 0.4, "ordinary": 0.12, "no_spores": 0.15}.get(preset, 0.05)),
        dim=bool(rng.random() < (0.45 if preset == "hard" else 0.07)),
        rough=rough,
        round_view=round_view,
        ground=str(rng.choice(["glass", "card", "paper"], p=[0.5, 0.33, 0.17])),
        glue_slope=min(_log(rng, 0.0008, 0.016) * rough_glue * (1 if rng.random() < 0.8 else 2), 0.045),
        things=things,
        spores=spores,
        mean_group=group,
        pressed=float(rng.uniform(0.0, 0.16) if rng.random() < 0.6 else rng.uniform(0.1, 0.45)),
        spread=float(rng.uniform(0.55, 1.0)),
        beneath=float(rng.uniform(0, 0.2)),
        on_scales=float(rng.uniform(0.05, 0.4)),
    )


def reach(length: Array, width: Array, point: float, turn: Array) -> Array:
    """Distance from a lemon's middle to its outline, in a direction `turn` from its long axis."""
    a, b = length / 2, width / 2
    c, s = np.abs(np.cos(turn)), np.abs(np.sin(turn))
    out = a * b / np.hypot(b * c, a * s)
    # Halving brings the ellipse's distance onto the lemon, which lies within it.
    low, high = np.zeros_like(out), 1.02 * out
    for _ in range(12):
        mid = 0.5 * (low + high)
        inside = mid * s < b * np.maximum(1 - (mid * c / a) ** 2, 0) ** point
        low, high = np.where(inside, mid, low), np.where(inside, high, mid)
    return 0.5 * (low + high)


@dataclass(frozen=True)
class Seats:
    """Spores of a photo: places in pixels, sizes in µm, angles in radians."""

    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    length_um: NDArray[np.float64]
    width_um: NDArray[np.float64]
    angle: NDArray[np.float64]


def seat(
    rng: np.random.Generator, plan: Plan, look: SporeLook, shape: tuple[int, int], scales: NDArray[np.float64]
) -> Seats:
    """Seat the spores: single ones and groups that grow member by member, some of them on scales.

    Parameters
    ----------
    scales : ndarray of shape (n, 5)
        Centre in pixels, length and width in µm, angle of each scale.
    """
    n = plan.spores
    length = np.clip(look.length_um * np.exp(rng.normal(0, look.spread, n)), 8.5, 17.0)
    width = length / np.clip(look.aspect * np.exp(rng.normal(0, 0.035, n)), 1.3, 1.8)
    angle = rng.uniform(0, np.pi, n)
    x, y = rng.uniform(-4, shape[1] + 4, n), rng.uniform(-4, shape[0] + 4, n)
    on = rng.random(n) < (plan.on_scales if len(scales) else 0)
    if on.any():
        host = scales[rng.integers(len(scales), size=int(on.sum()))]
        u, v = rng.uniform(-0.4, 0.4, (2, len(host))) * host[:, 2:4].T / plan.px_um
        x[on] = host[:, 0] + u * np.cos(host[:, 4]) - v * np.sin(host[:, 4])
        y[on] = host[:, 1] + u * np.sin(host[:, 4]) + v * np.cos(host[:, 4])
    heap: list[int] = []
    target = 1
    for k in range(n):
        if len(heap) >= target:
            heap, target = [], 1 if rng.random() < 0.35 else int(rng.geometric(1 / plan.mean_group))
        if heap:
            # Members come mostly beside late ones: chains and ragged rafts instead of round heaps.
            host_k = heap[int(len(heap) * rng.random() ** 0.7)]
            if rng.random() < 0.4:
                angle[k] = (angle[host_k] + rng.normal(0, 0.2)) % np.pi
            ways = rng.uniform(0, 2 * np.pi, 6)
            far = np.zeros(6)
            for j in (k, host_k):
                far += reach(np.full(6, length[j]), np.full(6, width[j]), look.point, ways - angle[j])
            far *= 1 - abs(rng.normal(0, 1)) * plan.pressed if rng.random() < 0.8 else 1.05
            far = np.maximum(far, 0.25 * length[k]) / plan.px_um
            x_try, y_try = x[host_k] + far * np.cos(ways), y[host_k] + far * np.sin(ways)
            others = [j for j in heap if j != host_k]
            # Pressed flat under the tape, spores spread: the roomiest of some places, but not always.
            space = np.hypot(x_try[:, None] - x[others], y_try[:, None] - y[others]).min(
                axis=1, initial=np.inf
            )
            roomiest = int(np.argmax(np.minimum(space, 0.9 * length[k] / plan.px_um)))
            best = roomiest if rng.random() < plan.spread else 0
            x[k], y[k] = x_try[best], y_try[best]
        heap.append(k)
    order = rng.permutation(n)
    return Seats(x[order], y[order], length[order], width[order], angle[order])


def touching(seats: Seats, px_um: float, point: float) -> NDArray[np.int64]:
    """Size of each spore's touching group."""
    n = len(seats.x_px)
    if n == 0:
        return np.zeros(0, np.int64)
    places = np.stack([seats.x_px, seats.y_px], axis=1) * px_um
    pairs = cKDTree(places).query_pairs(float(seats.length_um.max()) + 0.5, output_type="ndarray")
    i, j = pairs[:, 0], pairs[:, 1]
    apart = places[j] - places[i]
    way = np.arctan2(apart[:, 1], apart[:, 0])
    out = [reach(seats.length_um[k], seats.width_um[k], point, way - seats.angle[k]) for k in (i, j)]
    near = np.hypot(*apart.T) <= out[0] + out[1] + 0.4
    graph = coo_array((np.ones(int(near.sum())), (i[near], j[near])), shape=(n, n))
    label = connected_components(graph, directed=False)[1]
    return np.asarray(np.bincount(label)[label])

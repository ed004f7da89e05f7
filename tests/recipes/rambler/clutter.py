"""Long and thin things: hairs, paper fibres, mould threads, scratches, ink and ruled lines."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.interpolate import make_interp_spline

from tests.recipes.rambler.canvas import Canvas, stroke_patch
from tests.recipes.rambler.plan import USUAL_VIEW_UM2, Plan


def draw_lines(rng: Generator, canvas: Canvas, plan: Plan, part: float) -> None:
    """Draw a part of the photo's long things; called below and above the spores."""
    hard = 2.0 if plan.preset == "hard" else 1.0
    share = part * plan.crowd * max(plan.area_um2 / USUAL_VIEW_UM2, 0.15)
    many: tuple[tuple[Callable[[Generator, Canvas, Plan], None], float], ...] = (
        (_hair, 2.0),
        (_fibre, 2.5 * hard if plan.paper != "glass" else 0.8),
        (_thread, 0.8),
        (_scratch, 0.8 if plan.paper == "glass" else 0.3),
        (_ink, 0.12),
    )
    for draw, mean in many:
        for _ in range(min(int(rng.poisson(rng.uniform(0, 2) * mean * share)), 25)):
            draw(rng, canvas, plan)


def _wandering(
    rng: Generator, plan: Plan, long_um: float, bend: float, steps: int = 24
) -> NDArray[np.float64]:
    """A line through a random place whose heading drifts."""
    heading = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, bend, steps))
    steps_px = np.stack([np.cos(heading), np.sin(heading)], axis=1) * long_um / steps / plan.um_per_px
    points = np.cumsum(steps_px, axis=0)
    middle = rng.uniform(0, 1, 2) * (plan.width_px, plan.height_px)
    return np.asarray(points - points[steps // 2] + middle)


def _rounded(points: NDArray[np.float64], count: int = 48) -> NDArray[np.float64]:
    """Run a cubic through the points."""
    spline = make_interp_spline(np.linspace(0, 1, len(points)), points, k=3)
    return np.asarray(spline(np.linspace(0, 1, count)))


def _tube(
    canvas: Canvas,
    points: NDArray[np.float64],
    thick_px: NDArray[np.float64],
    colours: tuple[NDArray[np.float64], NDArray[np.float64]],
    kind: str,
    opacity: float,
) -> None:
    """Draw a line with dark sides and a paler core."""
    for share, colour in zip((1.0, 0.45), colours, strict=True):
        patch = stroke_patch(points, thick_px * share, canvas.shape)
        if patch is not None:
            canvas.paste(patch, tuple(colour), kind, opacity=opacity, hides=opacity > 0.6)


def _hair(rng: Generator, canvas: Canvas, plan: Plan) -> None:
    """A body hair: nearly straight, dark to amber, thinner towards its tip."""
    points = _rounded(_wandering(rng, plan, rng.uniform(120, 700), 0.05, 6))
    thick = np.maximum(rng.uniform(2.5, 8) * np.linspace(1, 0.3, len(points)) / plan.um_per_px, 0.5)
    tone = np.array([0.5, 0.34, 0.2]) * rng.uniform(0.2, 1.3)
    _tube(canvas, points, thick, (tone * 0.7, np.minimum(tone * rng.uniform(1, 1.8), 0.95)), "hair", 0.95)


def _fibre(rng: Generator, canvas: Canvas, plan: Plan) -> None:
    """A paper fibre: curled, wide, hardly darker than the ground, with dark sides."""
    points = _rounded(_wandering(rng, plan, rng.uniform(200, 1200), 0.28))
    wobble = 1 + 0.25 * np.sin(np.linspace(0, rng.uniform(5, 25), len(points)))
    thick = np.maximum(rng.uniform(6, 22) * wobble / plan.um_per_px, 0.7)
    tone = rng.uniform(0.6, 1.0) * np.array([1.0, rng.uniform(0.9, 1), rng.uniform(0.75, 1)])
    opacity = float(rng.uniform(0.35, 0.95))
    _tube(
        canvas, points, thick, (tone * rng.uniform(0.6, 0.9), np.minimum(tone * 1.1, 1.0)), "fibre", opacity
    )


def _thread(rng: Generator, canvas: Canvas, plan: Plan) -> None:
    """A mould thread with side branches, thin and pale brown."""
    tone = np.array([0.72, 0.64, 0.5]) * rng.uniform(0.5, 1.15)
    stem = _wandering(rng, plan, rng.uniform(100, 400), 0.25, 40)
    lines = [stem]
    for start in rng.choice(40, rng.integers(0, 4), replace=False):
        branch = _wandering(rng, plan, rng.uniform(30, 120), 0.25, 20)
        lines.append(branch - branch[0] + stem[start])
    thick = max(rng.uniform(1.5, 4) / plan.um_per_px, 0.5)
    for line in lines:
        patch = stroke_patch(line, thick, canvas.shape)
        if patch is not None:
            canvas.paste(patch, tuple(tone), "other", opacity=0.85, hides=False)


def _scratch(rng: Generator, canvas: Canvas, plan: Plan) -> None:
    """A straight fine line, brighter or darker than the ground."""
    points = _wandering(rng, plan, rng.uniform(100, 1500), 0.01, 8)
    patch = stroke_patch(points, max(rng.uniform(0.6, 2.5) / plan.um_per_px, 0.5), canvas.shape)
    if patch is not None:
        tone = float(rng.choice((rng.uniform(0.5, 0.85), rng.uniform(1.05, 1.3))))
        canvas.paste(patch, (tone, tone, tone), "other", opacity=0.8, hides=False, filters=True)


def _ink(rng: Generator, canvas: Canvas, plan: Plan) -> None:
    """A stroke of a pen, or a ruled line right across the view."""
    inks = ((0.12, 0.12, 0.14), (0.2, 0.25, 0.6), (0.6, 0.72, 0.88), (0.75, 0.3, 0.3))
    ink = inks[rng.integers(len(inks))]
    ruled = rng.random() < 0.5
    points = (
        _wandering(rng, plan, 6000, 0.0, 3) if ruled else _wandering(rng, plan, rng.uniform(300, 1500), 0.12)
    )
    patch = stroke_patch(points, max(rng.uniform(15, 90) / plan.um_per_px, 1.0), canvas.shape)
    if patch is not None:
        canvas.paste(patch, ink, "other", opacity=float(rng.uniform(0.5, 0.95)), hides=False)

"""Draw one simulated photo in the layered style, with its truth."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import cv2
import numpy as np
from scipy.spatial import cKDTree

from sporecount.simulate.layered import (
    backdrop,
    camera,
    colours,
    debris,
    oddments,
    scales,
    small,
    spores,
    threads,
    truths,
)
from sporecount.simulate.layered.canvas import LUMA, Canvas
from sporecount.simulate.layered.recipe import Recipe, random_recipe
from sporecount.simulate.truth import SimulatedPhoto

MOST_SPORES = 2500


def draw_photo(
    rng: np.random.Generator,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str = "ordinary",
) -> SimulatedPhoto:
    """Paint a simulated eyepiece photo of a tape print, every part drawn anew.

    Shapes are laid over one another from back to front; nothing is modelled, everything is varied.

    Parameters
    ----------
    rng : numpy.random.Generator
        The same state gives the same photo.
    width_px, height_px : int
        Size of the photo, at least 64.
    um_per_px : float, optional
        Scale of the photo, 0.05 to 5; drawn to suit the objective when left out.
    objective : float, optional
        Magnification; drawn, or guessed from `um_per_px`, when left out.
    preset : str
        "ordinary", "good_focus", "hard", "no_spores", "heavy" or "scan_4x".

    Returns
    -------
    SimulatedPhoto

    Raises
    ------
    ValueError
        For an unknown preset, or a size or scale out of range.
    """
    if min(width_px, height_px) < 64:
        raise ValueError(f"width_px and height_px must be at least 64; got {width_px} and {height_px}")
    recipe = random_recipe(rng, preset, um_per_px, objective)
    finer = recipe.supersample / recipe.camera.zoom
    shape = (round(height_px * finer), round(width_px * finer))
    px_um = recipe.um_per_px * height_px / shape[0]
    light = colours.light_colour(rng, recipe.brightness)
    inside = camera.view_mask(rng, recipe.camera.round_view, shape)
    rgb, kinds = backdrop.draw_backdrop(
        rng, recipe.backdrop, shape, px_um, light, recipe.from_below, recipe.texture
    )
    canvas = Canvas(rgb, px_um, inside > 0)
    canvas.kind[:] = kinds
    look = spores.random_look(rng, light, recipe.from_below)
    placed, drawn, whole_scales = _paint_all(rng, canvas, recipe, look, light)

    sigma_um = camera.blur_field(rng, recipe.camera, shape)
    scene = camera.blur(canvas.rgb, sigma_um / np.float32(px_um), recipe.camera.kernel)
    scene = _shaken(rng, scene, recipe.camera.motion / px_um)
    lit = camera.light_field(rng, recipe.camera, inside)
    scene = camera.shift_colours(rng, scene * lit, recipe.camera.colour_shift)
    sensor = (round(height_px / recipe.camera.zoom), round(width_px / recipe.camera.zoom))
    scene = cv2.resize(scene, sensor[::-1], interpolation=cv2.INTER_AREA)
    picture = camera.develop(rng, scene, recipe.camera, (height_px, width_px))

    shown = truths.stand_out(np.log10(np.clip(scene @ LUMA, 2e-3, 1.0)), placed, canvas.size_um)
    found = truths.truths_of(canvas, recipe, placed, drawn, shown, sigma_um, picture)
    return SimulatedPhoto(
        rgb=picture,
        um_per_px=recipe.um_per_px,
        objective=recipe.objective,
        spores=found,
        kind_map=_at_photo_pixels(canvas.kind, (height_px, width_px)),
        scales=whole_scales,
        notes=_notes(recipe, look, preset, sigma_um),
    )


def _paint_all(
    rng: np.random.Generator, canvas: Canvas, recipe: Recipe, look: spores.SporeLook, light: np.ndarray
) -> tuple[list[spores.Placed], list[tuple[float, float]], int]:
    """Lay everything in random order of height; give the spores, their (contrast, area), and whole scales."""
    width_um, height_um = canvas.size_um
    area_mm2 = width_um * height_um / 1e6
    jobs: list[tuple[float, Callable[[], object]]] = []

    def anywhere() -> tuple[float, float]:
        return float(rng.uniform(0, width_um)), float(rng.uniform(0, height_um))

    sorts = [scales.random_look(rng, canvas.px_um) for _ in range(recipe.scale_sorts)]
    mean_area = float(np.mean([s.length * s.width * 0.75 for s in sorts]))
    lean, disorder = rng.uniform(0, 2 * np.pi), rng.choice([0.3, 3.0])
    resting: list[tuple[float, float, float]] = []
    whole = [0]

    def add_scale(sort: scales.ScaleLook, x: float, y: float, angle: float) -> None:
        whole[0] += scales.draw_scale(rng, canvas, sort, x, y, angle, light, recipe.from_below)

    for _ in range(min(900, rng.poisson(recipe.scale_share * area_mm2 * 1e6 / mean_area))):
        sort, (x, y) = sorts[int(rng.integers(len(sorts)))], anywhere()
        resting.append((x, y, 0.5 * sort.width))
        angle = lean + rng.normal(0, disorder)
        jobs.append((rng.uniform(0.2, 0.6), partial(add_scale, sort, x, y, angle)))

    roomy_mm2 = area_mm2 / (1.0 + area_mm2 / 2.5) + 0.025
    for _ in range(min(400, rng.poisson(recipe.pieces * roomy_mm2))):
        sort, (x, y) = sorts[int(rng.integers(len(sorts)))], anywhere()
        size = float(np.exp(rng.uniform(np.log(3.0), np.log(62.0))))
        if size > 2 * canvas.px_um:
            jobs.append(
                (
                    rng.uniform(0.2, 1.0),
                    partial(scales.draw_piece, rng, canvas, sort, x, y, size, light, recipe.from_below),
                )
            )
    painters = [
        sort(rng, canvas, light, look.length)
        for sort in (
            debris.GrainPainter,
            oddments.OddmentPainter,
            threads.ThreadPainter,
        )
    ]
    small_ones = small.SmallPainter(rng, canvas, light, look.length)
    small_ones.grey_photo = recipe.camera.saturation < 0.3
    for name, per_mm2 in recipe.debris.items():
        draw = getattr(next(p for p in (*painters, small_ones) if hasattr(p, name)), name)
        depth = (0.0, 0.3) if name in ("stain", "ink", "lettering") else (0.15, 1.0)
        for _ in range(min(250, rng.poisson(per_mm2 * roomy_mm2))):
            x, y = anywhere()
            jobs.append((rng.uniform(*depth), partial(draw, x, y)))

    placed = _place_spores(rng, canvas, recipe, look, resting)
    drawn = [(0.0, 1.0)] * len(placed)

    def add_spore(number: int) -> None:
        drawn[number] = spores.draw_spore(rng, canvas, look, placed[number], number, light)

    height = 0.0
    for number in range(len(placed)):
        if (
            number == 0
            or np.hypot(placed[number].x - placed[number - 1].x, placed[number].y - placed[number - 1].y) > 40
        ):
            height = rng.uniform(0.05, 0.2) if rng.random() < recipe.under_share else rng.uniform(0.55, 0.97)
        jobs.append((height + number * 1e-6, partial(add_spore, number)))
    for _, job in sorted(jobs, key=lambda item: item[0]):
        job()
    return placed, drawn, whole[0]


def _place_spores(
    rng: np.random.Generator,
    canvas: Canvas,
    recipe: Recipe,
    look: spores.SporeLook,
    resting: list[tuple[float, float, float]],
) -> list[spores.Placed]:
    """Places of all spores: single, in chains and clumps, some on scales; none nearly on top of another."""
    width_um, height_um = canvas.size_um
    area_um2 = width_um * height_um
    if recipe.spores_per_mm2 == 0.0:
        return []
    room = 0.32 * area_um2 / (0.7 * look.length**2 / look.aspect)
    meant = int(rng.poisson(recipe.spores_per_mm2 * area_um2 / 1e6)) + int(rng.integers(0, 4))
    wanted = min(MOST_SPORES, int(room), meant)
    spread: list[spores.Placed] = []
    while len(spread) < wanted:
        x, y = rng.uniform(0, width_um), rng.uniform(0, height_um)
        if resting and rng.random() < recipe.on_scale_share:
            sx, sy, reach = resting[int(rng.integers(len(resting)))]
            turn, far = rng.uniform(0, 2 * np.pi), reach * rng.uniform(0.0, 1.3)
            x, y = sx + far * np.cos(turn), sy + far * np.sin(turn)
        count = 1 if rng.random() < recipe.single_share else 2 + int(rng.exponential(recipe.clump_mean - 1.5))
        near = 0.55
        if count > 1 and rng.random() < recipe.heaped:
            count, near = int(np.exp(rng.uniform(np.log(20), np.log(300)))), float(rng.uniform(0.3, 0.6))
        else:
            count = min(count, 60)
        count = min(count, wanted - len(spread))
        soften = recipe.spore_soften * rng.uniform(0.0, 1.5)
        spread += spores.group(rng, look, float(x), float(y), count, float(soften), near)
    pairs = (
        cKDTree([(s.x, s.y) for s in spread]).query_pairs(1.3 * look.length, output_type="ndarray")
        if spread
        else []
    )
    dropped: set[int] = set()
    for first, second in sorted((int(a), int(b)) for a, b in pairs):
        if (
            first not in dropped
            and second not in dropped
            and spores.separation(spread[first], spread[second]) < (0.3 if recipe.heaped else 0.5)
        ):
            dropped.add(second)
    return [s for number, s in enumerate(spread) if number not in dropped]


def _shaken(rng: np.random.Generator, scene: np.ndarray, length_px: float) -> np.ndarray:
    """Blur along a short straight line."""
    if length_px < 1.0:
        return scene
    size = 2 * int(np.ceil(length_px / 2)) + 3
    way = rng.uniform(0, np.pi)
    middle = (size - 1) / 2
    ends = [
        (middle + s * length_px / 2 * np.cos(way), middle + s * length_px / 2 * np.sin(way)) for s in (-1, 1)
    ]
    line = np.zeros((size, size), np.float32)
    for t in np.linspace(0, 1, 4 * size):
        x, y = ends[0][0] + t * (ends[1][0] - ends[0][0]), ends[0][1] + t * (ends[1][1] - ends[0][1])
        line[int(y + 0.5), int(x + 0.5)] += 1.0
    return cv2.filter2D(scene, -1, line / line.sum(), borderType=cv2.BORDER_REFLECT)


def _at_photo_pixels(kinds: np.ndarray, out_shape: tuple[int, int]) -> np.ndarray:
    """Value of the canvas pixel that holds each photo pixel's centre."""
    rows = ((np.arange(out_shape[0]) + 0.5) * kinds.shape[0] / out_shape[0]).astype(int)
    columns = ((np.arange(out_shape[1]) + 0.5) * kinds.shape[1] / out_shape[1]).astype(int)
    return kinds[np.ix_(rows, columns)]


def _notes(recipe: Recipe, look: spores.SporeLook, preset: str, sigma_um: np.ndarray) -> dict:
    return {
        "style": "layered",
        "preset": preset,
        "light": "below" if recipe.from_below else "above",
        "backdrop": recipe.backdrop,
        "brightness": round(recipe.brightness, 3),
        "texture": round(recipe.texture, 3),
        "round_view": recipe.camera.round_view,
        "kernel": recipe.camera.kernel,
        "blur_um": [round(float(sigma_um.min()), 3), round(float(sigma_um.max()), 3)],
        "digital_zoom": round(recipe.camera.zoom, 3),
        "jpeg_quality": recipe.camera.quality,
        "spore_length_um": round(look.length, 3),
        "spore_aspect": round(look.aspect, 3),
        "scale_share": round(recipe.scale_share, 3),
    }

"""Draw one simulated photo in the collage style, with its truth."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import cv2
import numpy as np

from sporecount.simulate.collage import (
    backdrop,
    colours,
    lens,
    phone,
    plates,
    spores,
    strands,
    textures,
    truths,
)
from sporecount.simulate.collage.canvas import Canvas
from sporecount.simulate.collage.outlines import Outline
from sporecount.simulate.collage.recipe import Recipe, random_recipe
from sporecount.simulate.collage.surroundings import Surroundings
from sporecount.simulate.collage.things import PAINTERS
from sporecount.simulate.truth import KIND_NAMES, SimulatedPhoto

_SCALE = KIND_NAMES.index("scale")
_MOST_OF_A_THING = 160
_MOST_SCALES = 130


def draw_photo(
    rng: np.random.Generator,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str = "ordinary",
) -> SimulatedPhoto:
    """Draw a simulated eyepiece photo of a tape print in a way of rendering made up for this photo alone.

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
    camera = lens.random_look(rng, preset, recipe.um_per_px)
    shape = (round(height_px / camera.zoom), round(width_px / camera.zoom))
    px_um = recipe.um_per_px * height_px / shape[0]
    base = backdrop.base_colour(rng, recipe.from_below)
    rgb, picture_name = backdrop.draw_backdrop(rng, shape, px_um, base, recipe.backdrop, recipe.texture)
    grain = _grain(rng, px_um)
    canvas = Canvas(rgb, px_um, grain)
    fine_um = float(np.hypot(camera.sharp_um, np.hypot(camera.defocus_um, 0.5 * recipe.um_per_px)))
    light_turn = float(rng.uniform(0, 2 * np.pi))
    look = spores.random_look(rng, base, light_turn, recipe.from_below)
    around = Surroundings(
        look.law,
        look.pair,
        look.length,
        light_turn,
        recipe.from_below,
        recipe.alike,
        fine_um,
        camera.saturation < 0.3,
    )
    laid, drawn, on_scale, whole_scales = _paint_all(rng, canvas, recipe, look, around)

    view = lens.round_view(rng, camera, shape)
    if view is not None:
        canvas.owner[view < 0.5] = -2
        canvas.kind[view < 0.5] = 0
    blur_um = lens.blur_field(rng, camera, shape)
    scene = lens.blur(rng, camera, canvas.rgb, blur_um / np.float32(px_um))
    scene = lens.shake(rng, scene, camera.motion_um / px_um)
    scene = lens.shift_colours(camera, lens.lit(rng, camera, scene, view))
    picture = phone.develop(rng, camera, scene, (height_px, width_px))

    rows = ((np.arange(height_px) + 0.5) * shape[0] / height_px).astype(int)
    cols = ((np.arange(width_px) + 0.5) * shape[1] / width_px).astype(int)
    at_photo = np.ix_(rows, cols)
    blur_total = np.hypot(blur_um[at_photo], 0.29 * camera.motion_um).astype(np.float32)
    found = truths.truths_of(
        picture,
        canvas.owner[at_photo],
        laid,
        visible=truths.visible_shares(canvas.owner, laid, drawn, px_um),
        groups=spores.groups(laid),
        on_scale=on_scale,
        blur_um=blur_total,
        um_per_px=recipe.um_per_px,
    )
    return SimulatedPhoto(
        rgb=picture,
        um_per_px=recipe.um_per_px,
        objective=recipe.objective,
        spores=found,
        kind_map=canvas.kind[at_photo],
        scales=whole_scales,
        notes={
            "style": "collage",
            "preset": preset,
            "light": "below" if recipe.from_below else "above",
            "backdrop": recipe.backdrop,
            "open_picture": textures.OPEN_PICTURES.get(picture_name, ""),
            "texture": round(recipe.texture, 4),
            "rendering": look.law.family,
            "colour": look.brown,
            "opacity": round(max(look.law.opacity), 3),
            "spore_length_um": round(look.length, 3),
            "spore_aspect": round(look.aspect, 3),
            "blur_um": [round(float(blur_total.min()), 3), round(float(blur_total.max()), 3)],
            "round_view": camera.view,
            "kernel": camera.kernel,
            "denoise": camera.denoise,
            "sharpen": round(camera.sharpen, 3),
            "saturation": round(camera.saturation, 3),
            "digital_zoom": round(camera.zoom, 3),
            "jpeg_quality": camera.quality,
        },
    )


def _grain(rng: np.random.Generator, px_um: float) -> np.ndarray:
    """Tile of fine texture for things: noise, or an open picture at a small scale."""
    if rng.random() < 0.35:
        name = str(rng.choice(list(textures.OPEN_PICTURES)))
        tile = textures.from_picture(rng, name, (256, 256), float(rng.uniform(0.1, 0.5)) / px_um)
    else:
        tile = textures.spectral(rng, (256, 256), float(rng.uniform(0.0, 1.0)))
        tile = cv2.GaussianBlur(tile, (0, 0), 0.6 / px_um)
    return tile / (tile.std() + 1e-6)


def _paint_all(
    rng: np.random.Generator,
    canvas: Canvas,
    recipe: Recipe,
    look: spores.SporeLook,
    around: Surroundings,
) -> tuple[list[Outline], np.ndarray, np.ndarray, int]:
    """Lay everything in random order of height; give spores, their pixels, which are on scales, and scales."""
    width_um, height_um = canvas.size_um
    area_mm2 = width_um * height_um / 1e6
    roomy_mm2 = area_mm2 / (1 + area_mm2 / 1.2) + 0.02
    light_turn = around.light_turn
    jobs: list[tuple[float, Callable[[], object]]] = []

    def anywhere() -> tuple[float, float]:
        return float(rng.uniform(0, width_um)), float(rng.uniform(0, height_um))

    sorts = [plates.random_look(rng, recipe.from_below, light_turn) for _ in range(int(rng.integers(1, 4)))]
    mean_area = float(np.mean([0.75 * s.length * s.width for s in sorts]))
    lean, disorder = rng.uniform(0, np.pi), rng.choice([0.3, 3.0])
    resting = []
    scale_number = min(_MOST_SCALES, rng.poisson(recipe.scale_share * area_mm2 * 1e6 / mean_area))
    for _ in range(scale_number):
        sort, (x, y) = sorts[int(rng.integers(len(sorts)))], anywhere()
        resting.append((x, y, 0.5 * sort.width))
        angle = float(lean + rng.normal(0, disorder))
        jobs.append((rng.uniform(0.2, 0.6), partial(plates.draw_scale, rng, canvas, sort, x, y, angle)))
    strand_pairs = {
        "hair": colours.brown_pair(rng) if rng.random() < 0.7 else colours.any_pair(rng),
        "fibre": colours.any_pair(rng),
    }
    for name, per_mm2 in recipe.things.items():
        for _ in range(min(_MOST_OF_A_THING, rng.poisson(per_mm2 * roomy_mm2))):
            x, y = anywhere()
            job: Callable[[], object]
            if name == "piece":
                sort = sorts[int(rng.integers(len(sorts)))]
                job = partial(plates.draw_piece, rng, canvas, sort, x, y, around.odd_length(rng, 5.0, 55.0))
            elif name in strand_pairs:
                job = partial(strands.draw_strand, rng, canvas, x, y, name, strand_pairs[name])
            else:
                job = partial(PAINTERS[name], rng, canvas, around, x, y)
            jobs.append((rng.uniform(0.1, 1.0), job))

    laid = _spores(rng, canvas, recipe, look, resting)
    on_scale, drawn = np.zeros(len(laid), bool), np.zeros(len(laid))

    def add_spore(number: int, one: Outline) -> None:
        row, col = int(one.y_um / canvas.px_um), int(one.x_um / canvas.px_um)
        if 0 <= row < canvas.kind.shape[0] and 0 <= col < canvas.kind.shape[1]:
            on_scale[number] = canvas.kind[row, col] == _SCALE
        drawn[number] = spores.draw(rng, canvas, look, one, number)

    for number, one in enumerate(laid):
        height = rng.uniform(0.05, 0.3) if rng.random() < recipe.under_share else rng.uniform(0.6, 1.0)
        jobs.append((height, partial(add_spore, number, one)))
    for _, job in sorted(jobs, key=lambda item: item[0]):
        job()
    return laid, drawn, on_scale, scale_number


def _spores(
    rng: np.random.Generator,
    canvas: Canvas,
    recipe: Recipe,
    look: spores.SporeLook,
    resting: list[tuple[float, float, float]],
) -> list[Outline]:
    if recipe.spores_per_mm2 == 0.0:
        return []
    area_um2 = canvas.size_um[0] * canvas.size_um[1]
    room = int(0.3 * area_um2 / (0.7 * look.length**2 / look.aspect))
    meant = int(rng.poisson(recipe.spores_per_mm2 * area_um2 / 1e6)) + int(rng.integers(0, 5))
    return spores.place(
        rng,
        look,
        canvas.size_um,
        min(spores.MOST, room, meant),
        single_share=recipe.single_share,
        clump_mean=recipe.clump_mean,
        resting=resting,
        on_scale_share=recipe.on_scale_share,
        overlap=recipe.overlap,
        heaped=recipe.heaped,
    )

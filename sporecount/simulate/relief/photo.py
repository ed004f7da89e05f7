"""Draw one simulated photo in the relief style, with its truth."""

from __future__ import annotations

import numpy as np

from sporecount.simulate.relief import butterfly, camera, ground, lens, lighting, oddments, spores, truths
from sporecount.simulate.relief.recipe import Recipe, log_uniform, random_recipe
from sporecount.simulate.relief.terrain import Terrain
from sporecount.simulate.truth import KIND_NAMES, SimulatedPhoto

_SPORE, _SCALE = KIND_NAMES.index("spore"), KIND_NAMES.index("scale")
_MOST_SPORES = 1000
_MOST_SCALES = 70
_MOST_ODDMENTS = 170


def draw_photo(
    rng: np.random.Generator,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str = "ordinary",
) -> SimulatedPhoto:
    """Draw a simulated eyepiece photo of a tape print as a landscape that is lit and photographed.

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
    px = recipe.um_per_px
    terrain = Terrain((height_px, width_px), px, recipe.light == "above")
    ground_name = str(rng.choice(ground.GROUNDS, p=(0.2, 0.2, 0.07, 0.07, 0.07, 0.1, 0.12, 0.05, 0.06, 0.06)))
    ground.lay_ground(rng, terrain, ground_name, 0.4 + 0.6 * recipe.mess)
    phone = camera.random_camera(rng, preset)
    laid, scales = _lay_all(rng, terrain, recipe, grey=phone.saturation < 0.3)

    scene, facts = lighting.lit(rng, terrain, recipe.light)
    view = lens.round_view(rng, terrain.shape)
    if view is not None:
        terrain.kind[view < 0.5] = 0
        terrain.owner[view < 0.5] = -1
    blur_um = lens.blur_field(rng, recipe, terrain.height_um)
    optics = lens.random_lens(rng)
    scene = lens.blur(optics, scene, blur_um / np.float32(px))
    scene *= lens.falloff(rng, terrain.shape)[..., None]
    if view is not None:
        scene = scene * view[..., None] + np.float32(rng.uniform(0, 0.03)) * (1 - view[..., None])
    rgb = camera.take(rng, phone, scene)
    whole_blur_um = np.hypot(blur_um, np.float32(camera.softness_px(phone) * px))
    return SimulatedPhoto(
        rgb=rgb,
        um_per_px=px,
        objective=recipe.objective,
        spores=truths.tell(rgb, laid, terrain.owner, whole_blur_um, view, px),
        kind_map=terrain.kind,
        scales=scales,
        notes={
            "style": "relief",
            "preset": preset,
            "ground": ground_name,
            "point_spread": optics.spread,
            "blur_um": round(float(np.median(whole_blur_um)), 3),
            "format": phone.format,
            "mess": round(recipe.mess, 2),
            **facts,
        },
    )


def _lay_all(
    rng: np.random.Generator, terrain: Terrain, recipe: Recipe, *, grey: bool
) -> tuple[list[truths.Laid], int]:
    """Scales, then stray matter, then spores, then a little that fell on top of them."""
    wide, high = terrain.size_um()
    area_mm2 = wide * high / 1e6
    breed = spores.random_breed(rng, terrain.from_above, recipe.preset == "hard")
    wing = butterfly.random_wing(rng)
    sizes = oddments.Sizes(breed.length_um, float(np.hypot(recipe.sharp_um, recipe.defocus_um)))

    def somewhere() -> tuple[float, float]:
        x, y = rng.uniform(-0.03, 1.03, 2) * (wide, high)
        return float(x), float(y)

    scale_count = min(rng.poisson(area_mm2 * log_uniform(rng, 1.5, 60)), _MOST_SCALES)
    scales = sum(butterfly.lay_scale(rng, terrain, wing, *somewhere()) for _ in range(scale_count))

    painters = oddments.painters(sizes, grey=grey)
    names = list(painters)
    liking = rng.gamma(0.9 if recipe.preset == "no_spores" else 0.5, 1, len(names)) + 1e-6

    def stray(count: int) -> None:
        # each photo has its own few kinds of dirt
        odds = np.array([often for _, often in painters.values()]) * liking
        for which in rng.choice(len(names), count, p=odds / odds.sum()):
            painters[names[which]][0](rng, terrain, *somewhere())

    def leftovers(count: int) -> None:
        for _ in range(count):
            x, y = somewhere()
            if rng.random() < 0.6:
                butterfly.lay_piece(rng, terrain, wing, x, y, sizes.draw(rng, 3, 60))
            else:
                long = log_uniform(rng, 25, 70) if rng.random() < 0.6 else log_uniform(rng, 70, 900)
                butterfly.lay_hair(rng, terrain, x, y, long, rng.uniform(2, 9))

    dirt = recipe.mess * (2 + 75 * area_mm2)
    stray(min(rng.poisson(dirt), _MOST_ODDMENTS))
    leftovers(min(rng.poisson(0.7 * dirt), _MOST_ODDMENTS))
    laid = _lay_spores(rng, terrain, recipe, breed, area_mm2)
    leftovers(rng.poisson(min(0.08 * dirt, 8)))
    stray(rng.poisson(min(0.06 * dirt, 6)))
    return laid, int(scales)


def _lay_spores(
    rng: np.random.Generator, terrain: Terrain, recipe: Recipe, breed: spores.Breed, area_mm2: float
) -> list[truths.Laid]:
    if recipe.spores_per_mm2 == 0:
        return []
    fewest = int(rng.integers(8, 40)) if recipe.preset == "heavy" else int(rng.integers(1, 9))
    count = int(np.clip(rng.poisson(recipe.spores_per_mm2 * area_mm2), fewest, _MOST_SPORES))
    crowding = rng.uniform(0.3, 0.95) if recipe.preset in ("heavy", "hard") else rng.uniform(0, 0.5)
    laid = []
    rows, cols = terrain.shape
    for x, y, turn in spores.places(rng, breed, count, terrain.size_um(), crowding):
        oval = spores.one_oval(rng, breed, turn)
        row, col = round(y / terrain.px_um), round(x / terrain.px_um)
        on_scale = 0 <= row < rows and 0 <= col < cols and bool(terrain.kind[row, col] == _SCALE)
        laid.append(truths.Laid(oval, float(x), float(y), on_scale))
        spores.lay_spore(rng, terrain, breed, oval, x, y, len(laid) - 1)
    return laid

"""The presets, and a photo from bare ground to saved picture."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from sporecount.simulate.truth import SimulatedPhoto
from tests.recipes.pilgrim import grains
from tests.recipes.pilgrim.grounds import TINTS, lay_ground
from tests.recipes.pilgrim.lamps import blur, draw_lighting, focus_variance_um2, lit_sheet
from tests.recipes.pilgrim.palette import Rng
from tests.recipes.pilgrim.phone import draw_phone, fringed, round_view, take, white_balanced
from tests.recipes.pilgrim.scales import strew_scales, strew_shards
from tests.recipes.pilgrim.scene import Scene
from tests.recipes.pilgrim.spores import draw_strain, lay_spore, scatter
from tests.recipes.pilgrim.strands import strew_fibres, strew_hairs, strew_mould, strew_scratches
from tests.recipes.pilgrim.witness import witness

UM_PER_PX = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
FULL_VIEW_UM2 = 300_000.0
"""The counts of a preset hold for a view of this area or more."""


class Preset(NamedTuple):
    """What a kind of photo holds and how badly it was taken."""

    objectives: tuple[float, ...]
    spores: tuple[int, int]
    clumping: float
    litter: tuple[float, float]
    defocus_um: tuple[float, float]
    tilt_um: tuple[float, float]
    paper: tuple[float, float]
    lamps: tuple[float, float, float, float, float]
    dim: float
    rough: float
    uneven: float


_ALL = (10.0, 10.0, 10.0, 20.0, 20.0, 40.0)
_FAIR = (0.5, 0.13, 0.14, 0.1, 0.13)
_TOP = (0.28, 0.22, 0.2, 0.13, 0.17)
PRESETS: dict[str, Preset] = {
    "good_focus": Preset(
        (10.0,), (5, 80), 0.15, (0.3, 1.0), (0, 0.25), (0, 0.1), (0.05, 0.5), _FAIR, 0.15, 0.1, 0.25
    ),
    "ordinary": Preset(_ALL, (0, 60), 0.2, (0.4, 1.4), (0, 1.0), (0, 0.6), (0.1, 0.9), _FAIR, 0.35, 0.4, 0.5),
    "hard": Preset(_ALL, (5, 150), 0.35, (0.8, 2.6), (0, 3.0), (0.3, 2.0), (0.5, 1.7), _TOP, 0.6, 1.0, 0.9),
    "no_spores": Preset(_ALL, (0, 0), 0.0, (0.8, 2.6), (0, 2.0), (0, 1.0), (0.1, 1.4), _FAIR, 0.4, 0.5, 0.6),
    "heavy": Preset(
        (10.0,), (300, 2000), 0.6, (0.3, 1.0), (0, 0.7), (0, 0.4), (0.1, 0.7), _FAIR, 0.3, 0.3, 0.4
    ),
    "scan_4x": Preset(
        (4.0,), (10, 200), 0.25, (0.8, 2.2), (0, 0.8), (0, 0.5), (0.1, 0.8), _FAIR, 0.3, 0.4, 0.5
    ),
}
LITTER = {
    "scales": 3.0,
    "shards": 22.0,
    "hairs": 3.0,
    "fibres": 7.0,
    "mould": 0.6,
    "scratches": 2.5,
    "pollen": 1.6,
    "lumps": 9.0,
    "soot": 7.0,
    "droplets": 6.0,
    "bubbles": 6.0,
    "crystals": 2.0,
}
"""Things of each sort in a full view where litter is 1."""


def _litter_counts(litter: float, share: float, rng: Rng) -> dict[str, int]:
    """Draw how many of each sort lie in the view; each sort is rich in one photo and rare in another."""
    return {
        name: min(int(rng.poisson(mean * litter * share * rng.gamma(1.3, 1 / 1.3))), 160)
        for name, mean in LITTER.items()
    }


def draw_photo(
    rng: Rng,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str,
) -> SimulatedPhoto:
    """Draw a photo of a tape print from grown, cracked and layered things, lit from below or above.

    The networks that look do not learn from it.

    Parameters
    ----------
    rng : numpy.random.Generator
    width_px, height_px : int
    um_per_px : float, optional
        Kept if given, else drawn for the objective.
    objective : float, optional
        Kept if given, else drawn for the preset.
    preset : str
        One of `PRESETS`.

    Returns
    -------
    SimulatedPhoto
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}")
    plan = PRESETS[preset]
    power = float(rng.choice(plan.objectives)) if objective is None else float(objective)
    nearest = min(UM_PER_PX, key=lambda known: abs(np.log(known / power)))
    um = float(rng.uniform(*UM_PER_PX[nearest])) if um_per_px is None else float(um_per_px)
    light = draw_lighting(rng, plan.lamps, plan.dim)
    phone = draw_phone(rng, plan.rough)
    shape = (height_px, width_px)
    scene = Scene(shape, um, light.from_above)
    tint = str(rng.choice(list(TINTS), p=[0.2, 0.2, 0.12, 0.1, 0.09, 0.09, 0.2]))
    paper = float(rng.uniform(*plan.paper))
    lay_ground(scene, tint, paper, rng)

    area_um2 = width_px * height_px * um**2
    share = min(area_um2 / FULL_VIEW_UM2, 4.0)
    counts = _litter_counts(float(rng.uniform(*plan.litter)), max(share, 0.15), rng)
    above = {name: int(rng.binomial(count, 0.2)) for name, count in counts.items()}
    count = int(rng.integers(plan.spores[0], plan.spores[1] + 1) * min(share, 1.0))
    if plan.spores[0] > 0:
        count = max(count, 5)
    strain = draw_strain(rng)
    spores = scatter(scene, strain, count, plan.clumping, rng)
    areas: list[float] = []
    if tint != "glass":
        strew_fibres(scene, counts["fibres"], 0.12 * paper, rng)
    for layer in ("under", "over"):
        held = {name: counts[name] - above[name] if layer == "under" else above[name] for name in counts}
        strew_scratches(scene, held["scratches"], rng)
        grains.strew(scene, grains.bubble, held["bubbles"], rng)
        grains.strew(scene, grains.droplet, held["droplets"], rng)
        strew_scales(scene, held["scales"], rng)
        strew_shards(scene, held["shards"], rng)
        strew_mould(scene, held["mould"], rng)
        for maker, name in (
            (grains.lump, "lumps"),
            (grains.soot, "soot"),
            (grains.crystal, "crystals"),
            (grains.pollen, "pollen"),
        ):
            grains.strew(scene, maker, held[name], rng)
        strew_hairs(scene, held["hairs"], rng)
        if layer == "under":
            areas = [lay_spore(scene, s, i, strain.rim, rng) for i, s in enumerate(spores)]

    defocus = float(rng.uniform(*plan.defocus_um))
    tilt = float(rng.uniform(*plan.tilt_um))
    variance_um2 = focus_variance_um2(shape, um, power, defocus, tilt, rng)
    seen = blur(lit_sheet(scene, light, plan.uneven, rng), variance_um2 / um**2)
    eyepiece = bool(rng.random() < 0.15)
    view = round_view(shape, rng) if eyepiece else np.ones(shape, np.float32)
    exposed = white_balanced(seen, light.level, phone) * view[..., None]
    rgb = take(fringed(exposed, phone.fringe), phone, rng)
    return SimulatedPhoto(
        rgb=rgb,
        um_per_px=um,
        objective=power,
        spores=witness(scene, spores, areas, exposed, rgb, variance_um2, view),
        kind_map=scene.kind,
        scales=scene.scales,
        notes={
            "style": "pilgrim",
            "preset": preset,
            "light": light.name,
            "level": light.level,
            "ground": tint,
            "hue": strain.hue,
            "defocus_um": defocus,
            "tilt_um": tilt,
            "round_view": eyepiece,
            "jpeg": phone.jpeg,
        },
    )

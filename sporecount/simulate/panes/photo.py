"""Draw a photo: plan, scene, look, phone, truth."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.panes import lemons, plates, specks, strands
from sporecount.simulate.panes.canvas import Scene
from sporecount.simulate.panes.look import draw_setting, see
from sporecount.simulate.panes.phone import photograph
from sporecount.simulate.panes.plan import Plan, draw_plan
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth

HIDING_DENSITY = 0.45
"""Green density of what lies on top from which a spore's pixel counts as hidden."""
LEAST_VISIBLE, LEAST_STEP, MOST_BLUR = 0.55, 0.055, 0.2
"""What a careful person needs to count a spore: share not hidden; change of sRGB-like brightness, white being
1; blur as a share of its length."""
GLARE = 0.03
"""Stray light that veils the dark parts, white being 1."""


def _clutter(rng: np.random.Generator, scene: Scene, plan: Plan) -> None:
    """Draw all small and long things that are no scales, in any order."""
    painters = {
        "hair": lambda: strands.hair(rng, scene),
        "fibre": lambda: strands.fibre(rng, scene),
        "mould": lambda: strands.mould(rng, scene),
        "conidia": lambda: specks.conidia(rng, scene),
        "pollen": lambda: specks.pollen(rng, scene),
        "dust": lambda: specks.dust(rng, scene),
        "droplet": lambda: specks.droplet(rng, scene),
    }
    order = [name for name in painters for _ in range(plan.number[name])]
    for k in rng.permutation(len(order)):
        painters[order[int(k)]]()


def _spores(rng: np.random.Generator, scene: Scene, plan: Plan) -> tuple[NDArray, lemons.Stock]:
    stock = lemons.draw_stock(rng, plan.density)
    room = scene.shape[0] * scene.shape[1] * plan.um_per_px**2 * 0.45
    number = min(plan.spores, int(room / (0.7 * stock.length_um * stock.width_um)))
    return lemons.place(rng, scene, stock, number, plan.clumps, plan.press), stock


def _groups(shape: tuple[int, int], grains: list[lemons.Grain]) -> list[int]:
    """Count the spores of each spore's touching group: outlines that overlap or are next to one another."""
    union = np.zeros(shape, np.uint8)
    for one in grains:
        union[one.rows, one.cols] = 1
    _, label = cv2.connectedComponents(union, connectivity=8)
    mine = [int(label[one.rows[0], one.cols[0]]) if len(one.rows) else -1 for one in grains]
    size = np.bincount([m for m in mine if m > 0], minlength=1)
    return [int(size[m]) if m > 0 else 1 for m in mine]


def draw_photo(
    rng: np.random.Generator,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str,
) -> SimulatedPhoto:
    """Draw a simulated eyepiece photo of a tape print, with its truth.

    Parameters
    ----------
    rng : numpy.random.Generator
    width_px, height_px : int
    um_per_px, objective : float, optional
        Drawn where they are not given.
    preset : str
        One of `plan.PRESETS`.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    shape = (int(height_px), int(width_px))
    plan = draw_plan(rng, shape, um_per_px, objective, preset)
    scene = Scene(shape, plan.um_per_px, rng.uniform(-0.006, 0.01))
    setting = draw_setting(rng, plan, scene)
    specks.grime(rng, scene, plan.glue)
    for _ in range(plan.number["ridge"]):
        strands.ridge(rng, scene, plan.glue)
    for _ in range(plan.number["bubble"]):
        specks.bubble(rng, scene, plan.glue)
    if plan.base == "acetate":
        for _ in range(int(rng.poisson(3))):
            strands.scratch(rng, scene)
    places, stock = _spores(rng, scene, plan)
    under = rng.random(len(places)) < 0.12

    def lay_spores(rows: NDArray) -> list[lemons.Grain]:
        return [
            lemons.paint(rng, scene, stock, row, abs(plan.uneven_um * rng.normal(0, 0.5))) for row in rows
        ]

    grains = lay_spores(places[under])
    mixture = plates.draw_mixture(rng)
    on = np.zeros(shape, bool)
    scales = 0
    inside = setting.view >= 0.5
    for _ in range(plan.number["scale"]):
        patch, body, whole = plates.scale(rng, scene, mixture, raised=rng.random() < 0.1)
        if (both := scene.window(patch.corner, body.shape)) is None:
            continue
        there, mine = both
        solid = body[mine] >= 0.5
        on[there] |= solid
        scales += bool(whole and (solid & inside[there]).sum() >= 0.8 * (body >= 0.5).sum())
    for _ in range(plan.number["piece"]):
        plates.piece(rng, scene, mixture)
    late = rng.random() < 0.5
    if not late:
        _clutter(rng, scene, plan)
    grains += lay_spores(places[~under])
    if late:
        _clutter(rng, scene, plan)
    lift = float(rng.uniform(0.2, 1.6)) * (0.5 if preset == "good_focus" else 1)
    light, with_spores, without = see(plan, setting, scene, lift)
    rgb, noise = photograph(rng, plan, light)
    kind_map = scene.top_kind()
    kind_map[~inside] = 0
    spores = _truth(plan, scene, setting.defocus_um, inside, on, grains, with_spores, without, noise)
    return SimulatedPhoto(
        rgb=rgb,
        um_per_px=plan.um_per_px,
        objective=plan.objective,
        spores=spores,
        kind_map=kind_map,
        scales=scales,
        notes={
            "recipe": "panes",
            "preset": preset,
            "from_above": plan.from_above,
            "dim": plan.dim,
            "base": plan.base,
            "defocus_um": round(float(np.median(np.abs(setting.defocus_um))), 3),
            "field_mm": round(plan.field_mm, 4),
            "spore_length_um": round(stock.length_um, 2),
            "spore_density": round(stock.density, 3),
            "corner_stretch": round(scene.bend, 5),
        },
    )


def _truth(
    plan: Plan,
    scene: Scene,
    defocus_um: NDArray,
    inside: NDArray,
    on: NDArray,
    grains: list[lemons.Grain],
    with_spores: NDArray,
    without: NDArray,
    noise: float,
) -> tuple[SporeTruth, ...]:
    """Tell what can be seen of each spore.

    `with_spores` and `without` are green light after blur, as of `see`.
    """
    if not grains:
        return ()
    owner = np.full(scene.shape, -1, np.int32)
    for k, one in enumerate(grains):
        owner[one.rows, one.cols] = k
    contrast = np.log10(without / with_spores)
    rows, cols = scene.shape
    out = []
    for k, (one, clump) in enumerate(zip(grains, _groups(scene.shape, grains), strict=True)):
        seen = (owner[one.rows, one.cols] == k) & inside[one.rows, one.cols]
        over = scene.above[one.rows, one.cols] - one.before + scene.raised.density[one.rows, one.cols, 1]
        seen &= over < HIDING_DENSITY
        visible = float(min(seen.sum() / max(one.outline_px, 1), 1.0))
        y, x = int(np.clip(round(one.y), 0, rows - 1)), int(np.clip(round(one.x), 0, cols - 1))
        blur = float(np.sqrt(plan.sharp_um**2 + float(defocus_um[y, x]) ** 2 + one.own_blur_um**2))
        here = (one.rows, one.cols)
        if len(one.rows):
            added, bare = contrast[here], without[here]
            shown, alone = ((light + GLARE) ** (1 / 2.4) for light in (with_spores[here], bare))
            step = float(np.sqrt(((alone - shown) ** 2).mean()))
            # A spore shows by its own pattern of rim and shine too, hence the root mean square. What lies
            # beneath or above it may be restless itself, and less light means more noise.
            stands_out = float(np.sqrt((added**2).mean()))
            grain = noise / np.sqrt(float(bare.mean()) * max(one.outline_px, 1))
            clear = step >= LEAST_STEP and stands_out >= max(0.7 * float(np.log10(bare).std()), 6 * grain)
        else:
            added, clear = np.zeros(1), False
        centre_in = 0 <= one.x <= cols - 1 and 0 <= one.y <= rows - 1 and bool(inside[y, x])
        out.append(
            SporeTruth(
                x_px=float(one.x),
                y_px=float(one.y),
                length_um=float(one.length_um),
                width_um=float(one.width_um),
                angle_deg=float(one.angle_deg % 180),
                visible=visible,
                blur_um=blur,
                contrast=float(added.mean()),
                on_scale=bool(len(one.rows) and on[one.rows, one.cols].mean() >= 0.5),
                clump=clump,
                countable=bool(
                    centre_in and visible >= LEAST_VISIBLE and blur / one.length_um <= MOST_BLUR and clear
                ),
            )
        )
    return tuple(out)

"""One photo from lamp to JPEG, with its truth."""

from __future__ import annotations

import numpy as np

from sporecount.simulate.truth import SimulatedPhoto, SporeTruth
from tests.recipes.rover.fields import Rng
from tests.recipes.rover.judge import Judge
from tests.recipes.rover.optics import GROUNDS, LIGHTS, Lens, draw_lens, expose, ground, round_view
from tests.recipes.rover.phone import draw_phone, take
from tests.recipes.rover.scales import COLOURS, put_piece, put_scale, put_scale_dust
from tests.recipes.rover.sheet import Sheet
from tests.recipes.rover.spores import Look, Spore, draw_look, place, put_spore
from tests.recipes.rover.things import COMMON, put_fibre, put_ink

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
UM_PER_PX = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
VIEW_MM2 = 0.3
"""A view that holds the full number of things."""
SINGLES = {"good_focus": (5, 80), "ordinary": (0, 60), "hard": (5, 150), "scan_4x": (0, 90)}
LIGHT_SHARES = (0.4, 0.22, 0.12, 0.08, 0.1, 0.08)


def _how_many(rng: Rng, preset: str, part: float) -> tuple[int, list[int]]:
    """Single spores and sizes of clumps in a view that is this part of a full one."""
    if preset == "no_spores":
        return 0, []
    if preset == "heavy":
        total = int(max(14, part * np.exp(rng.uniform(np.log(300), np.log(2000)))))
        clumps = [int(rng.integers(6, 11))]
        clustered = rng.uniform(0.3, 0.8) * total
        while sum(clumps) < clustered:
            clumps.append(int(np.clip(2 + rng.exponential(8), 2, 60)))
        return max(3, total - sum(clumps)), clumps
    low, high = SINGLES[preset]
    singles = round(float(rng.uniform(low, high)) * part)
    if preset != "ordinary":
        singles = max(singles, 2)
    clumps = [int(rng.integers(2, 5)) for _ in range(rng.binomial(max(singles // 6, 1), 0.35))]
    return singles, clumps if singles else []


def _spores(rng: Rng, sheet: Sheet, spores: list[Spore], look: Look, lens: Lens, beneath: bool) -> None:
    """Lay those spores that lie beneath the scales, or those that do not."""
    rows, cols = sheet.shape
    for number, spore in enumerate(spores, 1):
        if spore.beneath == beneath:
            row = int(np.clip(spore.y_um / sheet.um_per_px, 0, rows - 1))
            col = int(np.clip(spore.x_um / sheet.um_per_px, 0, cols - 1))
            put_spore(rng, sheet, spore, look, number, float(lens.defocus_um[row, col]))


def draw_photo(
    rng: Rng,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str,
) -> SimulatedPhoto:
    """Draw a photo whose every thing is the level set of a smooth field, as a computing phone takes it.

    No network and no tree learns from it; the recall expected of a field does.

    Parameters
    ----------
    rng : numpy.random.Generator
    width_px, height_px : int
    um_per_px : float, optional
        Kept if given, else drawn for the objective.
    objective : float, optional
        Magnification, kept if given.
    preset : str
        One of `PRESETS`.

    Returns
    -------
    SimulatedPhoto
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}")
    if objective is None:
        fixed = {"good_focus": 10.0, "heavy": 10.0, "scan_4x": 4.0}.get(preset)
        objective = fixed or float(rng.choice((10.0, 20.0, 40.0), p=(0.55, 0.25, 0.2)))
    if um_per_px is None:
        nearest = min(UM_PER_PX, key=lambda known: abs(np.log(known / objective)))
        um_per_px = float(np.exp(rng.uniform(*np.log(UM_PER_PX[nearest]))))
    sheet = Sheet(height_px, width_px, um_per_px)
    part = min(sheet.size_um[0] * sheet.size_um[1] / 1e6 / VIEW_MM2, 5.0)
    hard = preset == "hard"

    look = draw_look(rng, pale=bool(rng.random() < 0.22), dark=bool(rng.random() < 0.12))
    lens = draw_lens(rng, sheet, objective, preset)
    light = str(rng.choice(list(LIGHTS), p=(0.3, 0.15, 0.12, 0.13, 0.2, 0.1) if hard else LIGHT_SHARES))
    card = str(rng.choice(list(GROUNDS), p=(0.38, 0.24, 0.18, 0.12, 0.08)))
    rough = float(rng.uniform(0.3, 1.2) * (1.4 if hard else 0.8))

    singles, clumps = _how_many(rng, preset, min(part, 3.0))
    spores = place(rng, look, sheet.size_um, singles, clumps, beneath=rng.uniform(0, 0.3)) if singles else []
    scales, drawn = _strew(rng, sheet, preset, part, (spores, look, lens))
    picture = expose(rng, sheet, ground(rng, sheet, card, rough), light, lens)

    disc = bool(rng.random() < 0.12)
    if disc:
        view = round_view(rng, sheet.shape)
        picture = picture * (0.01 + 0.99 * view[..., None])
        sheet.owner[view < 0.5] = 0
        sheet.kind[view < 0.5] = 0
    phone = draw_phone(rng, preset, um_per_px)
    rgb = take(rng, picture, phone)
    return SimulatedPhoto(
        rgb=rgb,
        um_per_px=um_per_px,
        objective=objective,
        spores=_truth(sheet, spores, lens, Judge(rgb, picture, sheet, phone.zoom)),
        kind_map=sheet.kind,
        scales=scales,
        notes={
            "style": "rover",
            "preset": preset,
            "light": light,
            "card": card,
            "round_view": disc,
            "haze": round(lens.haze, 3),
            "fringe": round(lens.fringe, 3),
            "defocus_um": [round(float(v), 3) for v in (lens.defocus_um.min(), lens.defocus_um.max())],
            "spore_density": round(look.density, 3),
            "spore_rim": round(look.rim, 3),
            "spore_hue": look.hue,
            "things": drawn,
            "phone": phone.told(),
        },
    )


def _strew(
    rng: Rng, sheet: Sheet, preset: str, part: float, spores: tuple[list[Spore], Look, Lens]
) -> tuple[int, int]:
    """Lay everything: things and spores beneath, scales, the other spores, and what came last.

    Gives the scales in view and the number of other things.
    """
    crowd = {"good_focus": 0.6, "hard": 1.5, "heavy": 0.8}.get(preset, 1.0)
    order: list[int] = []
    for k, (_, low, high) in enumerate(COMMON):
        order += [k] * int(max(0, rng.uniform(low, high * crowd) * max(part, 0.15) + rng.random() - 0.5))
    rng.shuffle(order)
    palette = str(rng.choice(list(COLOURS)))
    palettes = [palette] * 6 + list(COLOURS)
    for _ in range(int(rng.choice((0, 1, 2), p=(0.86, 0.1, 0.04)))):
        put_ink(rng, sheet)
    early = int(rng.uniform(0.4, 0.9) * len(order))
    for k in order[:early]:
        COMMON[k][0](rng, sheet)
    _spores(rng, sheet, *spores, beneath=True)
    seen = 0
    whole = int(rng.uniform(0, 22) * crowd * max(part, 0.1) + rng.random())
    pieces = int(rng.uniform(2, 60) * crowd * max(part, 0.1) + 0.5)
    for _ in range(whole):
        seen += put_scale(rng, sheet, palettes[int(rng.integers(10))])
    for _ in range(pieces):
        put_piece(rng, sheet, palettes[int(rng.integers(10))])
    put_scale_dust(rng, sheet, int(rng.uniform(0, 150) * part))
    _spores(rng, sheet, *spores, beneath=False)
    for k in order[early:]:
        COMMON[k][0](rng, sheet)
    if preset == "hard":
        for _ in range(int(rng.uniform(1, 10) * max(part, 0.2))):
            put_fibre(rng, sheet)
    return seen, len(order) + whole + pieces


def _truth(sheet: Sheet, spores: list[Spore], lens: Lens, judge: Judge) -> tuple[SporeTruth, ...]:
    rows, cols = sheet.shape
    out: list[SporeTruth] = []
    for number, spore in enumerate(spores, 1):
        x, y = spore.x_um / sheet.um_per_px, spore.y_um / sheet.um_per_px
        row, col = int(np.clip(round(y), 0, rows - 1)), int(np.clip(round(x), 0, cols - 1))
        blur = float(lens.blur_um2[row, col]) ** 0.5
        shown = judge.look(spore, number, blur)
        out.append(
            SporeTruth(
                x_px=x,
                y_px=y,
                length_um=spore.length_um,
                width_um=spore.width_um,
                angle_deg=spore.angle_deg,
                visible=shown.visible,
                blur_um=blur,
                contrast=shown.contrast,
                on_scale=bool(sheet.on_scale[row, col]),
                clump=spore.clump,
                countable=shown.countable,
            )
        )
    return tuple(out)

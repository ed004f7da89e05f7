"""A whole photo: lay the print, look at it, take the picture, and tell the truth about each spore."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from sporecount.simulate.phases import debris, light_path
from sporecount.simulate.phases.sheet import LUMA, Array, Sheet, empty_sheet
from sporecount.simulate.phases.spores import (
    Floats,
    SporeLook,
    Spores,
    draw_look,
    lay_spore,
    place_spores,
    touching,
)
from sporecount.simulate.phases.style import Style, draw_style, log_uniform
from sporecount.simulate.truth import KIND_NAMES, SimulatedPhoto, SporeTruth

MARGIN_PX = 12
"""Pixels around the view, so that blur and things cut by its edge look natural."""
NOTED = ("preset", "unusual", "from_above", "dim", "ground", "condenser", "focus_um", "tilt_um", "fringe_um")
SIZED = {
    "dust": (debris.lay_grain, 0.8, 7.0),
    "soot": (debris.lay_soot, 0.5, 1.2),
    "mould": (debris.lay_mould, 1.5, 3.0),
    "droplet": (debris.lay_droplet, 1.5, 16.0),
    "pollen": (debris.lay_pollen, 8.5, 20.0),
    "bubble": (debris.lay_bubble, 2.5, 45.0),
}
"""How each round thing is laid, and its smallest and largest radius in um."""


def _lay_debris(rng: Generator, sheet: Sheet, style: Style, names: tuple[str, ...]) -> int:
    """Strew the named things over the sheet; the number of scales whose middle lies in the view."""
    rows, cols = sheet.kinds.shape
    edge = MARGIN_PX * style.um_per_px / sheet.px_um
    looks = [debris.draw_scale_look(rng) for _ in range(int(rng.integers(1, 4)))]
    scales = 0
    for name in np.repeat(names, [style.things[name] for name in names]).tolist():
        x, y = float(rng.uniform(0, cols)), float(rng.uniform(0, rows))
        if name in SIZED:
            lay, low, high = SIZED[name]
            lay(rng, sheet, x, y, log_uniform(rng, low, high))
        elif name in ("scale", "piece"):
            look = looks[int(rng.integers(len(looks)))]
            debris.lay_scale(rng, sheet, look, x, y, None if name == "scale" else log_uniform(rng, 5, 40))
            scales += name == "scale" and edge <= x < cols - edge and edge <= y < rows - edge
        else:
            length_um = log_uniform(rng, 18, 70) if name == "hair end" else log_uniform(rng, 150, 900)
            debris.lay_thread(rng, sheet, x, y, name.split()[0], length_um)
    return scales


def _ground(rng: Generator, shape: tuple[int, int], style: Style) -> tuple[Array, NDArray[np.bool_]]:
    """Light of the ground, blurred by its depth, and where ruled lines are."""
    px = style.um_per_px
    density = np.zeros((*shape, 3), np.float32)
    ruled = np.zeros(shape, np.uint8)
    rough = {"glass": 0.004, "card": 0.05, "paper": 0.035, "dark paper": 0.1}[style.ground]
    rough *= rng.uniform(0.4, 1.6)
    for size_um in (6.0, 25.0, 110.0):
        density += (rough * rng.uniform(0.3, 1) * light_path.noise_field(rng, shape, size_um / px))[..., None]
    if style.ground != "glass":
        below = empty_sheet(shape, px)
        number = min(40, int(rng.poisson(shape[0] * shape[1] * px**2 / 1e5 * rng.uniform(1, 8)) + 1))
        for _ in range(number):
            x, y = float(rng.uniform(0, shape[1])), float(rng.uniform(0, shape[0]))
            debris.lay_thread(rng, below, x, y, "fibre", log_uniform(rng, 80, 400))
        density += below.density * np.float32(rng.uniform(0.3, 1.2))
        if rng.random() < 0.15:
            width, pitch = max(2, int(rng.uniform(25, 70) / px)), rng.uniform(400, 900) / px
            way, start = rng.uniform(0, np.pi), rng.uniform(-0.5, 0.5)
            side = np.array([-np.sin(way), np.cos(way)])
            run = np.array([side[1], -side[0]]) * 2 * max(shape)
            for k in range(-8, 9):
                at = np.array(shape[::-1]) / 2 + side * pitch * (k + start)
                ends = [tuple(int(n) for n in at + sign * run) for sign in (-1, 1)]
                cv2.line(ruled, ends[0], ends[1], 1, width)
            ink = np.array(((0.5, 0.35, 0.1), (0.3, 0.3, 0.3), (0.1, 0.35, 0.3))[rng.integers(3)], np.float32)
            density += ruled[..., None] * ink * np.float32(rng.uniform(0.3, 1.0))
    card = (1, 0.97, rng.uniform(0.8, 0.95))
    colour = {"glass": (1, 1, 1), "dark paper": (0.16, 0.15, 0.15)}.get(style.ground, card)
    light = np.asarray(10.0**-density * np.array(colour, np.float32), np.float32)
    sigma = float(np.sqrt(light_path.variance_um2(np.array([style.ground_um], np.float32), style)[0])) / px
    return light_path.soft(light, sigma), ruled > 0


def _outline_followed(
    spores: Spores, look: SporeLook, x: Floats, y: Floats, luma: Array, noise: float, px: float
) -> Array:
    """Share of each spore's outline along which the finished photo changes clearly from inside to outside."""
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    u = np.cos(turn) * spores.length_um[:, None] / 2 / px
    v = np.sign(np.sin(turn)) * np.abs(np.sin(turn)) ** (2 * look.taper) * spores.width_um[:, None] / 2 / px
    cos, sin = np.cos(spores.angle)[:, None], np.sin(spores.angle)[:, None]
    dark = -np.log10(np.clip(cv2.GaussianBlur(luma, (0, 0), 0.7), 0.003, 1))
    steps = []
    for way in (0.72, 0.95, 1.22):
        at_x = (x[:, None] + way * (u * cos - v * sin)).astype(np.float32)
        at_y = (y[:, None] + way * (u * sin + v * cos)).astype(np.float32)
        steps.append(cv2.remap(dark, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
    change = np.max(steps, axis=0) - np.min(steps, axis=0)
    needed = np.maximum(0.035, 1.5 * noise * 0.43 / np.sqrt(np.clip(10.0 ** -steps[1], 0.02, 1)))
    return np.asarray((change > needed).mean(axis=1), np.float32)


def _truth(
    style: Style,
    look: SporeLook,
    spores: Spores,
    sheet: Sheet,
    owner: NDArray[np.int32],
    scene: Array,
    rgb: NDArray[np.uint8],
    height_um: Array,
    inside: NDArray[np.bool_],
    fine: int,
    noise: float,
) -> tuple[SporeTruth, ...]:
    """Say what each spore shows in the finished photo; pictures and maps are cut to the view, the sheet is not."""
    n = len(spores.x)
    if n == 0:
        return ()
    (rows, cols), px = inside.shape, style.um_per_px
    x = (spores.x + 0.5) / fine - 0.5 - MARGIN_PX
    y = (spores.y + 0.5) / fine - 0.5 - MARGIN_PX
    col, row = np.clip(np.rint(x), 0, cols - 1).astype(int), np.clip(np.rint(y), 0, rows - 1).astype(int)
    seen = np.bincount(owner[owner >= 0], minlength=n)
    step = np.linspace(0, 1, 401)
    fill = float(np.trapezoid((1 - step**2) ** look.taper, step))
    area_px = spores.length_um * spores.width_um * fill / sheet.px_um**2
    visible = np.clip(seen / area_px, 0, 1)
    blur = np.sqrt(light_path.variance_um2(height_um, style)[row, col] + px**2 * (style.lens_px**2 + 1 / 12))
    density = -np.log10(np.clip(scene @ LUMA, 1e-3, None))
    mine = owner[fine // 2 :: fine, fine // 2 :: fine][:rows, :cols]
    hit = mine >= 0
    total = np.bincount(mine[hit], density[hit], n)
    count = np.bincount(mine[hit], minlength=n)
    # Piles leave no bare ground nearby, so a wider look around takes over there.
    free = (~hit & inside).astype(np.float32)
    around, weight = np.zeros((rows, cols), np.float32), np.zeros((rows, cols), np.float32)
    for reach, trust in ((0.6, 1.0), (2.0, 0.02)):
        sigma = reach * look.length_um / px
        around += trust * light_path.soft(density * free, sigma)
        weight += trust * light_path.soft(free, sigma)
    surround = (around / np.maximum(weight, 1e-5))[row, col]
    contrast = np.where(count > 0, total / np.maximum(count, 1) - surround, 0.0)
    on_scale = sheet.scaled[np.rint(spores.y).astype(int), np.rint(spores.x).astype(int)]
    groups = touching(spores, sheet.px_um)
    luma = ((rgb / np.float32(255)) ** np.float32(2.2) @ LUMA).astype(np.float32)
    followed = _outline_followed(spores, look, x, y, luma, noise, px)
    light = np.clip(cv2.GaussianBlur(luma, (0, 0), 2)[row, col], 0.01, 1)
    unsure = 6 * 0.43 * noise / np.sqrt(light * area_px / fine**2)
    needed = np.maximum(np.where(on_scale, 0.07, 0.04), unsure)
    clear = (np.abs(contrast) >= needed) & (followed >= np.where((groups > 1) | on_scale, 0.66, 0.4))
    # Nearly black places are eaten by 8 bits and JPEG. No centre is laid outside the frame.
    clear &= (light > 0.02) & inside[row, col] & (visible >= 0.5) & (blur <= 0.22 * spores.length_um)
    size = (spores.length_um, spores.width_um, np.degrees(spores.angle) % 180)
    columns = (x, y, *size, visible, blur, contrast, on_scale, groups, clear)
    return tuple(SporeTruth(*row) for row in zip(*(c.tolist() for c in columns), strict=True))


def draw_photo(
    rng: Generator,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str,
) -> SimulatedPhoto:
    """Draw a simulated photo of a tape print, with its truth.

    Parameters
    ----------
    rng : numpy.random.Generator
    width_px, height_px : int
    um_per_px, objective : float, optional
        Drawn where they are not given.
    preset : str
        One of `style.PRESETS`.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    style = draw_style(rng, (height_px, width_px), um_per_px, objective, preset)
    fine = 1 if style.um_per_px <= 0.75 else 2
    shape = (height_px + 2 * MARGIN_PX, width_px + 2 * MARGIN_PX)
    sheet = empty_sheet((shape[0] * fine, shape[1] * fine), style.um_per_px / fine)
    if style.glue_um > 0:
        grain_px = log_uniform(rng, 8, 40) / sheet.px_um
        sheet.path_um[:] = style.glue_um * light_path.noise_field(rng, sheet.kinds.shape, grain_px)
    look = draw_look(rng, style)
    spores = place_spores(rng, look, style, sheet, MARGIN_PX * fine)
    below = round(style.beneath * style.spores)
    for k in range(below):
        lay_spore(sheet, look, spores, k)
    scales = _lay_debris(rng, sheet, style, ("droplet", "piece", "scale", "dust", "soot", "pollen"))
    for k in range(below, style.spores):
        lay_spore(sheet, look, spores, k)
    _lay_debris(rng, sheet, style, ("mould", "hair", "hair end", "fibre", "bubble"))

    ground, ruled = _ground(rng, shape, style)
    height_um = light_path.height_map(rng, shape, style)
    inner = (slice(MARGIN_PX, MARGIN_PX + height_px), slice(MARGIN_PX, MARGIN_PX + width_px))
    scene = light_path.through_microscope(sheet, ground, height_um, style)[inner]
    lamp, view = light_path.lamp_and_view(rng, (height_px, width_px), style)
    inside = view[..., 1] > 0.5
    # The phone's own lens adds a little softness that no focus takes away.
    scene = light_path.soft(scene, style.lens_px) * lamp * view
    rgb, noise, notes = light_path.develop(rng, scene, style)

    kinds = sheet.kinds[fine // 2 :: fine, fine // 2 :: fine][inner].copy()
    kinds[(kinds == 0) & ruled[inner]] = KIND_NAMES.index("other")
    kinds[~inside] = 0
    first = MARGIN_PX * fine
    owner = sheet.owner[first : first + height_px * fine, first : first + width_px * fine].copy()
    owner[~np.repeat(np.repeat(inside, fine, axis=0), fine, axis=1)] = -1
    return SimulatedPhoto(
        rgb=rgb,
        um_per_px=style.um_per_px,
        objective=style.objective,
        spores=_truth(style, look, spores, sheet, owner, scene, rgb, height_um[inner], inside, fine, noise),
        kind_map=kinds,
        scales=scales,
        notes={
            "style": "phases",
            **{name: getattr(style, name) for name in NOTED},
            "round_view": not bool(inside.all()),
            "spore_length_um": look.length_um,
            **notes,
            **{f"laid_{name}": number for name, number in style.things.items()},
        },
    )

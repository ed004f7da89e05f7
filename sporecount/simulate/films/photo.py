"""A whole photo: the stack is laid, lit, and taken, and the truth is read off."""

from __future__ import annotations

import json
from dataclasses import asdict

import cv2
import numpy as np

from sporecount.simulate.films import bodies, sheets
from sporecount.simulate.films.bodies import SporeKind, Spores
from sporecount.simulate.films.phone import Phone, develop, draw_phone, lamp_field, noise_density, optics
from sporecount.simulate.films.stack import KIND, Array, Light, Stack, blur_by_map
from sporecount.simulate.films.style import TONES, Rng, Style, draw_style
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth

MARGIN_PX = 24
"""Finished pixels around the view, so that things cut by its edge look natural."""
LUMA = np.array([0.3, 0.59, 0.11], np.float32)


def _grid_factor(style: Style) -> float:
    """Working pixels per finished pixel: fine enough for what the objective lets through."""
    widest_um = 0.15 / style.aperture
    if style.objective >= 15 and 2 * style.um_per_px <= widest_um:
        return 0.5
    return next((f for f in (1.0, 1.5) if style.um_per_px / f <= 1.35 * widest_um), 2.0)


def _heights(rng: Rng, stack: Stack, style: Style) -> Array:
    """Distance of the print from the focal plane."""
    rows, cols = stack.shape
    v = np.linspace(-0.5, 0.5, rows, dtype=np.float32)[:, None]
    u = np.linspace(-0.5, 0.5, cols, dtype=np.float32)[None]
    buckle_um = rng.uniform(0.1, 0.5) * (0.55 * abs(style.focus_um) + 0.5 * float(np.hypot(*style.tilt_um)))
    buckled = np.float32(buckle_um) * bodies.noise(rng, stack.shape, max(rows, cols) / 3)
    return np.asarray(style.focus_um + style.tilt_um[0] * u + style.tilt_um[1] * v + buckled, np.float32)


def _lay_things(rng: Rng, stack: Stack, style: Style, kind: SporeKind, spores: Spores, edge: float) -> int:
    """Lay everything, from the bottom up; the number of whole scales in the view."""
    rows, cols = stack.shape
    below = round(style.beneath * len(spores.x))
    for k in range(below):
        bodies.lay_spore(rng, stack, kind, spores, k, 0)
    templates = [sheets.draw_template(rng, stack.step_um) for _ in range(int(rng.integers(2, 5)))]
    whole = 0
    for n in range(style.scales + style.flakes):
        piece = None if n < style.scales else float(np.clip(rng.lognormal(1.9, 0.6), 3, 40))
        x, y = rng.uniform(0, cols), rng.uniform(0, rows)
        template = templates[int(rng.integers(len(templates)))]
        kept = sheets.lay_scale(rng, stack, template, x, y, piece)
        whole += kept and edge < x < cols - edge and edge < y < rows - edge
    if style.from_above:
        # Light that does not pass through hides what lies beneath.
        hidden = cv2.GaussianBlur(stack.scaled.astype(np.float32), (0, 0), 0.7)
        stack.path_um[0] *= 1 - hidden
        stack.density[0] *= 1 - hidden
    covered = stack.scaled if style.from_above else stack.sheet @ LUMA > 0.6
    seen = (stack.owner >= 0) & ~covered
    stack.kinds[seen] = KIND["spore"]
    stack.owner[~seen] = -1
    for name, number in style.things.items():
        for _ in range(number):
            x, y = rng.uniform(0, cols), rng.uniform(0, rows)
            bodies.lay_small(rng, stack, name, x, y, int(rng.integers(2)))
    for k in range(below, len(spores.x)):
        bodies.lay_spore(rng, stack, kind, spores, k, 1)
    for n in range(style.threads):
        x, y = rng.uniform(0, cols), rng.uniform(0, rows)
        for _ in range(2 if n % 4 == 3 else 1):  # some cross
            bodies.lay_thread(rng, stack, x, y, 1, rng.lognormal(5.3, 0.5))
    sheets.lay_glue(rng, stack, style.preset)
    return int(whole)


def _light_through(rng: Rng, stack: Stack, style: Style, light: Light, heights: list[Array]) -> Array:
    """Draw the scene in red, green and blue on the working grid, about 1 on clear ground."""
    both = np.ones((2, *stack.shape), np.float32)
    for layer in range(2):
        both *= light.through(stack.path_um[layer], stack.density[layer], heights[layer])
    np.clip(both, 1e-3, 8, out=both)
    share = TONES[style.tone][2]
    scene = np.stack([both[0], both[0] ** share * both[1] ** (1 - share), both[1]], 2)
    soft = (light.blur_um(heights[1]) / np.float32(stack.step_um)) ** 2
    flat = np.exp(-stack.sheet * np.float32(2.3))
    scene *= blur_by_map(flat, soft)
    ground = sheets.draw_ground(rng, stack.shape, stack.step_um, style)
    scene *= ground
    if style.from_above:
        # Light from one side: a shadow on the paper below, and a spot where a slope mirrors the lamp.
        way = rng.uniform(0, 2 * np.pi)
        far_px = rng.uniform(2, 7) / stack.step_um
        move = np.array([[1, 0, far_px * np.cos(way)], [0, 1, far_px * np.sin(way)]])
        dark = np.clip(both.mean(0), 0, 1) * flat[..., 1]
        shade = cv2.warpAffine(dark, move, stack.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
        shade = cv2.GaussianBlur(shade, (0, 0), rng.uniform(1.5, 5) / stack.step_um)
        scene *= (1 - rng.uniform(0.15, 0.5) * (1 - shade))[..., None]
        gy, gx = np.gradient(stack.path_um.sum(0), stack.step_um)
        steep = rng.uniform(0.04, 0.12)
        mirror = ((gx - steep * np.cos(way)) ** 2 + (gy - steep * np.sin(way)) ** 2) / (0.35 * steep) ** 2
        glint = cv2.GaussianBlur(np.exp(-mirror).astype(np.float32), (0, 0), 0.6 / stack.step_um)
        scene += np.float32(rng.uniform(0.1, 0.7)) * glint[..., None]
    for _ in range(int(rng.poisson(4 if style.preset in ("hard", "no_spores") else 1.2))):
        # Dirt on the outside of the tape: far above focus, wide and dim.
        x, y = rng.uniform(0, stack.shape[1]), rng.uniform(0, stack.shape[0])
        wide_um = rng.uniform(6, 60)
        window = stack.window(x, y, 3 * wide_um)
        if window is not None:
            at, dx, dy = window
            blot = np.exp(-(((dx**2 + rng.uniform(0.6, 1.6) * dy**2) / wide_um**2) ** rng.uniform(1, 2.5)))
            scene[at] *= (1 - rng.uniform(-0.08, 0.3) * blot)[..., None].astype(np.float32)
    return np.asarray((scene + style.veil * ground.mean((0, 1))) / (1 + style.veil), np.float32)


def _truth(
    style: Style, kind: SporeKind, spores: Spores, fates: list[Array], luma: Array, phone: Phone, view: Array
) -> tuple[SporeTruth, ...]:
    """Say what each spore shows; `fates` holds visible and free share, blur and whether on a scale, by spore."""
    rows, cols = view.shape
    density = -np.log10(np.clip(luma, 1e-4, None))
    um = style.um_per_px
    groups = bodies.touching(spores, um)
    result = []
    for k, (x, y, length, width, angle) in enumerate(zip(*(a.tolist() for a in spores), strict=True)):
        visible, free, blur, on_scale = (float(fate[k]) for fate in fates)
        reach = int(length / um) + 2
        at = (
            slice(max(0, round(y) - reach), max(0, min(rows, round(y) + reach + 1))),
            slice(max(0, round(x) - reach), max(0, min(cols, round(x) + reach + 1))),
        )
        dx, dy = (
            (np.arange(n)[cut] - middle) * um for n, cut, middle in ((cols, at[1], x), (rows, at[0], y))
        )
        u = dx[None] * np.cos(angle) + dy[:, None] * np.sin(angle)
        v = dy[:, None] * np.cos(angle) - dx[None] * np.sin(angle)
        body = (np.abs(v) < kind.half_width(u, length, width)) & (view[at] > 0.5)
        off = np.hypot(2 * u / length, 2 * v / width)
        around = (off > 1.25) & (off < 2.0) & (view[at] > 0.5)
        contrast, pattern, there, rough = 0.0, 0.0, 1e-3, 0.0
        if body.any() and around.any():
            # The lighter half of the surroundings: neighbours are no ground.
            ground = float(np.percentile(density[at][around], 40))
            contrast = float(density[at][body].mean()) - ground
            pattern = float(np.sqrt(np.mean((density[at][body] - ground) ** 2)))
            there = 10 ** -float(density[at][body].mean()) * phone.level
            rough = float(density[at][around].std())
        pixels = kind.area_um2(length, width) / um**2
        # Glue, ridges and JPEG hide what noise alone would not.
        needed = max(
            max(0.09, 0.7 * rough) if on_scale else 0.055, 5 * noise_density(phone, there) / np.sqrt(pixels)
        )
        plain = max(abs(contrast), 0.7 * pattern) >= needed and there > 0.01 and blur <= 0.22 * length
        inside = -0.5 <= x <= cols - 0.5 and -0.5 <= y <= rows - 0.5
        inside = inside and view[min(round(y), rows - 1), min(round(x), cols - 1)] > 0.5
        countable = bool(inside and plain and visible >= 0.5 and (free >= 0.5 or groups[k] == 1))
        sizes = (x, y, length, width, float(np.degrees(angle) % 180))
        result.append(SporeTruth(*sizes, visible, blur, contrast, bool(on_scale), int(groups[k]), countable))
    return tuple(result)


def draw_photo(
    rng: np.random.Generator,
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
    shape = (height_px, width_px)
    style = draw_style(rng, shape, um_per_px, objective, preset)
    factor = _grid_factor(style)
    # Even sides, so that half and one and a half times are whole numbers.
    padded = tuple(n + 2 * MARGIN_PX + n % 2 for n in shape)
    stack = Stack((int(padded[0] * factor), int(padded[1] * factor)), style.um_per_px / factor)
    kind = bodies.draw_spore_kind(rng, style)
    edge = MARGIN_PX * factor
    box = (edge, edge, width_px * factor, height_px * factor)
    spores = bodies.place_spores(rng, style, box, stack.step_um)
    heights = _heights(rng, stack, style)
    layers = [heights + np.float32(rng.normal(0, 3)), heights]
    scales = _lay_things(rng, stack, style, kind, spores, edge)
    light = Light(stack.step_um, style.aperture, style.cone, style.oblique, float(rng.uniform(0, 2)))
    scene = _light_through(rng, stack, style, light, layers)
    resize = cv2.INTER_AREA if factor > 1 else cv2.INTER_CUBIC
    scene = np.asarray(cv2.resize(scene, padded[::-1], interpolation=resize), np.float32)
    inner = (slice(MARGIN_PX, MARGIN_PX + height_px), slice(MARGIN_PX, MARGIN_PX + width_px))
    phone = draw_phone(rng, shape, style)
    lamp, view = lamp_field(rng, phone, shape)
    sensor = optics(scene[inner] * (lamp * view)[..., None], phone)
    ys = np.minimum((np.arange(height_px) + MARGIN_PX + 0.5) * factor, stack.shape[0] - 1).astype(int)
    xs = np.minimum((np.arange(width_px) + MARGIN_PX + 0.5) * factor, stack.shape[1] - 1).astype(int)
    grid = np.ix_(ys, xs)
    kinds = (stack.kinds[grid] * (view > 0.5)).astype(np.uint8)
    owner = np.where(view > 0.5, stack.owner[grid], -1)
    number = len(spores.x)
    below = round(style.beneath * number)
    parts = zip(spores.length_um.tolist(), spores.width_um.tolist(), strict=True)
    area_px = np.array([kind.area_um2(*part) for part in parts]) / style.um_per_px**2
    visible = np.minimum(1, np.bincount(owner[owner >= 0], minlength=number) / area_px)
    alone = owner[(owner >= 0) & (stack.crowd[grid] == 1)]
    free = np.minimum(1, np.bincount(alone, minlength=number) / area_px)
    corner = np.array(stack.shape)[:, None] - 1
    at = tuple(np.clip(np.round(np.stack(spores[1::-1])).astype(int), 0, corner))
    deep, top = (light.blur_um(height)[at] for height in layers)
    blur = np.hypot(np.where(np.arange(number) < below, deep, top), phone.soft_px * style.um_per_px)
    shift = 0.5 / factor - 0.5 - MARGIN_PX
    there = Spores(spores.x / np.float32(factor) + shift, spores.y / np.float32(factor) + shift, *spores[2:])
    fates = [visible, free, blur, stack.scaled[at]]
    facts = {**asdict(style), **asdict(phone), "style": "films", "spore_index": kind.filling_index}
    return SimulatedPhoto(
        rgb=develop(rng, sensor, phone),
        um_per_px=style.um_per_px,
        objective=style.objective,
        spores=_truth(style, kind, there, fates, sensor @ LUMA, phone, view),
        kind_map=kinds,
        scales=scales,
        notes=json.loads(json.dumps(facts)),
    )

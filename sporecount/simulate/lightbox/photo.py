"""A whole photo, from the bare ground to the finished picture and its truth."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from sporecount.simulate.lightbox import debris
from sporecount.simulate.lightbox.camera import Phone, develop, draw_ground, lamp_field
from sporecount.simulate.lightbox.optics import LUMA, Array, Canvas, Rng
from sporecount.simulate.lightbox.spores import Laid, SporeLook, Spores, lay_spore, place_spores, touching
from sporecount.simulate.lightbox.style import Style
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth


def _lay_things(rng: Rng, canvas: Canvas, style: Style, share: float) -> int:
    """Lay about a share of the other things; the number of nearly whole scales in the view."""
    rows, cols = canvas.shape
    looks = [debris.ScaleLook(rng) for _ in range(int(rng.integers(1, 4)))]
    lay = {name: getattr(debris, f"lay_{name}") for name in ("dust", "pollen", "stub", "bubble")}
    lay |= {name: partial(debris.lay_rounds, name=name) for name in ("droplet", "mould")}
    whole = 0
    for name in ("scale", "piece", *lay):
        for _ in range(int(rng.binomial(style.things[name], share))):
            x, y = rng.uniform(-5, cols + 4), rng.uniform(-5, rows + 4)
            depth = float(rng.normal(0, 1) * style.depth_um) + (0.4 if name == "bubble" else 0.0)
            if name in lay:
                lay[name](rng, canvas, x, y, depth)
                continue
            look = looks[int(rng.integers(len(looks)))]
            if name == "piece":
                debris.lay_piece(rng, canvas, look, x, y, depth)
            elif debris.lay_scale(rng, canvas, look, x, y, depth):
                whole += 0 <= x < cols and 0 <= y < rows
    return whole


def _countable(s: SporeTruth, laid: Laid, style: Style, phone: Phone, light: float, layers: float) -> bool:
    """Tell whether a careful person could count a spore that lies inside the view."""
    pixels = s.length_um * s.width_um * 0.7 / style.um_per_px**2
    # Noise averages out over a spore; the fixed share guards against the ground's texture and a scale's ridges.
    floor = (0.09 if s.on_scale else 0.045) + 0.015 * style.glue + 0.5 * s.blur_um / s.length_um * 0.1
    needed = max(floor, 4.5 * phone.noise_od(light) / np.sqrt(pixels))
    shown = min(abs(s.contrast) + 0.4 * laid.strength, 1.2 * laid.strength)
    # A step in the finished tones that an eye can see.
    step = (light * phone.level) ** 0.45 * (1 - 10 ** (-0.45 * shown))
    if step < (0.05 if s.on_scale else 0.035) or shown < needed or s.visible < 0.5:
        return False
    # In a pile the outline must be there to follow: not too many layers, and sharp enough for its edges.
    return layers < 2.3 and s.blur_um <= (0.22 if s.clump < 6 else 0.17) * s.length_um


def _truth(
    style: Style, phone: Phone, canvas: Canvas, spores: Spores, laid: list[Laid | None], groups: Array
) -> tuple[SporeTruth, ...]:
    lamp, view = lamp_field(phone, canvas.shape)
    rows, cols = canvas.shape
    seen = np.bincount(canvas.owner[(canvas.owner >= 0) & (view > 0.5)], minlength=len(laid))
    luma = (canvas.light @ LUMA) * lamp
    result = []
    for k, drawn in enumerate(laid):
        if drawn is None:
            continue
        x, y = float(spores.x[k]), float(spores.y[k])
        col, row = int(np.clip(round(x), 0, cols - 1)), int(np.clip(round(y), 0, rows - 1))
        reach = max(int(0.3 * spores.width_um[k] / style.um_per_px), 1)
        near = (slice(max(row - reach, 0), row + reach + 1), slice(max(col - reach, 0), col + reach + 1))
        blur = float(np.sqrt(drawn.variance_um2 + style.um_per_px**2 * (1 / 12 + phone.variance_px2)))
        spore = SporeTruth(
            x_px=x,
            y_px=y,
            length_um=float(spores.length_um[k]),
            width_um=float(spores.width_um[k]),
            angle_deg=float(np.degrees(spores.angle[k]) % 180),
            visible=float(min(1.0, seen[k] / max(drawn.pixels, 1.0))),
            blur_um=blur,
            contrast=drawn.density * float(canvas.clear[near].mean() if canvas.from_above else 1.0),
            on_scale=bool(canvas.scaled[row, col]),
            clump=int(groups[k]),
            countable=False,
        )
        inside = -0.5 <= x <= cols - 0.5 and -0.5 <= y <= rows - 0.5 and view[row, col] > 0.5
        layers, light = float(canvas.stack[near].mean()), float(luma[near].mean())
        good = bool(inside and _countable(spore, drawn, style, phone, light, layers))
        result.append(replace(spore, countable=good))
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

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    shape = (height_px, width_px)
    style = Style(rng, shape, um_per_px, objective, preset)
    canvas = Canvas(draw_ground(rng, shape, style), style.um_per_px, style.lens, style.from_above)
    look = SporeLook(rng)
    spores = place_spores(rng, style, shape)
    grains = debris.noise(rng, (320, 320), 1.0 / min(style.um_per_px, 0.45) + 1)
    laid: list[Laid | None] = []
    below = round(style.spores * rng.uniform(0, 0.3))
    early = rng.uniform(0.1, 0.4)
    scales = _lay_things(rng, canvas, style, early)
    laid += [lay_spore(rng, canvas, look, spores, k, grains) for k in range(below)]
    scales += _lay_things(rng, canvas, style, 0.6)
    laid += [lay_spore(rng, canvas, look, spores, k, grains) for k in range(below, style.spores)]
    scales += _lay_things(rng, canvas, style, 0.4 - early)
    for name in ["hair"] * style.things["hair"] + ["fibre"] * style.things["fibre"]:
        debris.lay_thread(rng, canvas, name)
    phone = Phone(rng, style)
    lamp, view = lamp_field(phone, shape)
    scene = np.clip(canvas.light, 0, 2.0) * (lamp * view)[..., None]
    return SimulatedPhoto(
        rgb=develop(rng, scene, phone),
        um_per_px=style.um_per_px,
        objective=style.objective,
        spores=_truth(style, phone, canvas, spores, laid, touching(spores, look.point, style.um_per_px)),
        kind_map=(canvas.kinds * (view > 0.5)).astype(np.uint8),
        scales=int(scales),
        notes={
            **{"style": "lightbox", "preset": preset},
            **{name: getattr(style, name) for name in ("from_above", "dim", "ground")},
            "round_view": phone.circle is not None,
            "defocus_um": style.lens.middle_um,
            "tilt_um": float(np.hypot(*style.lens.tilt_um)),
            **{"spore_length_um": style.length_um, "quality": phone.quality},
            **{f"laid_{name}": count for name, count in style.things.items()},
        },
    )

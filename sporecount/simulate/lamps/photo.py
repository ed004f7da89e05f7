"""A whole photo: bodies on the bench, light through it, the phone's picture, and the truth."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.lamps.bench import SEEN_THROUGH, Bench, clouds, draw_ground, light_up
from sporecount.simulate.lamps.bodies import SMALL, Spot, lay_scale, lay_thread
from sporecount.simulate.lamps.phone import (
    Phone,
    blur_by_map,
    develop,
    draw_phone,
    lamp_and_view,
    variance_map,
)
from sporecount.simulate.lamps.spores import BLURS_UM, Build, Spores, draw_build, place_spores, specimen
from sporecount.simulate.lamps.style import LUMA, Array, Style, draw_style, log_uniform
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth

MARGIN_PX = 20
"""Finished pixels around the view, so that blur, shadows and things cut by its edge look natural."""


def _focus_at(style: Style, bench: Bench, x: float, y: float) -> float:
    """Strength and sign of the lens effect at a place, from the focus error in depths of field."""
    rows, cols = bench.gain.shape
    error = style.error_um(x / cols, y / rows) * style.aperture**2 / 0.55
    # A dense body gathers light even where its middle is in focus.
    return float(np.clip(0.35 + error, -1.6, 1.6))


def _lay_spores(
    rng: np.random.Generator,
    bench: Bench,
    style: Style,
    build: Build,
    spores: Spores,
    which: NDArray[np.int64],
) -> None:
    for k in which:
        x, y = float(spores.x[k]), float(spores.y[k])
        size = (float(spores.length_um[k]), float(spores.width_um[k]))
        patch, top, left = build.draw(rng, bench.px_um, (x, y), size, float(spores.angle[k]))
        bench.lay(patch, top, left, "spore", focus=_focus_at(style, bench, x, y), owner=int(k))


def _spot(rng: np.random.Generator, bench: Bench, style: Style) -> Spot:
    """Choose a place anywhere on the bench."""
    x, y = float(rng.uniform(0, bench.gain.shape[1])), float(rng.uniform(0, bench.gain.shape[0]))
    return Spot(bench, x, y, _focus_at(style, bench, x, y))


def _lay_small(rng: np.random.Generator, bench: Bench, style: Style, share: float) -> None:
    """Lay a share of every small thing, in mixed order."""
    names = [name for name in SMALL for _ in range(round(style.things[name] * share))]
    for k in rng.permutation(len(names)):
        SMALL[names[k]](rng, _spot(rng, bench, style))


def _lay_all(
    rng: np.random.Generator, bench: Bench, style: Style, build: Build, edge: float
) -> tuple[Spores, NDArray[np.float64], int]:
    """Lay everything from the ground up: the spores, each one's veil by what lies above, whole scales in view."""
    rows, cols = bench.gain.shape
    sorts = rng.integers(2**31, size=int(rng.integers(1, 5)))
    scales = rng.uniform(0, 1, (style.things["scale"], 2)) * np.array([cols, rows])
    spores = place_spores(rng, style, build, (rows, cols), bench.px_um, scales)
    order = rng.permutation(len(spores.x))
    below = round(style.beneath * len(order))
    _lay_small(rng, bench, style, 0.4)
    _lay_spores(rng, bench, style, build, spores, order[:below])
    whole = 0
    for x, y in scales:
        kept = lay_scale(rng, Spot(bench, x, y), int(rng.choice(sorts)))
        whole += kept and edge < x < cols - edge and edge < y < rows - edge
    for _ in range(style.things["piece"]):
        piece_um = float(np.clip(13 * np.exp(rng.normal(0, 0.55)), 4, 60))
        lay_scale(rng, _spot(rng, bench, style), int(rng.choice(sorts)), piece_um)
    _lay_small(rng, bench, style, 0.4)
    _lay_spores(rng, bench, style, build, spores, order[below:])
    _lay_small(rng, bench, style, 0.2)
    for kind in ("hair", "fibre"):
        for _ in range(style.things[kind]):
            lay_thread(rng, _spot(rng, bench, style), kind)
    mine = bench.owner >= 0
    total = np.bincount(bench.owner[mine], bench.veil[mine], minlength=len(spores.x))
    count = np.bincount(bench.owner[mine], minlength=len(spores.x))
    return spores, total / np.maximum(count, 1), int(whole)


def _truth(
    style: Style,
    phone: Phone,
    build: Build,
    spores: Spores,
    bench: Bench,
    veil: NDArray[np.float64],
    seen_px: NDArray[np.int64],
    colour: Array,
    picture: Array,
    variance_um2: Array,
    view: Array,
    fine: int,
    uneven: float,
) -> tuple[SporeTruth, ...]:
    """Tell what each spore shows in the finished photo."""
    (rows, cols), (high, long) = view.shape, bench.scaled.shape
    groups = spores.groups(build, bench.px_um)
    free = spores.followed(build, bench.px_um, float(np.sqrt(np.median(variance_um2))))
    steps = np.linspace(-1.6, 1.6, 7)
    looks = [specimen(build, style.light, float(step), colour) for step in steps]
    x_px, y_px = (place / fine + 0.5 / fine - 0.5 - MARGIN_PX for place in (spores.x, spores.y))
    area_um2 = build.area_um2(1, 1) * spores.length_um * spores.width_um
    visible = np.clip(seen_px * bench.px_um**2 / area_um2, 0, 1)
    extra_um2 = style.um_per_px**2 * (1 / 12 + phone.smooth_px**2)
    result = []
    for k in range(len(spores.x)):
        col, row = int(np.clip(round(x_px[k]), 0, cols - 1)), int(np.clip(round(y_px[k]), 0, rows - 1))
        length = float(spores.length_um[k])
        blur = float(np.sqrt(variance_um2[row, col] + extra_um2))
        near = int(np.argmin(np.abs(steps - _focus_at(style, bench, spores.x[k], spores.y[k]))))
        light = float(picture[row, col] @ LUMA)
        # Stray light thins every contrast by the share of true light.
        share = float(veil[k]) * float(np.clip(1 - phone.exposure * phone.haze / max(light, 1e-3), 0, 1))
        contrast, spread = (share * float(np.interp(blur, BLURS_UM, look)) for look in looks[near])
        at = (int(spores.y[k]), int(spores.x[k]))
        on_scale = bool(bench.scaled[at[0] % high, at[1] % long])
        noise = phone.noise_density(light) * style.um_per_px / np.sqrt(area_um2[k])
        # Nearly black pixels lose what the sensor saw to 8 bits and JPEG.
        # The grain and ridges of a body that it lies on or under grow with that body's density.
        busy = (
            -0.18 * float(np.log10(max(bench.clear[at[0] % high, at[1] % long] @ LUMA, 1e-3)))
            - 0.3 * contrast
        )
        needed = max(0.1, busy) if on_scale else max(0.06, 2.5 * uneven)
        needed = max(needed, 7 * noise) * (3 if light < 0.03 else 1)
        inside = -0.5 <= x_px[k] <= cols - 0.5 and -0.5 <= y_px[k] <= rows - 0.5 and view[row, col] > 0.5
        shows = min(visible[k], free[k]) >= 0.5 and contrast >= 0.03 and max(contrast, 0.8 * spread) >= needed
        result.append(
            SporeTruth(
                x_px=float(x_px[k]),
                y_px=float(y_px[k]),
                length_um=length,
                width_um=float(spores.width_um[k]),
                angle_deg=float(np.degrees(spores.angle[k]) % 180),
                visible=float(visible[k]),
                blur_um=blur,
                contrast=contrast,
                on_scale=on_scale,
                clump=int(groups[k]),
                countable=bool(inside and shows and blur <= 0.22 * length),
            )
        )
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
    fine = 2 if style.um_per_px > 0.9 else 1
    coarse = (height_px + 2 * MARGIN_PX, width_px + 2 * MARGIN_PX)
    size = (coarse[0] * fine, coarse[1] * fine)
    bench = Bench(size, style.um_per_px / fine, style.light)
    colour, ground = draw_ground(rng, size, bench.px_um, style.ground)
    # A ground that is as uneven as a spore is dark hides it.
    texture, size_px = ground[::fine, ::fine, 1], max(3, int(25 / style.um_per_px))
    uneven = float((texture - cv2.blur(texture, (size_px, size_px))).std())
    # Unevenness of the glue bends the light a little everywhere.
    wavy = log_uniform(rng, 0.002, 0.02) * (2 if preset == "hard" else 1)
    bench.gain *= 1 + np.float32(wavy) * np.clip(
        clouds(rng, size, log_uniform(rng, 6, 40) / bench.px_um), -4, 4
    )
    build = draw_build(rng)
    spores, veil, scales = _lay_all(rng, bench, style, build, MARGIN_PX * fine)

    scene = light_up(bench, colour, ground)
    if fine > 1:
        scene = np.asarray(cv2.resize(scene, coarse[::-1], interpolation=cv2.INTER_AREA), np.float32)
    inner = (slice(MARGIN_PX, MARGIN_PX + height_px), slice(MARGIN_PX, MARGIN_PX + width_px))
    variance_um2 = variance_map(rng, coarse, style)
    scene = blur_by_map(scene, variance_um2 / np.float32(style.um_per_px**2))[inner]
    phone = draw_phone(rng, style)
    lamp, view, mirror = lamp_and_view(rng, style, shape)
    bare = colour * (
        style.light.below * style.light.hue_below + (1 - style.light.below) * style.light.hue_above
    )
    scene = scene * (lamp * np.float32(phone.exposure) / np.float32(bare @ LUMA))[..., None]
    # In dim light everything that is added scales with the exposure.
    scene = (scene + (phone.exposure * (mirror + phone.haze))[..., None].astype(np.float32)) * view[..., None]

    step = slice(MARGIN_PX * fine + fine // 2, None, fine)
    kinds = bench.kinds[step, step][:height_px, :width_px] * (view > 0.5)
    first = MARGIN_PX * fine
    cut = (slice(first, first + height_px * fine), slice(first, first + width_px * fine))
    shown = (bench.owner[cut] >= 0) & (bench.veil[cut] >= SEEN_THROUGH)
    shown &= np.kron(view > 0.5, np.ones((fine, fine), bool)) if fine > 1 else view > 0.5
    seen_px = np.bincount(bench.owner[cut][shown], minlength=len(spores.x))
    return SimulatedPhoto(
        rgb=develop(rng, scene.copy(), phone),
        um_per_px=style.um_per_px,
        objective=style.objective,
        spores=_truth(
            style,
            phone,
            build,
            spores,
            bench,
            veil,
            seen_px,
            colour,
            scene,
            variance_um2[inner],
            view,
            fine,
            uneven,
        ),
        kind_map=kinds.astype(np.uint8),
        scales=scales,
        notes={
            "style": "lamps",
            **{name: getattr(style, name) for name in ("preset", "ground", "focus_um", "tilt_um")},
            "light": style.light.name,
            "from_above": 1 - style.light.below,
            "exposure": phone.exposure,
            "round_view": bool(view.min() < 0.5),
            "spore_length_um": build.length_um,
            "spore_density": float(build.pigment @ LUMA),
            **{f"laid_{name}": number for name, number in style.things.items()},
        },
    )

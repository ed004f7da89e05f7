"""One simulated photo in the aperture style, with its truth."""

from __future__ import annotations

from typing import Any

import numpy as np

from sporecount.simulate.aperture import bodies, debris
from sporecount.simulate.aperture.camera import draw_phone, photograph
from sporecount.simulate.aperture.optics import APERTURES, blur_sigma_um, image, lamp, round_view, shadows
from sporecount.simulate.aperture.paper import draw_ground
from sporecount.simulate.aperture.presets import DEPTH_UM, FIELD_NUMBER_MM, PRESETS, UM_PER_PX, Preset
from sporecount.simulate.aperture.scene import Array, Scene, soft_noise
from sporecount.simulate.aperture.seats import draw_seats
from sporecount.simulate.aperture.truths import tell_truths
from sporecount.simulate.truth import SimulatedPhoto

MARGIN_UM = 25.0


def _poisson(rng: np.random.Generator, per_mm2: float, area_mm2: float, least: int = 0) -> int:
    return max(least, int(rng.poisson(per_mm2 * area_mm2 * rng.gamma(3, 1 / 3))))


def _spore_number(
    rng: np.random.Generator, name: str, preset: Preset, brood: bodies.Brood, area_mm2: float
) -> int:
    if name == "scan_4x":
        per_mm2 = np.exp(rng.uniform(np.log(10), np.log(150))) if rng.random() < 0.5 else rng.uniform(0, 0.3)
        return int(rng.poisson(per_mm2 * area_mm2))
    low, high = preset.spores
    if not high:
        return 0
    # Fewer where the view is small, and never more than can lie side by side.
    share = min(1.0, area_mm2 / 0.25) if name != "heavy" else 1.0
    most = 0.33 * area_mm2 * 1e6 / (0.7 * brood.length_um**2 / brood.ratio)
    return max(1, int(min(np.exp(rng.uniform(np.log(low), np.log(high))) * share, most)))


def _scatter_litter(
    rng: np.random.Generator, scene: Scene, looks: bodies.Plumage, preset: Preset, area: float
) -> None:
    rows, cols = scene.shape
    least = 1 if preset.spores[1] == 0 else 0

    def places(per_mm2: float) -> Array:
        return rng.uniform(0, 1, (_poisson(rng, per_mm2, area, least), 2)) * [cols, rows]

    many = preset.litter
    for x, y in places(preset.fibres):
        debris.lay_fibre(rng, scene, x, y, rng.uniform(0.4, 1.2) * (1.5 if preset.fibres > 10 else 1))
    for x, y in places(16 * many):
        bodies.lay_piece(rng, scene, looks, x, y, float(np.clip(rng.lognormal(np.log(14), 0.6), 4, 60)))
    for x, y in places(14 * many):
        debris.lay_dust(rng, scene, x, y, float(np.clip(rng.lognormal(np.log(5), 0.7), 1.5, 35)))
    for x, y in places(3 * many):
        big = rng.random() < 0.6
        debris.lay_pollen(rng, scene, x, y, rng.uniform(9, 20) if big else rng.uniform(4.5, 8))
    for x, y in places(3 * many):
        debris.lay_mould(rng, scene, x, y)
    for x, y in places(4 * many):
        debris.lay_droplet(rng, scene, x, y, float(np.clip(rng.lognormal(np.log(4), 0.5), 1.5, 14)))
    for x, y in places(7 * many):
        debris.lay_bubble(rng, scene, x, y, float(np.clip(rng.lognormal(np.log(5), 0.5), 2, 14)))


def _draw_scene(
    rng: np.random.Generator, name: str, preset: Preset, shape: tuple[int, int], um_per_px: float, above: bool
) -> tuple[Scene, bodies.Brood, list[bodies.Seat], list[tuple[int, float]], int, str]:
    ground = str(rng.choice(["card", "thin", "film"], p=[0.5, 0.3, 0.2]))
    if name == "hard" or above:
        ground = "card"
    scene = Scene(draw_ground(rng, shape, um_per_px, ground, rng.uniform(*preset.strength)), um_per_px, above)
    rows, cols = shape
    area = rows * cols * um_per_px**2 / 1e6
    brood, looks = bodies.draw_brood(rng), bodies.draw_plumage(rng)
    seats = draw_seats(
        rng,
        brood,
        shape,
        um_per_px,
        _spore_number(rng, name, preset, brood, area),
        preset.group,
        preset.clumped,
        preset.below,
        preset.overlapping,
    )
    seats.sort(key=lambda seat: not seat.below)
    grain = rng.uniform(0, 0.15)
    drawn: list[tuple[int, float]] = []
    below = sum(seat.below for seat in seats)
    drawn += [bodies.lay_spore(scene, brood, seat, k + 1, grain) for k, seat in enumerate(seats[:below])]
    scales = 0
    margin = MARGIN_UM / um_per_px
    for _ in range(_poisson(rng, rng.uniform(*preset.scales_per_mm2), area, 1)):
        x, y = rng.uniform(0, cols), rng.uniform(0, rows)
        whole = bodies.lay_scale(rng, scene, looks, x, y, cut=bool(rng.random() < 0.3))
        scales += whole and margin <= x < cols - margin and margin <= y < rows - margin
    _scatter_litter(rng, scene, looks, preset, area)
    drawn += [
        bodies.lay_spore(scene, brood, seat, k + 1, grain) for k, seat in enumerate(seats[below:], below)
    ]
    for _ in range(_poisson(rng, preset.hairs, area)):
        debris.lay_hair(rng, scene, rng.uniform(0, cols), rng.uniform(0, rows))
    for _ in range(_poisson(rng, preset.bubbles, area)):
        debris.lay_bubble(
            rng, scene, rng.uniform(0, cols), rng.uniform(0, rows), float(rng.lognormal(np.log(28), 0.5))
        )
    if rng.random() < preset.glue:
        debris.lay_glue(rng, scene, rng.uniform(0.06, 0.22), rng.uniform(0.15, 0.6))
    if name in ("hard", "no_spores") and rng.random() < 0.15:
        debris.lay_line(rng, scene, np.array([0.9, 0.8, 0.5], np.float32), rng.uniform(15, 60))
    return scene, brood, seats, drawn, scales, ground


def _defocus(rng: np.random.Generator, scene: Scene, preset: Preset, depth_um: float) -> Array:
    rows, cols = scene.shape
    y, x = np.mgrid[0:rows, 0:cols].astype(np.float32)
    half = np.float32(np.hypot(rows, cols) / 2)
    x, y = (x - cols / 2) / half, (y - rows / 2) / half
    turn = rng.uniform(0, 2 * np.pi)
    tilt, curve = rng.uniform(0, preset.tilt), rng.normal(0, preset.curve)
    plane = (
        rng.normal(0, preset.drift) + tilt * (x * np.cos(turn) + y * np.sin(turn)) + curve * (x * x + y * y)
    )
    return (plane * depth_um + np.clip(scene.lift_um, -8, 8) - rng.uniform(0, 2)).astype(np.float32)


def draw_photo(
    rng: np.random.Generator,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str,
) -> SimulatedPhoto:
    """Draw one simulated photo of a tape print.

    Parameters
    ----------
    rng : numpy.random.Generator
    width_px, height_px : int
        Size of the photo, at least 64.
    um_per_px : float, optional
        Scale of the photo; drawn from a range that suits the objective when left out.
    objective : float, optional
        4, 10, 20 or 40; drawn from the preset when left out.
    preset : str
        A name of `PRESETS`.

    Returns
    -------
    SimulatedPhoto
    """
    choice = PRESETS[preset]
    names, shares = zip(*choice.objectives, strict=True)
    lens = float(objective if objective is not None else rng.choice(names, p=shares))
    scale = float(um_per_px if um_per_px is not None else rng.uniform(*UM_PER_PX[lens]))
    margin = min(int(np.ceil(MARGIN_UM / scale)), 110)
    shape = (height_px + 2 * margin, width_px + 2 * margin)
    above, dim = bool(rng.random() < choice.above), bool(rng.random() < choice.dim)
    scene, brood, seats, drawn, scales, ground = _draw_scene(rng, preset, choice, shape, scale, above)
    defocus = _defocus(rng, scene, choice, DEPTH_UM[lens])
    lens_um = rng.uniform(0.45, 0.85) * scale
    if above:
        scene.light = shadows(
            scene.light, scene.lift_um, scale, rng.uniform(0, 2 * np.pi), rng.uniform(0.05, 0.25)
        )
    light = image(
        scene.light, scene.path_um, defocus, scale, APERTURES[lens], lens_um, rng.uniform(0.05, 0.3)
    )
    from_scene = light[..., 1].copy()
    # A little light strays into every dark place; from above, the tape's gloss adds broad patches.
    light += np.float32(rng.uniform(0.0, 0.03))
    if above and rng.random() < 0.5:
        gloss = np.clip(soft_noise(rng, shape, rng.uniform(60, 250) / scale) - 1.1, 0, 1)
        light += (gloss * np.float32(rng.uniform(0.1, 0.6)))[..., None]
    total = np.maximum(light[..., 1], 1e-4)
    level = rng.uniform(0.05, 0.16) if dim else rng.uniform(0.3, 0.8)
    lit = lamp(rng, shape, rng.uniform(0.05, 0.9 if preset == "hard" else 0.45))
    lit *= np.float32(level / np.median(lit[::8, ::8, 1]))
    radius_px = FIELD_NUMBER_MM / lens / 2 * 1000 / scale
    center = np.array([shape[1] / 2, shape[0] / 2]) + rng.normal(0, 0.06, 2) * shape[1]
    if rng.random() < 0.25:
        # The phone sits off the eyepiece's axis: the rim cuts through the photo.
        turn = rng.uniform(0, 2 * np.pi)
        away = max(0.0, radius_px - rng.uniform(0.25, 0.55) * shape[1])
        center += away * np.array([np.cos(turn), np.sin(turn)])
    stop = round_view(shape, (float(center[0]), float(center[1])), radius_px, rng.uniform(0.8, 4))
    light = light * lit * (stop + np.float32(rng.uniform(0.0, 0.006)))
    inner = (slice(margin, margin + height_px), slice(margin, margin + width_px))
    phone = draw_phone(rng, dim)
    rgb = photograph(rng, np.ascontiguousarray(light[inner]), phone)
    blur_um = np.hypot(blur_sigma_um(defocus, APERTURES[lens]), lens_um)
    truths = tell_truths(
        scene, seats, drawn, blur_um, light[..., 1], from_scene / total, stop[..., 1], margin
    )
    notes: dict[str, Any] = {
        "recipe": "aperture",
        "preset": preset,
        "from_above": above,
        "dim": dim,
        "ground": ground,
        "length_um": brood.length_um,
        "defocus_um": float(np.median(np.abs(defocus[inner]))),
        "level": float(level),
        "smooth": phone.smooth,
        "quality": phone.quality,
        "rim": bool((stop[inner][..., 1] < 0.5).any()),
    }
    return SimulatedPhoto(rgb, scale, lens, truths, scene.kind[inner].copy(), scales, notes)

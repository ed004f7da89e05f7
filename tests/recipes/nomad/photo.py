"""Put a print together, image it, and photograph it."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.truth import SimulatedPhoto
from tests.recipes.nomad.clutter import PER_MM2
from tests.recipes.nomad.field import Field, Floats
from tests.recipes.nomad.ground import Stage, eyepiece, lamp_light, spread_glue
from tests.recipes.nomad.judge import Judge
from tests.recipes.nomad.optics import Optics, blur_by_map
from tests.recipes.nomad.phone import Phone
from tests.recipes.nomad.presets import PRESETS, UM_PER_PX, USUAL_VIEW_MM2, Preset
from tests.recipes.nomad.shapes import soft_noise
from tests.recipes.nomad.spores import Brood, Laid, Spore, grown, paint, spots
from tests.recipes.nomad.wing import lay_hair, lay_piece, lay_scale

_ALL = (0, 1, 2)
_GREEN = (1,)


def draw_photo(
    rng: np.random.Generator,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str,
) -> SimulatedPhoto:
    """Draw a photo of a tape print as partly coherent bright field, with the truth of its spores.

    Parameters
    ----------
    rng : numpy.random.Generator
    width_px, height_px : int
    um_per_px, objective : float, optional
        Kept if given, else drawn for the preset.
    preset : str
        One of good_focus, ordinary, hard, no_spores, heavy, scan_4x.

    Returns
    -------
    SimulatedPhoto

    Raises
    ------
    ValueError
        For another preset.
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}")
    wish = PRESETS[preset]
    magnified = float(rng.choice(wish.objectives)) if objective is None else float(objective)
    near = min(UM_PER_PX, key=lambda m: abs(np.log(m / magnified)))
    scale = float(rng.uniform(*UM_PER_PX[near])) if um_per_px is None else float(um_per_px)
    field = Field(height_px, width_px, scale)
    stage = Stage.drawn(rng, wish.above)
    brood = Brood.drawn(rng, wish)
    laid, numbers = _fill(rng, field, wish, brood)
    optics = Optics(magnified, scale, stage.coherence, stage.slant, float(rng.normal(0, 1.2)))
    defocus = _defocus(rng, field, optics, wish)
    blur = optics.blur_um(defocus)
    spread_glue(rng, field, float(rng.uniform(*wish.glue)))
    lamp = lamp_light(rng, field, stage)
    view = eyepiece(rng, field, 0.2)
    lit = lamp if view is None else lamp * view[..., None]
    variance = (blur / scale) ** 2
    shown = blur_by_map(_light(field, stage, optics, defocus, lit, _ALL, field.path_um, field.ink), variance)
    bare_ink, bare_path = field.ink - field.spore_ink, field.path_um - field.spore_path_um
    bare = (
        _light(field, stage, optics, defocus, lit, _GREEN, bare_path, bare_ink)[..., 0]
        if laid
        else shown[..., 1]
    )
    bare = blur_by_map(bare, variance) if laid else bare
    dim = bool(rng.random() < (0.35 if wish is PRESETS["hard"] else 0.05))
    phone = Phone.drawn(rng, shown, dim, float(rng.uniform(*wish.noise)))
    seen = np.ones(shown.shape[:2], np.float32) if view is None else view
    judge = Judge(field, phone, np.ascontiguousarray(shown[..., 1]), bare, blur, seen)
    truths = judge.truths(laid, numbers)
    kinds = np.where(seen > 0.5, field.kind, 0).astype(np.uint8)
    return SimulatedPhoto(
        rgb=phone.shoot(rng, shown),
        um_per_px=scale,
        objective=magnified,
        spores=truths,
        kind_map=kinds,
        scales=field.scales,
        notes={
            "style": "nomad",
            "preset": preset,
            "light": stage.way,
            "above": stage.above,
            "lamp": stage.lamp,
            "card": stage.card,
            "colour": brood.colour,
            "defocus_um": float(defocus.mean()),
            "blur_um": float(blur.mean()),
            "round_view": view is not None,
            "dim": dim,
            "jpeg": phone.jpeg,
        },
    )


def _fill(rng: np.random.Generator, field: Field, wish: Preset, brood: Brood) -> tuple[list[Laid], list[int]]:
    """Lay all things in the order in which the tape took them up."""
    area_mm2 = field.width_um * field.height_um * 1e-6
    share = area_mm2 / USUAL_VIEW_MM2
    crowd = wish.largest_clump > 50
    count = int(np.exp(rng.uniform(np.log(wish.spores[0] + 1), np.log(wish.spores[1] + 1)))) - 1
    count = min(wish.spores[1], round(count * (min(1.0, share) if crowd else min(1.0, share**0.6))))
    lemons = spots(rng, field, brood, count, wish)
    if crowd:
        first = brood.spore(rng, field.width_um / 2, field.height_um / 2, rng.uniform(0, np.pi))
        lemons += [first, *grown(rng, first, brood, 6)]
    rng.shuffle(lemons)
    below = int(len(lemons) * rng.uniform(0, 0.25))
    junk = float(rng.uniform(*wish.junk))
    wings = float(rng.uniform(8, 34)) * junk * area_mm2

    things = [lay for lay, often in PER_MM2 for _ in range(int(rng.poisson(often * junk * area_mm2)))]
    things += [lay_scale] * int(rng.poisson(wings)) + [lay_hair] * int(rng.poisson(3 * junk * area_mm2))
    things += [lay_piece] * int(rng.poisson(40 * junk * area_mm2))
    order = rng.permutation(len(things))
    first_laid = int(len(things) * rng.uniform(0.6, 0.95))
    laid: list[Laid] = []
    numbers: list[int] = []
    for part, batch in ((order[:first_laid], lemons[below:]), (order[first_laid:], [])):
        if not laid:
            _paint_all(field, lemons[:below], brood, laid, numbers, 0)
        for n in part:
            things[n](rng, field)
        _paint_all(field, batch, brood, laid, numbers, below)
    return laid, numbers


def _paint_all(
    field: Field, batch: list[Spore], brood: Brood, laid: list[Laid], numbers: list[int], start: int
) -> None:
    """Paint spores and keep what became of each."""
    for n, spore in enumerate(batch, start):
        one = paint(field, n, spore, brood)
        if one is not None:
            laid.append(one)
            numbers.append(n)


def _defocus(rng: np.random.Generator, field: Field, optics: Optics, wish: Preset) -> Floats:
    """Signed height of the print over the focal plane: offset, tilt, and the waves of tape and card."""
    blur = float(rng.uniform(*wish.blur_um))
    whole = blur / optics.blur_per_um
    drift = float(rng.uniform(*wish.drift))
    y, x = np.mgrid[-1 : 1 : field.rows * 1j, -1 : 1 : field.cols * 1j].astype(np.float32)
    turn = rng.uniform(0, 2 * np.pi)
    tilt = (np.cos(turn) * x + np.sin(turn) * y) * 1.2
    wave = soft_noise(rng, (field.rows, field.cols), 0.3 * max(field.rows, field.cols))
    part = rng.uniform(0, 1)
    varied = tilt * np.sqrt(part) + wave * np.sqrt(1 - part)
    return np.asarray(whole * (np.sqrt(1 - drift**2) * rng.choice([-1, 1]) + drift * varied), np.float32)


def _light(
    field: Field,
    stage: Stage,
    optics: Optics,
    defocus: Floats,
    lamp: Floats,
    channels: tuple[int, ...],
    path: Floats,
    ink: Floats,
) -> Floats:
    """Light that leaves the print upward, before blur."""
    at = list(channels)
    lens = optics.refract(path, defocus, channels)
    through = np.power(np.float32(10), -ink[..., at])
    out = lamp[..., at] * through * lens
    if stage.above == 0:
        return np.asarray(out, np.float32)
    # light from above comes back from the card through the pigment a second time, from a slanting lamp aside
    aside = np.array(
        [[1, 0, 4 * stage.slant[0] / field.um_per_px], [0, 1, 4 * stage.slant[1] / field.um_per_px]]
    )
    size = (field.cols, field.rows)
    moved = cv2.warpAffine(through, aside, size, borderMode=cv2.BORDER_REPLICATE).reshape(through.shape)
    soft = cv2.GaussianBlur(moved, (0, 0), max(0.6, 2.5 / field.um_per_px)).reshape(through.shape)
    back = lamp[..., at] * through * (0.35 + 0.65 * soft) * np.sqrt(lens)
    thrown = 0.35 * field.scatter[..., None] * through**0.4 * lamp[..., at]
    return np.asarray((1 - stage.above) * out + stage.above * (back + thrown), np.float32)

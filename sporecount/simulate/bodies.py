"""Larger bodies laid into an existing photo, parts of which pass for spores: mould of several cells, and strands.

Cells of mould can be as large, as brown and as pointed as spores, but stand wall to wall in a row; blotches of a
fibre or a hair lie within its two edges. Laid into photos of any style, they teach that in the light, the grain
and the colours of each.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np

from sporecount.simulate.darkening import LN10, darken, overlap_of
from sporecount.simulate.truth import SimulatedPhoto

_GAMMA = 2.2
_FINEST_UM = 0.25

_COLOURS = np.array(
    [
        (0.03, 0.03, 0.04),
        (0.08, 0.08, 0.10),
        (0.16, 0.16, 0.26),
        (0.12, 0.20, 0.34),
        (0.22, 0.42, 0.66),
        (0.30, 0.48, 0.62),
        (0.55, 0.65, 0.75),
        (0.35, 0.35, 0.37),
    ]
)
"""Density of red, green and blue: clear, pale, olive, straw, amber, brown, dark brown, grey."""


Drawing = Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
"""Places x, y in um about a body's middle, of shape (h, w), to density (h, w, 3) before blur, and cover (h, w)."""


@dataclass(frozen=True)
class Mould:
    """A body of mould, lengths in um.

    Parameters
    ----------
    cells_um : tuple of float
        Length of each cell along the row.
    width_um : float
        Of the widest place.
    taper : float
        Width of the last cell over that of the first.
    bulge : float
        0 a spindle's ends as wide as its middle, 1 pointed ones.
    neck : float
        Width at a cross wall over that between walls: 1 a tube, 0.3 beads.
    bend : float
        Turn of the axis over its whole length, in radians.
    wall_um, septum_um : float
        Thickness of the outer wall, and of the cross walls.
    fill, wall, septum : ndarray of shape (3,)
        Density of red, green and blue.
    core : float
        How much lighter the middle of a cell is.
    lengthwise : float
        Share of the cells that have a wall along the row, too.
    stalk_um : float
        Length of a thread at the end, 0 for none.
    """

    cells_um: tuple[float, ...]
    width_um: float
    taper: float
    bulge: float
    neck: float
    bend: float
    wall_um: float
    septum_um: float
    fill: np.ndarray
    wall: np.ndarray
    septum: np.ndarray
    core: float
    lengthwise: float
    stalk_um: float


def draw_mould(rng: np.random.Generator, own: np.ndarray | None, spore_um: float) -> Mould:
    """Draw a body: from two cells to a dozen, from tubes to strings of beads, clear to dark.

    Parameters
    ----------
    rng : numpy.random.Generator
    own : ndarray of shape (3,), optional
        Density of the photo's own spores; half of the bodies take it, so that colour does not tell.
    spore_um : float
        Length of the photo's spores, about which the cells' size varies.
    """
    habit: Literal["tube", "club", "spindle", "beads"] = rng.choice(
        ["tube", "club", "spindle", "beads"], p=[0.25, 0.25, 0.2, 0.3]
    )
    cells = int(np.clip(rng.geometric(0.3) + 1, 2, 12))
    width = spore_um * float(np.exp(rng.normal(-0.4, 0.3)))
    ratio = float(np.exp(rng.normal(0.15 if habit == "beads" else -0.2, 0.35)))
    colour = _COLOURS[rng.integers(len(_COLOURS))] * float(np.exp(rng.normal(0, 0.35)))
    if own is not None and rng.random() < 0.5:
        colour = own * np.exp(rng.normal(0, 0.2)) * np.exp(rng.normal(0, 0.08, 3))
    wall = colour * rng.uniform(0.2, 1.5) + rng.uniform(0, 0.3)
    return Mould(
        cells_um=tuple(width * ratio * np.exp(rng.normal(0, 0.15, cells))),
        width_um=width,
        taper=float(rng.uniform(0.35, 0.9)) if habit == "club" else float(rng.uniform(0.8, 1.0)),
        bulge=float(rng.uniform(0.2, 0.8)) if habit == "spindle" else 0.0,
        neck=float(rng.uniform(0.3, 0.8)) if habit == "beads" else float(rng.uniform(0.8, 1.0)),
        bend=float(rng.normal(0, 0.35)),
        wall_um=float(rng.uniform(0.3, 1.3)),
        septum_um=float(rng.uniform(0.2, 1.2)),
        fill=colour,
        wall=wall,
        septum=wall * rng.uniform(0.3, 1.3) if rng.random() < 0.85 else -0.5 * colour,
        core=float(rng.uniform(0, 0.7)),
        lengthwise=float(rng.uniform(0.2, 0.8)) if rng.random() < 0.15 else 0.0,
        stalk_um=float(rng.uniform(5, 40)) if rng.random() < 0.3 else 0.0,
    )


def mould_density(
    body: Mould, x_um: np.ndarray, y_um: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Density of a body that lies along x about the origin.

    Parameters
    ----------
    body : Mould
    x_um, y_um : ndarray of shape (h, w)
    rng : numpy.random.Generator
        Chooses the cells with a wall along the row.

    Returns
    -------
    density : ndarray of shape (h, w, 3)
        Of red, green and blue, before blur.
    cover : ndarray of shape (h, w)
        1 inside, 0 outside; the stalk is not in it.
    """
    cells = np.asarray(body.cells_um)
    total = float(cells.sum())
    along, across = _bent(x_um, y_um, body.bend / total)
    along = along + total / 2
    ends = np.concatenate(([0.0], np.cumsum(cells)))
    share = np.clip(along / total, 0, 1)
    half = body.width_um / 2 * (1 + (body.taper - 1) * share)
    half = half * (1 - body.bulge * (2 * share - 1) ** 2)
    cell = np.clip(np.searchsorted(ends, along, side="right") - 1, 0, len(cells) - 1)
    within = np.clip((along - ends[cell]) / cells[cell], 0, 1)
    half = half * (body.neck + (1 - body.neck) * np.sqrt(np.clip(1 - (2 * within - 1) ** 2, 0, 1)))
    # the two ends are round, or as pointed as the cells' own curve makes them
    from_end = np.clip(np.minimum(along, total - along) / np.maximum(half, 0.1), 0, 1)
    half = half * np.sqrt(np.clip(1 - (1 - from_end) ** 2, 0, 1))
    inside = (np.abs(across) < half) & (along > 0) & (along < total)
    depth = half - np.abs(across)
    to_wall = np.abs(along[..., None] - ends[1:-1]).min(axis=-1)
    round_off = np.sqrt(np.clip(1 - (across / np.maximum(half, 0.1)) ** 2, 0, 1))
    middle = round_off * np.sin(np.pi * within)
    thick = 0.4 + 0.6 * round_off
    density = inside[..., None] * (body.fill * (thick * (1 - body.core * middle**2))[..., None])
    density += (inside & (depth < body.wall_um))[..., None] * body.wall
    density += (inside & (to_wall < body.septum_um / 2))[..., None] * body.septum
    if body.lengthwise:
        parted = rng.random(len(cells)) < body.lengthwise
        density += (inside & parted[cell] & (np.abs(across) < body.septum_um / 2))[..., None] * body.septum
    if body.stalk_um:
        stalk = (along > total) & (along < total + body.stalk_um) & (np.abs(across) < body.width_um * 0.12)
        density += stalk[..., None] * (0.5 * body.fill + 0.3 * body.wall)
    return density, inside.astype(np.float32)


@dataclass(frozen=True)
class Strand:
    """A piece of a fibre or a hair, lengths in um.

    Parameters
    ----------
    length_um, width_um : float
    bend : float
        Turn of the axis over its whole length, in radians.
    wave_um, wave_length_um : float
        How far the axis waves to either side, and the length of a wave.
    edge_um : float
        Thickness of its two edges.
    fill, edge : ndarray of shape (3,)
        Density of red, green and blue.
    blotch_um : tuple of float
        Size of the blotches along and across.
    contrast : float
        How far the blotches depart from the fill, relative.
    core : float
        Share of the width that the blotches take, about the middle: a hair's marrow.
    """

    length_um: float
    width_um: float
    bend: float
    wave_um: float
    wave_length_um: float
    edge_um: float
    fill: np.ndarray
    edge: np.ndarray
    blotch_um: tuple[float, float]
    contrast: float
    core: float


def draw_strand(rng: np.random.Generator, own: np.ndarray | None, spore_um: float) -> Strand:
    """Draw a strand; parameters as of `draw_mould`. Its blotches are about as large as spores."""
    colour = _COLOURS[rng.integers(len(_COLOURS))] * float(np.exp(rng.normal(-0.5, 0.4)))
    if own is not None and rng.random() < 0.35:
        colour = own * np.exp(rng.normal(-0.4, 0.3)) * np.exp(rng.normal(0, 0.1, 3))
    elif rng.random() < 0.4:
        colour = rng.dirichlet([1.5, 1.5, 1.5]) * rng.uniform(0.1, 0.6)  # dyed
    marrow = rng.random() < 0.25
    along = spore_um * float(np.exp(rng.normal(-0.3, 0.4)))
    return Strand(
        length_um=float(rng.uniform(60, 260)),
        width_um=spore_um * float(np.exp(rng.normal(0.3, 0.4))),
        bend=float(rng.normal(0, 0.5)),
        wave_um=float(rng.uniform(0, 6)),
        wave_length_um=float(rng.uniform(50, 200)),
        edge_um=float(rng.uniform(0.4, 2.0)),
        fill=np.minimum(colour, 0.5),
        edge=rng.uniform(-0.3, 1.2) * colour + rng.uniform(-0.03, 0.2),
        blotch_um=(along, along * float(np.exp(rng.normal(-0.5, 0.4)))),
        contrast=float(rng.uniform(0.2, 1.5)),
        core=float(rng.uniform(0.3, 0.7)) if marrow else 1.0,
    )


def strand_density(
    strand: Strand, x_um: np.ndarray, y_um: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Density and cover of a strand, as `mould_density` gives them of mould."""
    along, across = _bent(x_um, y_um, strand.bend / strand.length_um)
    across = across - strand.wave_um * np.sin(2 * np.pi * along / strand.wave_length_um)
    along = along + strand.length_um / 2
    half = strand.width_um / 2
    inside = (np.abs(across) < half) & (along > 0) & (along < strand.length_um)
    steps = np.array([strand.length_um, strand.width_um]) / strand.blotch_um * 2
    blotches = rng.normal(0, 1, np.maximum(np.ceil(steps[::-1]), 1).astype(int) + 3).astype(np.float32)
    pattern = cv2.remap(
        blotches,
        (along / strand.blotch_um[0] * 2 + 1).astype(np.float32),
        ((across + half) / strand.blotch_um[1] * 2 + 1).astype(np.float32),
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REPLICATE,
    )
    pattern = np.where(np.abs(across) < half * strand.core, pattern, 0)
    density = inside[..., None] * (strand.fill * np.clip(1 + strand.contrast * pattern, 0, 3)[..., None])
    density += (inside & (half - np.abs(across) < strand.edge_um))[..., None] * strand.edge
    return density, inside.astype(np.float32)


def lay_bodies(
    photo: SimulatedPhoto, rng: np.random.Generator, moulds: int, strands: int
) -> tuple[SimulatedPhoto, np.ndarray, np.ndarray]:
    """Lay mould and strands into a simulated photo, as blurred as the spores near to them.

    Parameters
    ----------
    photo : SimulatedPhoto
        Left unchanged.
    rng : numpy.random.Generator
    moulds, strands : int
        How many of either.

    Returns
    -------
    photo : SimulatedPhoto
        Its spores are those of before, some of them now under a body.
    mould, strand : ndarray of shape (H, W), float32
        1 where either lies.
    """
    rgb = photo.rgb.copy()
    covers = np.zeros((2, *rgb.shape[:2]), np.float32)
    own = spore_colour(photo)
    usual = float(np.median([one.length_um for one in photo.spores])) if photo.spores else rng.uniform(9, 14)
    seen = np.argwhere(photo.rgb.max(axis=2)[::8, ::8] > 0.3 * np.percentile(photo.rgb, 95)) * 8
    places = np.array([(one.x_px, one.y_px) for one in photo.spores]).reshape(-1, 2)
    usual_blur = float(rng.uniform(0.3, 1.5))
    for is_strand in [False] * moulds + [True] * strands:
        if is_strand:
            strand = draw_strand(rng, own, usual)
            reach_um, drawing = strand.length_um / 2, _drawing(strand_density, strand, rng)
        else:
            body = draw_mould(rng, own, usual)
            reach_um = sum(body.cells_um) / 2 + body.stalk_um
            drawing = _drawing(mould_density, body, rng)
        y, x = seen[rng.integers(len(seen))] + rng.uniform(0, 8, 2) if len(seen) else rng.uniform(0, 500, 2)
        blur = usual_blur
        if len(places):
            blur = photo.spores[int(np.argmin(np.hypot(*(places - (x, y)).T)))].blur_um
        blur = max(blur, 0.15) * float(np.exp(rng.normal(0, 0.25)))
        cover = covers[int(is_strand)]
        _lay(rgb, photo.rgb, cover, float(x), float(y), drawing, reach_um, blur, photo.um_per_px, rng)
    return replace(photo, rgb=rgb), covers[0], covers[1]


def _drawing(
    density_of: Callable[..., tuple[np.ndarray, np.ndarray]], body: object, rng: np.random.Generator
) -> Drawing:
    return lambda x_um, y_um: density_of(body, x_um, y_um, rng)


def spore_colour(photo: SimulatedPhoto) -> np.ndarray | None:
    """Density of red, green and blue of a photo's own spores, from what it shows of them; None without any."""
    found = []
    height, width = photo.rgb.shape[:2]
    for one in photo.spores:
        x, y, reach = round(one.x_px), round(one.y_px), int(np.ceil(1.1 * one.length_um / photo.um_per_px))
        if not (one.countable and not one.on_scale and reach <= min(x, y)):
            continue
        if x + reach >= width or y + reach >= height:
            continue
        part = photo.rgb[y - reach : y + reach + 1, x - reach : x + reach + 1].astype(np.float32) + 1
        around = np.concatenate((part[0], part[-1], part[:, 0], part[:, -1]))
        core = part[reach - reach // 4 : reach + reach // 4 + 1, reach - reach // 4 : reach + reach // 4 + 1]
        found.append(_GAMMA * np.log10(np.median(around, axis=0) / core.mean(axis=(0, 1))))
        if len(found) == 12:
            break
    return np.clip(np.median(found, axis=0), 0.01, 1.2) if found else None


def _bent(x_um: np.ndarray, y_um: np.ndarray, curvature: float) -> tuple[np.ndarray, np.ndarray]:
    """Way along and across an axis that is a circle's arc through the origin."""
    if abs(curvature) < 1e-4:
        return x_um, y_um
    radius = 1 / curvature
    angle = np.arctan2(x_um * np.sign(radius), np.abs(radius) - y_um * np.sign(radius))
    return np.abs(radius) * angle * np.sign(radius), (
        np.abs(radius) - np.hypot(x_um, np.abs(radius) - y_um * np.sign(radius))
    ) * np.sign(radius)


def _lay(
    out: np.ndarray,
    original: np.ndarray,
    cover: np.ndarray,
    x: float,
    y: float,
    drawing: Drawing,
    reach_um: float,
    blur_um: float,
    um_per_px: float,
    rng: np.random.Generator,
) -> None:
    """Lay a body that reaches so far about x, y (pixels) into `out`, and note in `cover` where it lies."""
    reach = int(np.ceil((reach_um + 3 * blur_um) / um_per_px)) + 2
    centre_x, centre_y = round(x), round(y)
    fine = int(np.clip(np.ceil(um_per_px / (_FINEST_UM if reach_um < 60 else 2 * _FINEST_UM)), 1, 4))
    side = (np.arange((2 * reach + 1) * fine) + 0.5) / fine - 0.5 - reach
    dx, dy = (side + centre_x - x)[None, :] * um_per_px, (side + centre_y - y)[:, None] * um_per_px
    turn = rng.uniform(0, 2 * np.pi)
    density, mask = drawing(dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn))
    if rng.random() < 0.6:  # the bright seam of a rim's refraction and a phone's sharpening
        seam = cv2.GaussianBlur(mask, (0, 0), max(1.2 / um_per_px * fine, 0.5)) * (1 - mask)
        density = density - (rng.uniform(0, 0.16) * seam)[..., None]
    size = (2 * reach + 1, 2 * reach + 1)
    through = cv2.resize(np.exp(-LN10 * density).astype(np.float32), size, interpolation=cv2.INTER_AREA)
    mask = cv2.resize(mask, size, interpolation=cv2.INTER_AREA)
    if blur_um / um_per_px > 0.25:
        through = cv2.GaussianBlur(through, (0, 0), blur_um / um_per_px)
    boxes = overlap_of(out, through, centre_x, centre_y)
    if boxes is None:
        return
    own, there = boxes
    darken(out, original, there, through[own], _GAMMA, rng)
    cover[there] = np.maximum(cover[there], mask[own])

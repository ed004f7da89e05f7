"""Labelled crops from simulated photos, through the same steps that count a real one."""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from sporecount.records import KINDS, FlatField, Photo, Scale, WorkImage
from sporecount.settings import CountSettings
from sporecount.simulate.truth import KIND_NAMES, SimulatedPhoto
from sporecount.steps.candidates import find_candidates
from sporecount.steps.classify.crops import CropSource
from sporecount.steps.classify.network import look, spore_margin
from sporecount.steps.lemon import along_and_across, x_and_y
from sporecount.steps.prepare import prepare
from sporecount.steps.rescale import from_photo, to_photo
from sporecount.steps.round_view import find_round_view

IGNORE = 255
"""Label of a place that is neither a spore's centre nor free of spores: the edge of one, or one that nobody could
count. Near a countable spore such a place still teaches where its centre lies."""

_CENTRAL = 0.7
_NEAR = 1.45
"""Distance from a spore's centre, in half-axes, up to which a place is the spore, and is near it."""

_MAX_CROPS = 440
_MAX_NEAR = 50
"""Per photo, so that no crowded one outweighs the rest."""

_LABEL_OF_KIND = np.array(
    [KINDS.index(name) if name in KINDS else KINDS.index("other") for name in KIND_NAMES], np.uint8
)


@dataclass(frozen=True)
class Harvest:
    """Crops of one or more photos with what is true of them; n rows.

    Parameters
    ----------
    fine, finest, wide : ndarray of shape (n, 3, px, px), uint8
        As `in_steps` stores densities.
    label : ndarray of shape (n,), uint8
        Index into `KINDS`, or `IGNORE`.
    near_spore : ndarray of shape (n,), bool
        In or near the outline of a countable spore; without one the next three columns are 0.
    offset_um : ndarray of shape (n, 2), float32
        From the place to the spore's centre, x then y.
    axes : ndarray of shape (n, 4), float32
        log length_um, log width_um, cos 2 angle, sin 2 angle.
    blur_um : ndarray of shape (n,), float32
    photo : ndarray of shape (n,), int32
        Number of the photo, to keep those of one photo on one side of a split.
    """

    fine: np.ndarray
    finest: np.ndarray
    wide: np.ndarray
    label: np.ndarray
    near_spore: np.ndarray
    offset_um: np.ndarray
    axes: np.ndarray
    blur_um: np.ndarray
    photo: np.ndarray

    def take(self, rows: np.ndarray) -> Harvest:
        """Keep some rows."""
        return Harvest(**{one.name: getattr(self, one.name)[rows] for one in fields(Harvest)})


def joined(parts: Sequence[Harvest]) -> Harvest:
    """Put harvests one below the other."""
    names = [one.name for one in fields(Harvest)]
    return Harvest(**{name: np.concatenate([getattr(one, name) for one in parts]) for name in names})


STEPS_PER_DENSITY, LOWEST_DENSITY = 127.5, -0.5
"""Densities from -0.5 to 1.5 in 256 steps: finer than the noise of a photo, in half the room of 16 bits."""


def in_steps(density: np.ndarray) -> np.ndarray:
    """Store densities in 8 bits."""
    return np.clip(np.round((density - LOWEST_DENSITY) * STEPS_PER_DENSITY), 0, 255).astype(np.uint8)


def densities(steps: np.ndarray) -> np.ndarray:
    """Turn what `in_steps` stored into densities again, float32."""
    return (steps / np.float32(STEPS_PER_DENSITY) + np.float32(LOWEST_DENSITY)).astype(np.float32)


def draw(style: str, seed: int, preset: str, width_px: int, height_px: int) -> SimulatedPhoto:
    """Draw one photo of a style, a module with `draw_photo`."""
    module = importlib.import_module(style)
    return module.draw_photo(
        np.random.default_rng(seed), width_px=width_px, height_px=height_px, preset=preset
    )


def harvest_photo(
    simulated: SimulatedPhoto, number: int, rng: np.random.Generator, *, mine: bool = False
) -> Harvest:
    """Run the steps up to the candidates and label them by the truth.

    The given scale is off by up to 2 % and the light is as estimated: the model learns to live with both.

    Parameters
    ----------
    simulated : SimulatedPhoto
    number : int
        Of the photo.
    rng : numpy.random.Generator
    mine : bool
        Prefer the candidates that the present model gets wrong or is unsure of.
    """
    settings = CountSettings()
    um_per_px = simulated.um_per_px
    photo = Photo(rgb=simulated.rgb, name=f"simulated-{number}")
    believed = Scale(um_per_px * float(np.clip(rng.normal(1, 0.008), 0.98, 1.02)))
    ready = prepare(photo, find_round_view(photo), believed, settings)[0]
    work, flat = ready.work, ready.flat
    candidates = find_candidates(work, flat, settings)
    extra_row, extra_col = _places_at_spores(simulated, work, rng)
    dark_row, dark_col = _places_in_dark(flat, rng)
    row = np.concatenate((candidates.row, extra_row, dark_row))
    col = np.concatenate((candidates.col, extra_col, dark_col))
    x_px, y_px = to_photo(work, row, col)
    label, spore = label_places(simulated, x_px, y_px)
    source = CropSource(work, flat)
    fine, wide = source.cut_fine(row, col), source.cut_wide(row, col)
    weight = np.ones(len(label))
    if mine:
        margin = spore_margin(look(fine, wide).logits)
        surprise = np.logaddexp(0, np.where(label == 0, -margin, margin))
        weight = 0.2 + np.minimum(surprise, 3.0)
    chosen = _choose(label, spore >= 0, weight, rng)
    fine, wide = fine[chosen], wide[chosen]
    offset, axes, blur = _targets(simulated, x_px[chosen], y_px[chosen], spore[chosen])
    return Harvest(
        fine=in_steps(fine),
        finest=in_steps(source.cut_finest(row[chosen], col[chosen])),
        wide=in_steps(wide),
        label=label[chosen],
        near_spore=spore[chosen] >= 0,
        offset_um=offset,
        axes=axes,
        blur_um=blur,
        photo=np.full(len(chosen), number, np.int32),
    )


def label_places(
    simulated: SimulatedPhoto, x_px: np.ndarray, y_px: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Say what is at each place.

    Returns
    -------
    label : ndarray of shape (n,), uint8
    spore : ndarray of shape (n,), int64
        Number of the countable spore in or near whose outline the place lies, else -1.
    """
    height, width = simulated.kind_map.shape
    rows = np.clip(np.round(y_px).astype(int), 0, height - 1)
    cols = np.clip(np.round(x_px).astype(int), 0, width - 1)
    label = _LABEL_OF_KIND[simulated.kind_map[rows, cols]].copy()
    label[simulated.kind_map[rows, cols] == 1] = IGNORE  # spore pixels count only through the table below
    nearest = np.full(len(x_px), -1)
    depth = np.full(len(x_px), _NEAR)
    for number, one in enumerate(simulated.spores):
        dx, dy = x_px - one.x_px, y_px - one.y_px
        close = np.flatnonzero(np.hypot(dx, dy) * simulated.um_per_px < one.length_um)
        along, across = along_and_across(dx[close], dy[close], one.angle_deg)
        half_length_px, half_width_px = (
            axis_um / 2 / simulated.um_per_px for axis_um in (one.length_um, one.width_um)
        )
        inside = np.hypot(along / half_length_px, across / half_width_px)
        better = inside < depth[close]
        nearest[close[better]] = number
        depth[close[better]] = inside[better]
    countable = np.array([one.countable for one in simulated.spores], bool)
    has = nearest >= 0
    good = np.zeros(len(x_px), bool)
    good[has] = countable[nearest[has]]
    label[has] = IGNORE
    label[good & (depth <= _CENTRAL)] = KINDS.index("spore")
    nearest[~good] = -1
    return label, nearest


def _places_at_spores(
    simulated: SimulatedPhoto, work: WorkImage, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Random places in and beside spores: second looks and clump neighbours come from elsewhere than peaks."""
    if not simulated.spores:
        return np.empty(0), np.empty(0)
    picked = rng.integers(len(simulated.spores), size=min(260, 3 * len(simulated.spores)))
    table = np.array(
        [(one.x_px, one.y_px, one.length_um, one.width_um, one.angle_deg) for one in simulated.spores]
    )[picked]
    turn = rng.uniform(0, 2 * np.pi, len(picked))
    reach = np.where(
        rng.random(len(picked)) < 0.75,
        np.sqrt(rng.uniform(0, 1, len(picked))),
        rng.uniform(1.4, 2.2, len(picked)),
    )
    along = reach * table[:, 2] / 2 * np.cos(turn) / simulated.um_per_px
    across = reach * table[:, 3] / 2 * np.sin(turn) / simulated.um_per_px
    from_centre_x, from_centre_y = x_and_y(along, across, table[:, 4])
    row, col = from_photo(work, table[:, 0] + from_centre_x, table[:, 1] + from_centre_y)
    height, width = work.seen.shape
    inside = (row >= 0) & (row <= height - 1) & (col >= 0) & (col <= width - 1)
    return row[inside], col[inside]


def _places_in_dark(flat: FlatField, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Random places on anything dark: where the growing of clumps may come to look."""
    rows, cols = np.nonzero(flat.density[::3, ::3] > 0.08)
    picked = rng.integers(len(rows), size=min(80, len(rows))) if len(rows) else np.empty(0, int)
    return rows[picked] * 3.0, cols[picked] * 3.0


def _choose(
    label: np.ndarray, near_spore: np.ndarray, weight: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    def order(
        rows: np.ndarray,
    ) -> np.ndarray:  # a draw without replacement, by weight (Efraimidis & Spirakis 2006)
        return rows[np.argsort(rng.exponential(size=rows.size) / weight[rows])]

    spores = order(np.flatnonzero(label == 0))
    others = order(np.flatnonzero((label != 0) & (label != IGNORE)))
    few = min(len(spores), max(_MAX_CROPS // 3, _MAX_CROPS - len(others)))
    near = order(np.flatnonzero((label == IGNORE) & near_spore))[:_MAX_NEAR]
    return np.concatenate((spores[:few], others[: _MAX_CROPS - few], near))


def _targets(
    simulated: SimulatedPhoto, x_px: np.ndarray, y_px: np.ndarray, spore: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    offset = np.zeros((len(x_px), 2), np.float32)
    axes = np.zeros((len(x_px), 4), np.float32)
    blur = np.zeros(len(x_px), np.float32)
    for row, number in enumerate(spore):
        if number < 0:
            continue
        one = simulated.spores[number]
        turn = 2 * np.radians(one.angle_deg)
        offset[row] = (one.x_px - x_px[row], one.y_px - y_px[row])
        axes[row] = (np.log(one.length_um), np.log(one.width_um), np.cos(turn), np.sin(turn))
        blur[row] = one.blur_um
    return offset * simulated.um_per_px, axes, blur

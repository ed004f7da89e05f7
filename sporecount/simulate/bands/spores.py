"""Spores: lemons of amber and melanin, drawn many at a time, cell beside cell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.bands.bands import Curve, Stuff
from sporecount.simulate.bands.outlines import Plane, band, cover, lemon, shifted
from sporecount.simulate.bands.stage import MARGIN_PX, Stage
from sporecount.simulate.truth import KIND_NAMES

Column = NDArray[np.float64]
_SHADES = np.exp(np.linspace(-0.5, 0.5, 9))
_LUMA = np.array([0.02, 0.06, 0.12, 0.22, 0.25, 0.18, 0.1, 0.05], np.float32)


@dataclass(frozen=True)
class SporeLook:
    """How the spores of one print look.

    Parameters
    ----------
    length_um, spread : float
        Mean length and its relative standard deviation.
    ratio : float
        Mean of length over width.
    blunt, nub : float
        Roundness of the ends, and the share of the half length by which they are drawn out.
    amber, melanin : float
        Units of pigment along the whole path through the middle.
    core, wall : float
        Share of the pigment in the bulge of the body and in the wall, over an even share of the rest.
    becke, glint : float
        Strength of the light lines at the outline, and of the bright middle.
    vary : float
        Standard deviation of the logarithm of the pigment among spores.
    """

    length_um: float
    spread: float
    ratio: float
    blunt: float
    nub: float
    amber: float
    melanin: float
    core: float
    wall: float
    becke: float
    glint: float
    vary: float


@dataclass(frozen=True)
class Spores:
    """Places and sizes of spores, columns of one length; places in pixels of the photo."""

    x_px: Column
    y_px: Column
    length_um: Column
    width_um: Column
    angle_deg: Column

    def __len__(self) -> int:
        return len(self.x_px)

    def only(self, which: NDArray[np.bool_]) -> Spores:
        """Take some of them."""
        return Spores(
            *(one[which] for one in (self.x_px, self.y_px, self.length_um, self.width_um, self.angle_deg))
        )


@dataclass(frozen=True)
class Drawn:
    """What drawing the spores told: columns in the order of the spores."""

    contrast: Column
    blur_um: Column
    area_px: Column


def draw_look(rng: np.random.Generator) -> SporeLook:
    """Draw a print's spores: of one parasite, so alike."""
    # Pale amber to nearly black: the middle is commonest.
    strength = float(np.clip(np.exp(rng.normal(np.log(0.36), 0.45)), 0.15, 1.1))
    amber = rng.uniform(0.3, 0.85)
    return SporeLook(
        length_um=float(np.clip(rng.normal(12.0, 1.5), 9.2, 14.8)),
        spread=rng.uniform(0.03, 0.08),
        ratio=rng.uniform(1.38, 1.72),
        blunt=rng.uniform(0.25, 0.7),
        nub=rng.choice([0.0, 0.05, 0.09]),
        amber=strength * amber,
        melanin=strength * (1 - amber),
        core=rng.uniform(0.15, 0.8),
        wall=rng.uniform(0.1, 0.75),
        becke=rng.uniform(0.05, 0.3),
        glint=rng.uniform(0.0, 0.35),
        vary=rng.uniform(0.06, 0.2),
    )


def _parts(stage: Stage, look: SporeLook, shade: float, turn: float) -> tuple[list[Curve], list[Curve]]:
    """Give loss and back of body, bulge, wall, inner line, outer line, glint and shadow, in this order."""

    def pigment(share: float) -> dict[str, float]:
        return {"amber": shade * look.amber * share, "melanin": shade * look.melanin * share}

    body = Stuff(pigment(0.45), scatter=0.2 if stage.from_above else 0.12)
    becke, light = look.becke * turn, look.glint * max(turn, -0.3)
    above = stage.from_above
    none = np.zeros((1, 1), np.float32)
    made = [
        stage.part(none, body),
        stage.part(none, Stuff(pigment(look.core)), on=body),
        stage.part(none, Stuff(pigment(look.wall), gain=0.93), on=body),
        stage.part(none, Stuff(gain=1 - becke), on=body),
        stage.part(none, Stuff(gain=1 + becke)),
        stage.part(none, Stuff(gain=1 + light, sheen=0.35 * look.glint if above else 0.0), on=body),
        stage.part(none, Stuff({"plain": 0.12 if above else 0.0})),
    ]
    return [one.loss for one in made], [one.back for one in made]


def _covers(
    spores: Spores, look: SporeLook, stage: Stage, corner: NDArray[np.int64], size: int
) -> list[Plane]:
    """Give the coverages of many spores by their parts, each (n, size, size)."""
    px = stage.lens.um_per_px

    def column(values: Column) -> Plane:
        return np.asarray(values, np.float32)[:, None, None]

    at = np.arange(size, dtype=np.float32)
    dx = (at[None, None, :] + column(corner[:, 0] - spores.x_px - MARGIN_PX)) * px
    dy = (at[None, :, None] + column(corner[:, 1] - spores.y_px - MARGIN_PX)) * px
    cos, sin = column(np.cos(np.radians(spores.angle_deg))), column(np.sin(np.radians(spores.angle_deg)))
    u, v = (dx * cos + dy * sin).astype(np.float32), (dy * cos - dx * sin).astype(np.float32)
    a, b = column(spores.length_um / 2), column(spores.width_um / 2)
    d = lemon(u, v, a, b, look.blunt, look.nub)
    body = cover(d, px)
    deep = np.clip(-d / b, 0, 1)
    bulge = np.sqrt(deep * (2 - deep)) * body
    line = 0.55
    glint = np.exp(-((u / (0.45 * a)) ** 2 + (v / (0.4 * b)) ** 2)).astype(np.float32) * body
    shadow = shifted(body, round(1.2 / px)) * (1 - body) if stage.from_above else np.zeros_like(body)
    return [
        body, bulge, band(d, -1.0, 0, px),
        band(d, -1.1 - line, -0.25, px), band(d, 0.1, 0.5 + line, px), glint, shadow,
    ]  # fmt: skip


def lay_spores(
    rng: np.random.Generator, stage: Stage, look: SporeLook, spores: Spores, first: int, height_um: float
) -> Drawn:
    """Lay spores on the stage, in their order within each bin of depth.

    Parameters
    ----------
    first : int
        Number of the first spore in the map of owners.
    """
    lens, n = stage.lens, len(spores)
    if not n:
        return Drawn(np.zeros(0), np.zeros(0), np.zeros(0))
    depth = lens.depth(spores.x_px, spores.y_px, height_um) + rng.normal(0, 0.7, n)
    bins = np.round(lens.bin_of(depth)).astype(int)
    shade = np.exp(np.clip(rng.normal(0, look.vary, n), -0.45, 0.45))
    level = np.abs(np.log(shade)[:, None] - np.log(_SHADES)[None, :]).argmin(axis=1)
    contrast, area = np.zeros(n), np.zeros(n)
    blur_um = np.array([lens.sigma_px(k) for k in range(bins.max() + 1)])[bins] * lens.um_per_px
    rows, cols = stage.light.shape[1:]
    for index in np.unique(bins):
        which = np.flatnonzero(bins == index)
        pad = lens.kernel(int(index)).shape[0] // 2 + 2
        size = int(np.ceil((spores.length_um[which].max() + 2.4) / lens.um_per_px)) + 2 * pad
        turn = float(np.clip(depth[which].mean() * lens.spread / 1.2, -1, 1))
        some = spores.only(bins == index)
        corner = np.floor(np.stack([some.x_px, some.y_px], axis=1) + MARGIN_PX - (size - 1) / 2).astype(
            np.int64
        )
        covers = _covers(some, look, stage, corner, size)
        inside = covers[0] > 0.5
        blurred = np.stack(
            [lens.blur_bin(one.reshape(-1, size), int(index)).reshape(one.shape) for one in covers], axis=1
        )
        mixes = {k: _parts(stage, look, float(_SHADES[k]), turn) for k in np.unique(level[which])}
        for k, i in enumerate(which):
            x, y = corner[k]
            c0, r0 = max(-x, 0), max(-y, 0)
            c1, r1 = min(cols - x, size), min(rows - y, size)
            if c1 <= c0 or r1 <= r0:
                continue
            cell = np.ascontiguousarray(blurred[k, :, r0:r1, c0:c1])
            mine = inside[k, r0:r1, c0:c1]
            box = (slice(y + r0, y + r1), slice(x + c0, x + c1))
            loss, back = mixes[int(level[i])]
            area[i] = inside[k].sum()
            patch = stage.light[:, box[0], box[1]]
            before = _LUMA @ patch[:, mine]
            flat = cell.reshape(len(loss), -1)
            patch *= np.float32(1) - (np.stack(loss, axis=1) @ flat).reshape(patch.shape)
            if stage.from_above:
                patch += (np.stack(back, axis=1) @ flat).reshape(patch.shape)
            if mine.any():
                contrast[i] = np.log10(before.mean() / max((_LUMA @ patch[:, mine]).mean(), 1e-6))
            stage.kinds[box][mine] = KIND_NAMES.index("spore")
            stage.owner[box][mine] = first + i
    return Drawn(contrast, blur_um, area)

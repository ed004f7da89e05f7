"""What falls off a butterfly: scales with ridges, torn pieces of them, hairs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.recipes.nomad.field import Box, Field, Floats
from tests.recipes.nomad.shapes import Curve, bent_line, blob, depth_um, dome_um, fill, ribbon, shard

_PIGMENT: dict[str, tuple[float, float, float]] = {
    "black": (0.80, 0.95, 1.10),
    "brown": (0.38, 0.62, 0.95),
    "orange": (0.07, 0.34, 0.95),
    "pale": (0.05, 0.06, 0.10),
    "grey": (0.22, 0.25, 0.29),
}


@dataclass(frozen=True)
class Sheet:
    """Make of one scale: what its pieces keep."""

    ink: Floats
    ridge_um: float
    ridge_depth: float
    rib_um: float
    path_um: float
    scatter: float

    @staticmethod
    def drawn(rng: np.random.Generator) -> Sheet:
        """Draw a scale's colour and relief."""
        colour = str(rng.choice(list(_PIGMENT), p=[0.3, 0.22, 0.26, 0.14, 0.08]))
        ink = np.array(_PIGMENT[colour]) * rng.lognormal(0, 0.25) * rng.normal(1, 0.05, 3)
        return Sheet(
            ink=ink.astype(np.float32),
            ridge_um=rng.uniform(1.4, 2.6),
            ridge_depth=rng.uniform(0.15, 0.5),
            rib_um=rng.uniform(2.0, 5.0),
            path_um=rng.uniform(0.03, 0.12),
            scatter=rng.uniform(0.15, 0.4) if colour in ("pale", "orange") else rng.uniform(0.02, 0.12),
        )


def _weave(
    rng: np.random.Generator, field: Field, box: Box, sheet: Sheet, x: float, y: float, a: float
) -> Floats:
    """Ridges along the scale and fainter ribs across it, mean 0; what a pixel cannot hold fades away."""
    along, across = field.axes(box, x, y, a)
    bow = (
        across + 0.6 * np.sin(along / rng.uniform(9, 25) + rng.uniform(0, 6)) + along**2 * rng.normal(0, 2e-4)
    )
    fade = [np.exp(-2.5 * (field.um_per_px / pitch) ** 2) for pitch in (sheet.ridge_um, sheet.rib_um)]
    ridge = np.cos(2 * np.pi * bow / sheet.ridge_um + 0.7 * np.sin(along / 7))
    rib = np.cos(2 * np.pi * along / sheet.rib_um + 2 * np.sin(bow / 3))
    return np.asarray(fade[0] * ridge + 0.3 * fade[1] * rib * (1 + ridge) / 2, np.float32)


def _outline(rng: np.random.Generator, length_um: float, width_um: float) -> Curve:
    """Stalk, widening blade, toothed end; the origin in the middle."""
    t = np.linspace(0, 1, 30)
    peak = rng.uniform(0.45, 0.8)
    half = (
        width_um
        / 2
        * np.where(
            t < peak, np.sin(np.minimum(t / peak, 1) * np.pi / 2) ** 0.55, 1 - 0.3 * ((t - peak) / 0.5) ** 2
        )
    )
    stalk = np.array([[-0.14 * length_um, -0.02 * width_um], [-0.14 * length_um, 0.02 * width_um]])
    teeth = int(rng.integers(2, 8))
    n = np.arange(2 * teeth + 1)
    tooth = rng.uniform(3, 16) * np.where(n % 2 == 1, rng.uniform(0.5, 1.1, len(n)), 0) * (teeth > 2)
    round_end = np.sin(n / n[-1] * np.pi) * rng.uniform(0, 0.12) * length_um
    end = np.stack([length_um + tooth + round_end, half[-1] * (1 - 2 * n / n[-1])], 1)
    upper = np.stack([t * length_um, half], 1)
    lower = np.stack([t * length_um, -half], 1)[::-1]
    return np.concatenate([upper, end[1:-1], lower, stalk]) - [length_um / 2, 0]


def _put(
    rng: np.random.Generator,
    field: Field,
    sheet: Sheet,
    curve: Curve,
    x: float,
    y: float,
    a: float,
    kind: str,
) -> float:
    """Lay a sheet of scale and tell what share of it lies in the view."""
    turned = curve @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    got = fill(field, turned, x, y)
    if got is None:
        return 0.0
    box, cover = got
    weave = _weave(rng, field, box, sheet, x, y, a)
    rim = np.exp(-depth_um(cover, field.um_per_px) / 1.2)
    tone = cover * (1 + sheet.ridge_depth * weave + 0.25 * rim)
    path = cover * sheet.path_um * (4 + 1.2 * weave - 2 * rim)
    field.lay(box, cover, kind, path_um=path, ink=tone[..., None] * sheet.ink, scatter=sheet.scatter)
    area = 0.5 * abs(
        np.dot(curve[:, 0], np.roll(curve[:, 1], 1)) - np.dot(curve[:, 1], np.roll(curve[:, 0], 1))
    )
    return float(cover.sum() * field.um_per_px**2 / max(area, 1e-6))


def lay_scale(rng: np.random.Generator, field: Field) -> None:
    """Lay a whole scale; one nearly whole in the view counts."""
    long = rng.random() < 0.25
    length = rng.uniform(140, 420) if long else rng.normal(100, 18)
    width = rng.uniform(30, 60) if long else rng.normal(52, 11)
    curve = _outline(rng, float(np.clip(length, 40, 450)), float(np.clip(width, 24, 80)))
    x, y = rng.uniform(-30, field.width_um + 30), rng.uniform(-30, field.height_um + 30)
    shown = _put(rng, field, Sheet.drawn(rng), curve, x, y, rng.uniform(0, 2 * np.pi), "scale")
    field.scales += int(shown > 0.75)


def lay_piece(rng: np.random.Generator, field: Field) -> None:
    """Lay a torn piece, most often of the size of spores."""
    radius = float(np.clip(rng.lognormal(np.log(6.5), 0.55), 2, 30))
    aspect = rng.uniform(1, 2.6)
    torn = rng.random() < 0.65
    curve = shard(rng, radius, int(rng.integers(3, 8)), aspect) if torn else blob(rng, radius, 0.09, aspect)
    x, y = rng.uniform(0, field.width_um), rng.uniform(0, field.height_um)
    _put(rng, field, Sheet.drawn(rng), curve, x, y, rng.uniform(0, 2 * np.pi), "scale piece")


def lay_hair(rng: np.random.Generator, field: Field) -> None:
    """Lay a tapering hair, a rod of revolution: a lens along its length."""
    line = bent_line(rng, rng.uniform(60, 380), rng.uniform(0.1, 1.2))
    width = rng.uniform(2, 6.5)
    curve = ribbon(line, width * np.linspace(1, rng.uniform(0.1, 0.7), len(line)))
    got = fill(field, curve, rng.uniform(0, field.width_um), rng.uniform(0, field.height_um))
    if got is None:
        return
    box, cover = got
    thick = dome_um(depth_um(cover, field.um_per_px), width / 2) * cover
    ink = thick[..., None] / width * np.array([0.5, 0.75, 1.0], np.float32) * rng.uniform(0.1, 1.1)
    field.lay(box, cover, "hair", path_um=0.05 * thick, ink=ink.astype(np.float32), scatter=0.1)

"""The rest of the library: hairs, fibres, pollen, droplets, bubbles, dust, mould, crystals, lines."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from tests.recipes.voyager.bodies import Body, edge_cover, even, make_body, tint
from tests.recipes.voyager.spores import SporeLook
from tests.recipes.voyager.textures import Floats, rough_disc, rough_ground, turbulence

_SIDE_PX = 128
"""Side of a tile of a compact body: more than any view shows of it."""


def _strand(
    rng: np.random.Generator,
    length_um: float,
    thick_um: float,
    wave: float,
    grain_um: float,
    taper: float = 1.1,
) -> tuple[Floats, Floats]:
    """Distance from a wandering line (in half thicknesses) and cover, on a long tile."""
    cols, rows = even(length_um / grain_um), even((4 * thick_um + wave * length_um) / grain_um)
    x = np.linspace(-1, 1, cols, dtype=np.float32)
    path = rng.normal(0, 1) * (x**2 - 0.4) + 0.5 * np.sin(rng.uniform(1, 5) * x + rng.uniform(0, 6.3))
    path = path / max(float(np.ptp(path)), 1.0) * wave * length_um * 0.9
    y = (np.arange(rows, dtype=np.float32)[:, None] - rows / 2) * grain_um
    half = thick_um / 2 * np.clip(1.15 - np.clip(x, -0.6, 1) ** 4 * rng.uniform(0, taper), 0.05, 1)
    off = np.abs(y - path) / half
    return off, (np.clip((1 - off) * half / grain_um + 0.5, 0, 1) * (np.abs(x) < 0.985)).astype(np.float32)


def hair(rng: np.random.Generator, um_per_px: float) -> Body:
    """A butterfly's hair: dark edges, brighter core, tapering."""
    grain_um = max(um_per_px, 0.4)
    off, cover = _strand(rng, rng.uniform(90, 420), rng.uniform(2.5, 7), rng.uniform(0.02, 0.2), grain_um)
    density = rng.uniform(0.25, 1.0) * (0.5 + 0.7 * np.minimum(off, 1) ** 2) * cover
    sheet = density[..., None] * tint(0.75, 1.0, 1.25)
    return make_body("hair", grain_um, sheet, cover, gloss=0.45, height_um=3)


def fibre(rng: np.random.Generator, um_per_px: float) -> Body:
    """A paper fibre: a pale ribbon with twists and dark borders."""
    grain_um = max(um_per_px, 0.4)
    off, cover = _strand(rng, rng.uniform(120, 600), rng.uniform(7, 20), rng.uniform(0.05, 0.3), grain_um)
    twist = 0.5 + 0.5 * np.tanh(turbulence(rng, (off.shape[0], off.shape[1]), 40 / grain_um, 3))
    density = rng.uniform(0.06, 0.28) * (0.25 + np.minimum(off, 1) ** 4 + 0.7 * twist) * cover
    sheet = density[..., None] * tint(0.92, 1.0, 1.08)
    return make_body("fibre", grain_um, sheet, cover, gloss=0.35, height_um=6, hides=False)


def mould_thread(rng: np.random.Generator, um_per_px: float) -> Body:
    """A thread of mould: thin, with walls across it."""
    grain_um = max(um_per_px, 0.3)
    off, cover = _strand(rng, rng.uniform(60, 250), rng.uniform(2, 4), rng.uniform(0.1, 0.35), grain_um)
    walls = (np.arange(off.shape[1]) * grain_um % rng.uniform(12, 22)) < 1.2
    density = rng.uniform(0.1, 0.35) * (0.4 + np.minimum(off, 1) ** 2 + 0.7 * walls) * cover
    sheet = density[..., None] * tint(0.9, 0.95, 1.15)
    return make_body("other", grain_um, sheet, cover, gloss=0.2, height_um=2, hides=False)


def line(rng: np.random.Generator, um_per_px: float) -> Body:
    """A scratch of the tape or a ruled ink line."""
    grain_um = max(um_per_px, 0.6)
    ink = rng.random() < 0.3
    thick_um = rng.uniform(15, 60) if ink else rng.uniform(1.5, 5)
    _, cover = _strand(rng, 1100, thick_um, 0.01, grain_um, 0.0)
    ragged = turbulence(rng, (cover.shape[0], cover.shape[1]), 18 / grain_um, 3)
    density = cover * (
        rng.uniform(0.2, 0.7) * (1 + 0.12 * ragged) if ink else 0.14 * np.clip(1 + 2 * ragged, -0.5, 1.5)
    )
    colour = tint(1.3, 1.1, 0.6) if ink and rng.random() < 0.5 else tint(1, 1, 1)
    return make_body(
        "other", grain_um, density[..., None] * colour, cover, gloss=0.1, height_um=1, hides=False
    )


def _compact(
    kind: str,
    size_um: float,
    density: Floats,
    distance_px: Floats,
    colour: Floats,
    *,
    gloss: float = 0.3,
    height_um: float = 4.0,
    hides: bool = True,
) -> Body:
    """Wrap up a compact body whose outline fills 0.8 of its tile."""
    cover = edge_cover(distance_px, 2.0)
    sheet = (density * cover)[..., None] * colour
    grain_um = size_um / (0.8 * _SIDE_PX)
    return make_body(kind, grain_um, sheet, cover, gloss=gloss, height_um=height_um, hides=hides)


def pollen(rng: np.random.Generator, look: SporeLook) -> Body:
    """A pollen grain, spiny, warty or smooth."""
    spikes = int(rng.integers(14, 30)) if rng.random() < 0.5 else 0
    distance = rough_disc(rng, _SIDE_PX, 0.02, spikes, 0.12, rng.uniform(1, 1.3))
    dome = np.sqrt(np.clip(distance / distance.max(), 0, 1))
    warts = rough_ground(rng, distance.shape, "gravel", 160)
    density = rng.uniform(0.25, 0.7) * (0.5 + 0.5 * dome + 0.7 * np.exp(-(distance**2) / 30) + 0.14 * warts)
    return _compact("pollen", rng.uniform(15, 40), density, distance, tint(0.5, 0.8, 1.7), gloss=0.45)


def droplet(rng: np.random.Generator, look: SporeLook) -> Body:
    """A round brown drop or dried stain of about a spore's size and colour."""
    distance = rough_disc(rng, _SIDE_PX, rng.uniform(0, 0.09), aspect=rng.uniform(1, 1.25))
    far = np.clip(distance / distance.max(), 0, 1)
    glint = rng.uniform(-0.8, 0.3) * np.exp(-((1 - far) ** 2) / rng.uniform(0.02, 0.15))
    density = look.density * rng.uniform(0.5, 1.3)
    density = density * (0.7 + rng.uniform(0, 0.9) * np.exp(-far * 6) + 0.4 * far + glint)
    colour = look.pigment * np.exp(rng.normal(0, 0.15, 3)).astype(np.float32)
    return _compact("other", rng.uniform(6, 18), density, distance, colour, hides=False)


def bubble(rng: np.random.Generator, look: SporeLook) -> Body:
    """A microbubble in the glue: dark ring, bright middle."""
    distance = rough_disc(rng, _SIDE_PX, rng.uniform(0, 0.05))
    wall_px = rng.uniform(4, 14)
    ring = np.exp(-((np.abs(distance - wall_px) / wall_px) ** 1.5))
    lit = cv2.GaussianBlur((distance > 1.5 * wall_px).astype(np.float32), (0, 0), 4)
    glint = np.roll(np.exp(-((64 - distance) ** 2) / 400), rng.integers(-14, 15, 2), (0, 1))
    density = rng.uniform(0.1, 0.7) * ring - rng.uniform(0, 0.08) * lit - rng.uniform(0, 0.1) * glint
    size_um = rng.uniform(4, 22) if rng.random() < 0.8 else rng.uniform(25, 70)
    return _compact("bubble", size_um, density, distance, tint(1, 1, 1), gloss=0.1, hides=False)


def dust(rng: np.random.Generator, look: SporeLook) -> Body:
    """A crumb of dirt or soot."""
    soot = rng.random() < 0.3
    distance = rough_disc(rng, _SIDE_PX, rng.uniform(0.2, 0.6), aspect=rng.uniform(1, 2))
    lumps = turbulence(rng, distance.shape, 30, 3)
    density = (rng.uniform(0.8, 1.6) if soot else rng.uniform(0.15, 0.7)) * np.clip(1 + 0.35 * lumps, 0.1, 2)
    colour = tint(1, 1, 1) if soot else tint(rng.uniform(0.6, 1), 1, rng.uniform(1, 1.5))
    return _compact("dust", rng.uniform(1, 5) if soot else rng.uniform(3, 25), density, distance, colour)


def mould_spore(rng: np.random.Generator, look: SporeLook) -> Body:
    """A mould spore: smaller than the parasite's, round or oval, greenish or brown."""
    distance = rough_disc(rng, _SIDE_PX, 0.02, aspect=rng.uniform(1, 1.7))
    density = rng.uniform(0.15, 0.5) * (0.6 + np.exp(-(((distance - 4) / 8) ** 2)))
    colour = tint(rng.uniform(0.8, 1.1), rng.uniform(0.92, 1.05), 1.2)
    return _compact("other", rng.uniform(3, 7), density, distance, colour)


def crystal(rng: np.random.Generator, look: SporeLook) -> Body:
    """A crystal: straight sides, bright and dark facets, hardly a colour."""
    y, x = np.mgrid[:_SIDE_PX, :_SIDE_PX].astype(np.float32) / _SIDE_PX * 2 - 1
    turns = np.sort(rng.uniform(0, 6.3, int(rng.integers(5, 8))))
    sides = np.stack([np.cos(t) * x + np.sin(t) * y - rng.uniform(0.45, 0.75) for t in turns])
    distance = (-sides.max(axis=0) * _SIDE_PX / 2).astype(np.float32)
    distance = np.minimum(distance, (0.95 - np.hypot(x, y)) * _SIDE_PX / 2)
    facet = rng.uniform(-0.12, 0.3, len(turns))[sides.argmax(axis=0)]
    density = facet + 0.35 * np.exp(-np.abs(distance) / 4)
    return _compact("other", rng.uniform(5, 30), density, distance, tint(1, 1, 1), gloss=0.5, hides=False)


COMPACT: tuple[tuple[Callable[[np.random.Generator, SporeLook], Body], float], ...] = (
    (droplet, 0.24),
    (dust, 0.28),
    (bubble, 0.17),
    (mould_spore, 0.13),
    (pollen, 0.09),
    (crystal, 0.09),
)
"""The compact bodies with the share that each has of the loose dirt."""
STRANDS = {"hair": hair, "fibre": fibre, "thread": mould_thread, "line": line}

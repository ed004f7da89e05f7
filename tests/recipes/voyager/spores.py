"""The library of spores of one photo: lemons that differ in outline, rim, inside and wear."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.recipes.voyager.bodies import Body, edge_cover, even, make_body, tint
from tests.recipes.voyager.textures import Floats, rough_ground, signed_distance_px, turbulence

LENGTH_UM = 12.0
"""Length at which the variants are made; copies are scaled to their own."""
ASPECT = 1.5
_TINTS = {
    "amber": tint(0.45, 0.9, 1.65),
    "straw": tint(0.5, 0.85, 1.65),
    "grey-brown": tint(0.82, 1.0, 1.18),
    "chocolate": tint(0.75, 1.02, 1.23),
    "brown": tint(0.6, 0.98, 1.42),
}
_DENSITY = {"straw": (0.12, 0.28), "chocolate": (0.4, 0.7)}


@dataclass(frozen=True)
class SporeLook:
    """What the spores of one photo have in common.

    Parameters
    ----------
    colour : str
    pigment : ndarray of shape (3,)
    density : float
        Mean optical density of a usual one.
    pointed : float
        Exponent of the outline: 0.5 is an ellipse, 0.95 a lemon with sharp ends.
    rim : float
        Density of the rim over the middle's, negative where the middle is the darker.
    """

    colour: str
    pigment: NDArray[np.float32]
    density: float
    pointed: float
    rim: float


def draw_look(rng: np.random.Generator) -> SporeLook:
    """Draw what the spores of a photo have in common."""
    colour = str(rng.choice(list(_TINTS), p=[0.36, 0.14, 0.12, 0.13, 0.25]))
    pigment = _TINTS[colour] * np.exp(rng.normal(0, 0.06, 3)).astype(np.float32)
    density = float(rng.uniform(*_DENSITY.get(colour, (0.2, 0.55))))
    rim = float(rng.uniform(0.25, 1.1) if rng.random() < 0.68 else rng.uniform(-0.6, -0.1))
    return SporeLook(colour, pigment / pigment.mean(), density, float(rng.uniform(0.55, 0.92)), rim)


def _outline(rng: np.random.Generator, look: SporeLook, grain_um: float) -> tuple[Floats, Floats, Floats]:
    """Return along and across (1 at the outline's ends) and the signed distance in µm."""
    cols, rows = even(LENGTH_UM * 1.5 / grain_um), even(LENGTH_UM / ASPECT * 1.7 / grain_um)
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    u = (x - (cols - 1) / 2) * grain_um / (LENGTH_UM / 2)
    v = (y - (rows - 1) / 2) * grain_um / (LENGTH_UM / ASPECT / 2)
    pointed = np.clip(look.pointed + rng.normal(0, 0.06), 0.5, 0.97)
    profile = np.clip(1 - u**2, 0, None) ** pointed * (1 + rng.normal(0, 0.04) * u)
    bend = rng.normal(0, 0.035) * (u**2 - 0.3) + 0.012 * turbulence(rng, (rows, cols), cols / 6, 2)
    across = np.where(profile > 1e-3, np.abs(v - bend) / np.maximum(profile, 1e-3), 9.0).astype(np.float32)
    return u, across, signed_distance_px((across < 1) & (np.abs(u) < 1)) * np.float32(grain_um)


def spore_variant(rng: np.random.Generator, look: SporeLook, grain_um: float) -> Body:
    """Make one spore: wall, rim, inside, wear and the bright line that its lens throws outside."""
    u, across, inside_um = _outline(rng, look, grain_um)
    shape = u.shape
    thick = np.sqrt(np.clip(1 - np.minimum(across, 1) ** 2, 0, 1)) * np.sqrt(np.clip(1 - u**2, 0, 1))
    density = 0.55 + 0.6 * thick
    wall_um = rng.uniform(0.5, 1.0)
    rim = look.rim * rng.uniform(0.6, 1.3)
    density += rim * np.exp(-((np.maximum(inside_um - 0.4 * wall_um, 0) / wall_um) ** 2)) - 0.4 * rim * thick
    # the ends hold more wall, one end more than the other
    density += rng.uniform(0, 0.3) * np.clip(np.abs(u + rng.normal(0, 0.1)) - 0.65, 0, 1) * 2
    density += 0.06 * rough_ground(rng, shape, str(rng.choice(["gravel", "grass", "brick"])), 90)
    state = rng.random()
    if state < 0.3:
        grains = turbulence(rng, shape, 1.6 / grain_um, 2)
        density += rng.uniform(0.12, 0.3) * np.clip(grains, -1, 2) * (inside_um > wall_um)
    elif state < 0.48:
        at, lean = rng.uniform(-0.5, 0.5), rng.uniform(-0.5, 0.5)
        side = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None]
        crease = np.exp(-(((u - at + lean * side) / 0.11) ** 2))
        density += rng.choice([-0.45, 0.5]) * crease * thick
    elif state < 0.6:
        side = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None]
        dent = np.exp(
            -((u - rng.uniform(-0.3, 0.3)) ** 2 / 0.1 + (side - rng.uniform(-0.2, 0.2)) ** 2 / 0.06)
        )
        density -= rng.uniform(0.3, 0.6) * dent
    elif state < 0.8:
        drop = np.exp(-(((u - rng.uniform(-0.35, 0.35)) ** 2 + 0.4 * across**2) / rng.uniform(0.02, 0.06)))
        density += rng.choice([-0.5, 0.35]) * drop
    cover = edge_cover(inside_um / np.float32(grain_um), 2.0)
    density = np.clip(density, 0.08, 2.5)
    density /= (density * cover).sum() / cover.sum()
    density *= rng.choice([0.55, 1.0, 1.35], p=[0.15, 0.65, 0.2]) * np.exp(rng.normal(0, 0.13))
    halo = np.exp(-((np.maximum(-inside_um, 0) / 0.8) ** 2)) * (1 - cover) * np.clip(rim, 0, 1)
    sheet = (look.density * density * cover)[..., None] * look.pigment
    sheet = sheet - (rng.uniform(0.02, 0.07) * halo)[..., None]
    return make_body("spore", grain_um, sheet, cover, gloss=0.22, height_um=5.0)

"""Whose look the spores of a spike-in have: that of the photo's own likely spores, or of those nearest to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sporecount.records import FieldResult
from sporecount.settings import CountSettings
from sporecount.simulate.spike import SpikeSpore

_ENOUGH = 1.0
"""Lone spores to be expected from which on a photo, a print or a session tells how its spores look."""

_FREE_LENGTHS = 1.2
"""Nothing else that may be a spore lies this near to one that is cut out."""

_USUAL_DENSITY, _DENSITY_SPREAD = 0.4, 0.5
_USUAL_HALF, _HALF_SPREAD = 1.35, 0.25
_LENGTH_SPREAD = 0.12
"""How spores may look where none is known: density of green through the thickest place, blue over green and green
over red, and length, each the middle and the relative spread of a draw (chosen)."""


@dataclass(frozen=True)
class Lone:
    """Objects of a field that can be cut out: alone, off scales, and not refused.

    Parameters
    ----------
    row : ndarray of shape (n,), int64
        Of the field's objects.
    chance : ndarray of shape (n,), float64
        Of each to be a spore. Who draws by it draws faint ones as often as some are to be expected; sure ones
        alone would be those that are found easily.
    """

    row: np.ndarray
    chance: np.ndarray

    @property
    def expected(self) -> float:
        """Spores among them."""
        return float(self.chance.sum())


def lone_spores(field: FieldResult, settings: CountSettings) -> Lone:
    """Find what can be cut out of a field's photo as a spore of its own."""
    from scipy.spatial import cKDTree

    objects = field.objects
    likely = np.asarray(field.kinds.spore > settings.doubt_low)
    rows = np.flatnonzero(likely & (objects.clump == 1) & ~objects.on_scale & (objects.optical_density > 0))
    places = np.stack([objects.x_px, objects.y_px], axis=1)
    if rows.size:
        free_px = _FREE_LENGTHS * objects.length_um[rows] / field.scale.um_per_px
        near = cKDTree(places[likely]).query_ball_point(places[rows], free_px, return_length=True)
        rows = rows[near <= 1]  # itself
    return Lone(rows, np.asarray(field.kinds.spore[rows], float))


def donor_of(
    photo: str, sample_of: Mapping[str, str], expected: Mapping[str, float], rng: np.random.Generator
) -> str:
    """Choose the photo whose spores are copied into a photo: itself, one of its print, or one of the session.

    Parameters
    ----------
    photo : str
    sample_of : mapping of str to str
        Photo to print.
    expected : mapping of str to float
        Photo to its lone spores to be expected.
    rng : numpy.random.Generator

    Returns
    -------
    str
        "" where the session shows too few.
    """
    circles: Sequence[list[str]] = (
        [photo],
        [one for one in expected if sample_of[one] == sample_of[photo]],
        list(expected),
    )
    for circle in circles:
        weight = np.array([expected[one] for one in circle])
        if weight.sum() >= _ENOUGH:
            return circle[int(rng.choice(len(circle), p=weight / weight.sum()))]
    return ""


def usual_look(settings: CountSettings, rng: np.random.Generator) -> SpikeSpore:
    """Draw how the spores of a print may look of which no spore is known; they differ little from one another."""
    middle = float(np.sqrt(settings.spore_length_min_um * settings.spore_length_max_um))
    green = _USUAL_DENSITY * float(np.exp(_DENSITY_SPREAD * rng.normal()))
    half = max(1.05, _USUAL_HALF * float(np.exp(_HALF_SPREAD * rng.normal())))
    length = middle * float(np.exp(_LENGTH_SPREAD * rng.normal()))
    return SpikeSpore(
        length_um=float(np.clip(length, settings.spore_length_min_um, settings.spore_length_max_um)),
        ratio=float(rng.uniform(1.3, 1.8)),
        amber=(green / half, green, green * half),
    )

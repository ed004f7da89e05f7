"""The sets of photos that are measured on, as ranges."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Preset:
    """Ranges from which the photos of one set are drawn.

    Parameters
    ----------
    objectives : tuple of (objective, share)
    spores : (low, high)
        Number in view, drawn evenly on the logarithm; (0, 0) for none.
    group, clumped, below, overlapping
        As in `seats.draw_seats`.
    scales_per_mm2 : (low, high)
    litter : float
        Times the usual number of small look-alikes.
    fibres, hairs, bubbles : float
        Per mm2.
    glue : float
        Share of photos with glue ridges.
    drift, tilt, curve : float
        Standard deviation of the defocus at the centre, largest defocus at the corner by tilt and by
        curvature, in depths of field of the objective.
    above, dim : float
        Share of photos lit from above, and taken in dim light.
    strength : (low, high)
        Of the card's texture.
    """

    objectives: tuple[tuple[float, float], ...] = ((10.0, 1.0),)
    spores: tuple[int, int] = (4, 70)
    group: tuple[int, int] = (2, 6)
    clumped: float = 0.3
    below: float = 0.12
    overlapping: float = 0.05
    scales_per_mm2: tuple[float, float] = (15, 75)
    litter: float = 1.0
    fibres: float = 1.5
    hairs: float = 3.0
    bubbles: float = 1.5
    glue: float = 0.1
    drift: float = 0.3
    tilt: float = 0.5
    curve: float = 0.2
    above: float = 0.0
    dim: float = 0.0
    strength: tuple[float, float] = (0.4, 1.2)


_GOOD = Preset()
_MIXED = replace(
    _GOOD,
    objectives=((10.0, 0.7), (40.0, 0.3)),
    spores=(3, 90),
    litter=1.6,
    fibres=4,
    hairs=5,
    bubbles=3,
    glue=0.25,
    drift=1.5,
    tilt=1.8,
    curve=0.5,
    above=0.12,
    dim=0.1,
    strength=(0.4, 1.6),
)
PRESETS: dict[str, Preset] = {
    "good_focus": _GOOD,
    "ordinary": _MIXED,
    "hard": replace(
        _MIXED,
        objectives=((10.0, 0.75), (20.0, 0.1), (40.0, 0.15)),
        spores=(20, 260),
        group=(2, 12),
        clumped=0.5,
        scales_per_mm2=(30, 110),
        litter=2.5,
        fibres=11,
        hairs=10,
        bubbles=6,
        glue=0.6,
        drift=1.4,
        tilt=4.0,
        curve=1.2,
        above=0.3,
        dim=0.4,
        strength=(0.9, 2.2),
        below=0.2,
        overlapping=0.1,
    ),
    "no_spores": replace(
        _MIXED,
        objectives=((10.0, 0.75), (40.0, 0.25)),
        spores=(0, 0),
        litter=3.0,
        fibres=6,
        hairs=8,
        bubbles=4,
        glue=0.35,
        drift=0.6,
        tilt=1.0,
    ),
    "heavy": replace(
        _GOOD,
        spores=(300, 2000),
        group=(8, 70),
        clumped=0.7,
        scales_per_mm2=(20, 80),
        litter=0.8,
        drift=0.4,
        tilt=0.7,
        overlapping=0.04,
    ),
    "scan_4x": replace(
        _GOOD, objectives=((4.0, 1.0),), litter=0.8, drift=0.3, tilt=0.6, scales_per_mm2=(10, 60)
    ),
}

UM_PER_PX = {4.0: (1.25, 1.9), 10.0: (0.38, 0.8), 20.0: (0.22, 0.42), 40.0: (0.12, 0.22)}
"""Range of scales of the photos, by objective."""

DEPTH_UM = {4.0: 25.0, 10.0: 6.0, 20.0: 2.8, 40.0: 1.4}
"""Depth of field used as the unit of defocus (rounded, common practice)."""

FIELD_NUMBER_MM = 18.0

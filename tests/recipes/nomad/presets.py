"""What each preset asks of the microscope and of the print."""

from __future__ import annotations

from dataclasses import dataclass

Range = tuple[float, float]
UM_PER_PX: dict[float, Range] = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
USUAL_VIEW_MM2 = 0.25
"""The counts below are for a view of this size."""


@dataclass(frozen=True)
class Preset:
    """Ranges to draw from.

    `blur_um` is the root mean square blur of the defocus, `drift` the share of it that varies over the view,
    `junk` and `glue` scale all that is no spore, `above` is the share of photos lit from above.
    """

    objectives: tuple[float, ...]
    spores: tuple[int, int]
    clumped: Range
    largest_clump: int
    blur_um: Range
    drift: Range
    junk: Range
    glue: Range
    density: Range
    above: float
    noise: Range


PRESETS: dict[str, Preset] = {
    "good_focus": Preset(
        (10.0,), (5, 80), (0.0, 0.4), 5, (0, 0.25), (0, 0.5), (0.2, 0.8), (0.0, 0.5), (0.2, 0.6), 0.05, (0.3, 1)
    ),
    "ordinary": Preset(
        (10.0, 10.0, 20.0, 40.0), (0, 60), (0.1, 0.5), 8, (0, 1.2), (0.2, 0.9), (0.4, 1.3), (0.2, 1), (0.14, 0.5),
        0.15, (0.5, 1.6),
    ),
    "hard": Preset(
        (10.0, 10.0, 20.0, 40.0), (5, 150), (0.2, 0.7), 20, (0.4, 4), (0.4, 1), (1.3, 3.2), (0.7, 2), (0.1, 0.4),
        0.4, (1, 3),
    ),
    "no_spores": Preset(
        (10.0, 10.0, 20.0, 40.0), (0, 0), (0, 0), 1, (0, 1.5), (0.2, 0.9), (0.8, 2.2), (0.3, 1.6), (0.14, 0.5),
        0.2, (0.5, 2),
    ),
    "heavy": Preset(
        (10.0,), (300, 2000), (0.45, 0.85), 60, (0, 0.9), (0.1, 0.8), (0.3, 1.2), (0.1, 0.8), (0.18, 0.55), 0.1,
        (0.4, 1.4),
    ),
    "scan_4x": Preset(
        (4.0,), (4, 90), (0.1, 0.6), 15, (0, 1.0), (0.2, 0.8), (0.3, 1.0), (0.1, 0.8), (0.2, 0.6), 0.1, (0.5, 1.5)
    ),
}  # fmt: skip

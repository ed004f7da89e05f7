"""One simulated photo from conditions, slices, light and phone."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.slices.answers import truths
from sporecount.simulate.slices.camera import Phone, develop, draw_phone, expose, in_view, stray
from sporecount.simulate.slices.conditions import Conditions, draw_conditions
from sporecount.simulate.slices.filling import lay_things, sow
from sporecount.simulate.slices.ground import focus_height, ground_light, lay_glue
from sporecount.simulate.slices.looking import from_above, from_below
from sporecount.simulate.slices.stack import Grid, Map, Stack
from sporecount.simulate.slices.travel import lost_by_bending
from sporecount.simulate.truth import SimulatedPhoto

MARGIN = 24
"""Working pixels around the view: what lies across its edge is whole, and waves that leave one side and
come back at the other stay in it."""


def make_grid(here: Conditions, width: int, height: int) -> Grid:
    """Working grid: the photo's own pixels, or coarser ones that still hold all that the objective passes."""
    step = max(here.um_per_px, 0.13 / here.aperture)
    rows, cols = (
        cv2.getOptimalDFTSize(int(np.ceil(n * here.um_per_px / step)) + 2 * MARGIN) for n in (height, width)
    )
    return Grid(step, rows, cols, MARGIN)


def to_photo(
    working: np.ndarray, grid: Grid, here: Conditions, width: int, height: int, fringe: float = 0.0
) -> np.ndarray:
    """Sample a working map at the photo's pixels; `fringe` widens red and narrows blue by this share."""
    ratio = here.um_per_px / grid.step_um
    nearest = working.dtype == np.uint8
    flags = (cv2.INTER_NEAREST if nearest else cv2.INTER_CUBIC) | cv2.WARP_INVERSE_MAP

    def one(channel: np.ndarray, stretch: float) -> np.ndarray:
        move = [
            [ratio * stretch, 0, grid.margin + ratio * (0.5 + (1 - stretch) * (width - 1) / 2) - 0.5],
            [0, ratio * stretch, grid.margin + ratio * (0.5 + (1 - stretch) * (height - 1) / 2) - 0.5],
        ]
        return cv2.warpAffine(
            channel, np.array(move), (width, height), flags=flags, borderMode=cv2.BORDER_REFLECT
        )

    if working.ndim == 2:
        return one(working, 1.0)
    return np.stack([one(working[..., c], 1 + fringe * (c - 1)) for c in range(3)], axis=-1)


def _seen_on_grid(phone: Phone, grid: Grid, here: Conditions, width: int, height: int) -> Map:
    seen = np.zeros((grid.rows, grid.cols), np.float32)
    ratio = here.um_per_px / grid.step_um
    h, w = round(height * ratio), round(width * ratio)
    m = grid.margin
    seen[m : m + h, m : m + w] = cv2.resize(
        in_view(phone, width, height), (w, h), interpolation=cv2.INTER_LINEAR
    )
    return seen


def draw_photo(
    rng: np.random.Generator,
    *,
    width_px: int,
    height_px: int,
    um_per_px: float | None = None,
    objective: float | None = None,
    preset: str,
) -> SimulatedPhoto:
    """Draw a simulated photo of a tape print, with its truth.

    Parameters
    ----------
    rng : numpy.random.Generator
    width_px, height_px : int
    um_per_px, objective : float, optional
        Drawn where they are not given.
    preset : str
        One of `conditions.PRESETS`.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    here = draw_conditions(rng, um_per_px, objective, preset)
    grid = make_grid(here, width_px, height_px)
    stack = Stack(grid)
    lay_glue(rng, stack, here)
    scales = lay_things(rng, stack, here)
    dark = lost_by_bending(stack.path_um.sum(axis=0), grid.step_um, here.aperture * 1.5) < 0.3
    sown = sow(rng, stack, here, dark & (not here.from_above))
    ground, focus = ground_light(rng, grid, here), focus_height(rng, grid, here)
    look = from_above if here.from_above else from_below
    light = look(rng, stack, ground, focus, here)
    phone = draw_phone(rng, here, width_px, height_px)
    linear = expose(phone, to_photo(light, grid, here, width_px, height_px, phone.fringe))
    rgb = develop(rng, phone, linear)
    shown = stray(phone, light)
    seen = _seen_on_grid(phone, grid, here, width_px, height_px)
    return SimulatedPhoto(
        rgb=rgb,
        um_per_px=here.um_per_px,
        objective=here.objective,
        spores=truths(sown, shown, seen, focus, phone.noise_density(), grid, here, (width_px, height_px)),
        kind_map=to_photo(stack.kind, grid, here, width_px, height_px),
        scales=scales,
        notes={
            "style": "slices",
            "preset": preset,
            "from_above": here.from_above,
            "dim": here.dim,
            "ground": here.ground,
            "lamp": here.lamp,
            "tape": here.tape,
            "aperture": here.aperture,
            "condenser": round(here.condenser, 3),
            "defocus_um": round(here.focus_um, 2),
            "focus_range_um": [round(float(focus.min()), 2), round(float(focus.max()), 2)],
            "round_view": phone.round_px is not None,
            "spore_length_um": round(here.stock.length_um, 2),
            "things_per_mm2": {name: round(number, 1) for name, number in here.amounts.items()},
        },
    )  # fmt: skip

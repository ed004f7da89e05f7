"""A whole photo, from bare ground to finished picture and its truth.

Bodies are analytic outlines with painted 2-D shading.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.shading import bodies, camera
from sporecount.simulate.shading.bodies import LUMA, Floats, Look, Spores
from sporecount.simulate.shading.canvas import Array, Canvas
from sporecount.simulate.shading.clutter import draw_scale_look, lay_scale, lay_small, lay_thread
from sporecount.simulate.shading.plan import Plan, draw_plan
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth

LEAST_CONTRAST = 0.05
"""Root mean square of optical density below which nobody trusts a shape, even without noise."""


def _pixel(x: Floats, y: Floats, shape: tuple[int, int]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Row and column of the nearest pixel."""
    rows, cols = np.clip(np.rint(y), 0, shape[0] - 1), np.clip(np.rint(x), 0, shape[1] - 1)
    return rows.astype(np.int64), cols.astype(np.int64)


def _lay_clutter(rng: np.random.Generator, canvas: Canvas, counts: dict[str, int], margin: int) -> int:
    """Scales and small things; the number of whole scales with their middle in the view."""
    rows, cols = canvas.kinds.shape
    looks = [draw_scale_look(rng) for _ in range(int(rng.integers(1, 4)))]
    whole = 0
    for name in ("scale", "piece", "dust", "droplet", "pollen", "mould"):
        for _ in range(counts[name]):
            x, y = rng.uniform(0, cols), rng.uniform(0, rows)
            if name not in ("scale", "piece"):
                lay_small(rng, canvas, name, x, y)
                continue
            piece_um = float(np.clip(9 * np.exp(0.55 * rng.normal()), 3.5, 45)) if name == "piece" else 0.0
            kept = lay_scale(rng, canvas, looks[int(rng.integers(len(looks)))], x, y, piece_um)
            whole += kept and margin < x < cols - margin and margin < y < rows - margin
    return int(whole)


def _lay_upper(rng: np.random.Generator, canvas: Canvas, counts: dict[str, int]) -> None:
    """Threads, and bubbles at the tape, above the rest."""
    rows, cols = canvas.kinds.shape
    for name in ("hair", "fibre", "bubble"):
        lay = lay_small if name == "bubble" else lay_thread
        for _ in range(counts[name]):
            lay(rng, canvas, name, rng.uniform(0, cols), rng.uniform(0, rows))


def _trust(clean: Array, shown: Array, signal: float, body_px: float) -> bool:
    """Whether the finished picture shows what lies in a window, from the logarithms of light and picture."""
    one, two = clean - clean.mean(), shown - shown.mean()
    kept = float((one * two).sum()) / (float((one * one).sum()) + 1e-9)
    # Neighbouring pixels share their noise: about six count as one, and an eye averages over a few dozens.
    added = float(np.sqrt(((two - kept * one) ** 2).mean())) + 1e-3
    clear = kept * signal / added * float(np.sqrt(np.clip(body_px / 6, 1, 30))) > 6
    # It must stand out among its surroundings, and by some steps of the 8 bits.
    steps = kept * signal / 2.2 * 255 * float(np.exp(shown.mean() / 2.2))
    return clear and kept > 0.35 and signal > 0.4 * float(clean.std()) and steps > 10


def _truth(
    plan: Plan,
    look: Look,
    spores: Spores,
    canvas: Canvas,
    places: tuple[Floats, Floats],
    visible: Floats,
    blur_um: Floats,
    view: Array,
    clean: Array,
    rgb: NDArray[np.uint8],
) -> tuple[SporeTruth, ...]:
    if len(spores.x) == 0:
        return ()
    table = np.linspace(0.15, max(6.0, float(blur_um.max())), 24)
    means, spreads = bodies.shown_contrast(look, canvas.lamp, plan.length_um, plan.length_um / 1.5, table)
    contrast = spores.strength * np.interp(blur_um, table, means)
    rms = spores.strength * np.interp(blur_um, table, spreads)
    groups = bodies.touching(spores, canvas.px_um)
    on_scale = canvas.scaled[_pixel(spores.x, spores.y, canvas.kinds.shape)]
    row, col = _pixel(*places, view.shape)
    able = (np.abs(places[0] - col) <= 0.5) & (np.abs(places[1] - row) <= 0.5) & (view[row, col] > 0.5)
    # In a pile the outlines run together sooner.
    pile = groups >= 3
    able &= (visible >= np.where(pile, 0.6, 0.5)) & (blur_um <= np.where(pile, 0.17, 0.22) * spores.length_um)
    # Pale, soft and partly hidden at once is too much.
    doubt = (1 + (blur_um / (0.17 * spores.length_um)) ** 2) / np.maximum(visible, 0.1) ** 2
    able &= rms >= LEAST_CONTRAST * np.where(on_scale, 2.0, 1.0) * doubt
    seen = np.log(np.clip((rgb / 255.0) ** 2.2 @ LUMA, 0.002, None)).astype(np.float32)
    for k in np.flatnonzero(able):
        reach = max(2, round(0.65 * spores.length_um[k] / plan.um_per_px))
        box = tuple(slice(max(at[k] - reach, 0), at[k] + reach + 1) for at in (row, col))
        body_px = bodies.outline_area(look, spores.length_um[k], spores.width_um[k]) / plan.um_per_px**2
        able[k] = _trust(clean[box], seen[box], float(rms[k] * visible[k]) * np.log(10), body_px)
    columns = (
        *places,
        spores.length_um,
        spores.width_um,
        np.degrees(spores.angle) % 180,
        visible,
        blur_um,
        contrast,
        on_scale,
        groups,
        able,
    )
    return tuple(SporeTruth(*row) for row in zip(*(column.tolist() for column in columns), strict=True))


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

    The map of kinds lies on the finished photo, as the places of the spores do.

    Parameters
    ----------
    rng : numpy.random.Generator
    width_px, height_px : int
    um_per_px, objective : float, optional
        Drawn where they are not given.
    preset : str
        One of `plan.PRESETS`.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    shape = (height_px, width_px)
    plan = draw_plan(rng, shape, um_per_px, objective, preset)
    px_um = plan.um_per_px
    lens, phone = camera.draw_lens(rng, shape, plan), camera.draw_phone(rng, shape, plan)
    # The lens draws in what lies beyond the edges.
    margin = int(14 + 0.035 * np.hypot(*shape) + 2 * lens.coma_px)
    wide = (height_px + 2 * margin, width_px + 2 * margin)
    canvas = Canvas(camera.draw_ground(rng, wide, plan), px_um, plan.from_above, plan.lamp_deg)
    name, look = bodies.draw_look(rng, plan)
    spores = bodies.place_spores(rng, plan, (margin, margin, width_px, height_px))
    under = round(plan.under * len(spores.x))
    bodies.lay_spores(canvas, look, spores, 0, under)
    scales = _lay_clutter(rng, canvas, plan.counts, margin)
    bodies.lay_spores(canvas, look, spores, under, len(spores.x))
    _lay_upper(rng, canvas, plan.counts)

    lamp, view = camera.lamp_light(phone, shape)
    cols, rows = lens.to_photo(*(np.mgrid[0 : wide[0], 0 : wide[1]] - float(margin))[::-1])
    at = _pixel(cols, rows, shape)
    seen = (np.abs(rows - at[0]) <= 0.5) & (np.abs(cols - at[1]) <= 0.5) & (view[at] > 0.5)
    visible = canvas.visible(len(spores.x), (~seen).astype(np.float32))

    variance_um2 = camera.blur_variance(rng, wide, plan)
    scene = camera.blur_unevenly(np.clip(canvas.light, 0, 2), variance_um2 / np.float32(px_um**2))
    scene = camera.through_lens(scene, lens, shape, margin) * (lamp * view)[..., None]
    rgb = camera.develop(rng, scene, phone)

    from_x, from_y = lens.to_scene(*np.mgrid[0:height_px, 0:width_px][::-1].astype(float))
    kinds = canvas.kinds[_pixel(from_x + margin, from_y + margin, wide)] * (view > 0.5)
    places = lens.to_photo(spores.x - margin, spores.y - margin)
    # A pixel averages over its own square, a zoomed one over a larger one.
    pixel_um2 = px_um**2 * (1 + (1.5 * phone.zoom**2 if phone.zoom > 1 else 0)) / 12
    lens_um2 = lens.shared_blur_px2(*places) * px_um**2
    blur_um = np.sqrt(variance_um2[_pixel(spores.x, spores.y, wide)] + pixel_um2 + lens_um2)
    clean = np.log(np.clip(scene @ LUMA, 0.002, None)).astype(np.float32)
    truth = _truth(plan, look, spores, canvas, places, visible, blur_um, view, clean, rgb)
    notes = {
        "style": "shading",
        "preset": preset,
        "spore_look": name,
        "from_above": plan.from_above,
        "ground": plan.ground,
        "round_view": phone.round_view is not None,
        "blur_um": list(plan.blur_um),
        "spore_length_um": plan.length_um,
        "smoothed": phone.smooth[0],
        "sharpened": phone.sharpen[0],
        "quality": phone.quality,
        "laid": plan.counts,
    }
    return SimulatedPhoto(rgb, px_um, plan.objective, truth, kinds.astype(np.uint8), scales, notes)

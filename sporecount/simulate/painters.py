"""Each shape of thing turned into optical density, phase and scattered light on the canvas."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from sporecount.simulate.canvas import Box, Canvas
from sporecount.simulate.shapes import lemon_half_width, strip
from sporecount.simulate.things import Thing


def paint(canvas: Canvas, thing: Thing) -> tuple[Box, np.ndarray] | None:
    """Paint a thing; returns its box and cover (0 to 1) on the drawing grid, None where it is out of view."""
    return _PAINTERS[thing.shape](canvas, thing)


def local_frame(canvas: Canvas, thing: Thing) -> tuple[float, float, np.ndarray]:
    """Centre of a thing on the drawing grid, and the matrix from its own um to grid pixels there."""
    turn = np.deg2rad(thing.angle_deg)
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    centre = np.array([thing.x_um, thing.y_um])
    step = 1.0
    points = canvas.view.to_work(np.vstack([centre, centre + axes * step]))
    return float(points[0, 0]), float(points[0, 1]), ((points[1:] - points[0]) / step).T


def _fine(grid_um: float, size_um: float) -> int:
    """How many times finer than the drawing grid a thing is drawn."""
    return int(np.clip(np.ceil(12 * grid_um / max(size_um, 1e-6)), 1, 4)) if size_um < 40 else 1


def _place_outline(canvas: Canvas, thing: Thing, points: np.ndarray) -> np.ndarray:
    turn = np.deg2rad(thing.angle_deg)
    rotate = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    return canvas.view.to_work(points @ rotate + (thing.x_um, thing.y_um))


def _outline_mask(
    canvas: Canvas, thing: Thing, points: np.ndarray, margin_um: float, *, whole: bool = False
) -> tuple[Box, Box, np.ndarray, int] | None:
    """Box of a thing, its part that is drawn, finely drawn cover there, and fineness, of an outline in um.

    The part is what lies in the grid unless `whole` is set; None where nothing does.
    """
    grid = canvas.view.work_um
    pixels = _place_outline(canvas, thing, points)
    low, high = pixels.min(0) - margin_um / grid - 1, pixels.max(0) + margin_um / grid + 2
    left, top = max(int(low[0]), 0), max(int(low[1]), 0)
    right, bottom = min(int(high[0]), canvas.shape[1]), min(int(high[1]), canvas.shape[0])
    if left >= right or top >= bottom:
        return None
    full = (int(np.floor(low[0])), int(np.floor(low[1])), int(np.floor(high[0])), int(np.floor(high[1])))
    if whole:
        left, top, right, bottom = full
    size = float(np.ptp(points, axis=0).min())
    fine = _fine(grid, size)
    mask = np.zeros(((bottom - top) * fine, (right - left) * fine), np.uint8)
    drawn = (pixels - (left, top) + 0.5) * fine - 0.5
    cv2.fillPoly(mask, [np.round(drawn * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return full, (left, top, right, bottom), mask.astype(np.float32) / 255, fine


def _coarse(image: np.ndarray, fine: int) -> np.ndarray:
    if fine == 1:
        return image
    return cv2.resize(image, (image.shape[1] // fine, image.shape[0] // fine), interpolation=cv2.INTER_AREA)


def _slopes(image: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Slope down and to the right, in units a pixel; 0 along a side of a single pixel."""
    down, right = (np.gradient(image, axis=i) if image.shape[i] > 1 else np.zeros_like(image) for i in (0, 1))
    return down, right


def _grain(seed: int, full: Box, part: Box, fine: int, cell_px: float) -> np.ndarray:
    """Smooth random field of unit spread over a part of a thing's box, the same whichever part is drawn.

    Cells are `cell_px` of the finer grid that is `fine` times finer than that of the boxes.
    """
    rows = max(int((full[3] - full[1]) * fine / cell_px), 2) + 2
    cols = max(int((full[2] - full[0]) * fine / cell_px), 2) + 2
    field = np.random.default_rng(seed).standard_normal((rows, cols), dtype=np.float32)
    step_x, step_y = (cols - 1) / ((full[2] - full[0]) * fine), (rows - 1) / ((full[3] - full[1]) * fine)
    to_cells = np.array(
        [[step_x, 0, (part[0] - full[0]) * fine * step_x], [0, step_y, (part[1] - full[1]) * fine * step_y]]
    )
    size = ((part[2] - part[0]) * fine, (part[3] - part[1]) * fine)
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(field, to_cells, size, flags=flags, borderMode=cv2.BORDER_REFLECT))


def spore_stamp(u: np.ndarray, v: np.ndarray, look: dict) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Density (relative to the amber), cover and thickness (um) of a spore over its own coordinates in um.

    A body of revolution with a lemon outline: density falls with the path through it, the wall darkens the
    rim, and the core is lighter.
    """
    a, b = look["length_um"] / 2, look["width_um"] / 2
    t = u / a
    half = b * lemon_half_width(t, look["pointed"])
    rest = half - np.abs(v)
    inside = rest > 0
    q = np.where(inside, np.abs(v) / np.maximum(half, 1e-6), 1.0)
    depth = half / b * np.sqrt(np.maximum(1 - q * q, 0))
    rim = np.exp(-((rest / 0.9) ** 2)) * look["wall"] * 0.6
    core = look["core"] * np.exp(-((t / 0.5) ** 2) - (q / 0.55) ** 2)
    body = (0.35 + 0.65 * depth + rim - core) * inside
    return body, inside.astype(np.float32), 2 * b * depth * inside


def _paint_spore(canvas: Canvas, thing: Thing) -> tuple[Box, np.ndarray] | None:
    x, y, matrix = local_frame(canvas, thing)
    look, grid = thing.look, canvas.view.work_um
    reach = int(np.ceil(look["length_um"] / 2 / grid * 1.06)) + 1
    cx, cy = round(x), round(y)
    box = (cx - reach, cy - reach, cx + reach + 1, cy + reach + 1)
    if box[2] <= 0 or box[3] <= 0 or box[0] >= canvas.shape[1] or box[1] >= canvas.shape[0]:
        return None
    fine = int(np.clip(np.ceil(grid / 0.25), 1, 6))
    side = (np.arange((2 * reach + 1) * fine) + 0.5) / fine - 0.5
    inverse = np.linalg.inv(matrix)
    dx, dy = (side + box[0] - x)[None, :], (side + box[1] - y)[:, None]
    u, v = inverse[0, 0] * dx + inverse[0, 1] * dy, inverse[1, 0] * dx + inverse[1, 1] * dy
    body, mask, thick = (_coarse(part.astype(np.float32), fine) for part in spore_stamp(u, v, look))
    if look["glint"]:
        spot = np.exp(
            -((u - 0.2 * look["width_um"]) ** 2 + (v + 0.12 * look["width_um"]) ** 2)
            / (0.12 * look["width_um"]) ** 2
        )
        body = body - look["glint"] * _coarse(spot.astype(np.float32), fine) * mask * 3
    density = body[..., None] * np.asarray(look["amber"], np.float32)
    scatter = None
    if canvas.above:
        amber = np.array([0.10, 0.045, 0.012], np.float32)
        scatter = mask[..., None] * amber * 0.6
        density = density * 1.5
    canvas.stamp(
        thing.layer, box, density, mask, thing.kind, phase=look["index"] * thick, scatter=scatter, hides=0.75
    )
    return box, mask


def _paint_scale(canvas: Canvas, thing: Thing) -> tuple[Box, np.ndarray] | None:
    drawn = _outline_mask(canvas, thing, thing.points, 1.0)
    if drawn is None:
        return None
    full, box, mask, fine = drawn
    look, grid = thing.look, canvas.view.work_um / fine
    x, y, matrix = local_frame(canvas, thing)
    inverse = np.linalg.inv(matrix)
    dx = ((np.arange(mask.shape[1], dtype=np.float32) + 0.5) / fine - 0.5 + box[0] - np.float32(x))[None, :]
    dy = ((np.arange(mask.shape[0], dtype=np.float32) + 0.5) / fine - 0.5 + box[1] - np.float32(y))[:, None]
    inverse = inverse.astype(np.float32)
    u, v = inverse[0, 0] * dx + inverse[0, 1] * dy, inverse[1, 0] * dx + inverse[1, 1] * dy
    length, width = np.float32(look["length_um"]), np.float32(look["width_um"])
    rng = np.random.default_rng(thing.seed)
    # ridges run along the scale and draw together at its base; what the grid cannot carry fades out
    spread = (
        1 + np.float32(rng.uniform(0.0, 0.35)) * np.clip(-u / length, -0.2, 0.5)
        if look["whole"]
        else np.float32(1)
    )
    carried = float(np.clip((look["ridge_um"] / grid - 2.0) / 2.0, 0, 1))
    lines = np.cos(
        v * spread * np.float32(2 * np.pi / look["ridge_um"]) + np.float32(0.2) * np.sin(u * np.float32(0.08))
    )
    ribs = np.cos(u * np.float32(2 * np.pi / (look["ridge_um"] * 0.7))) if carried > 0.5 else np.float32(0)
    mottle = _grain(thing.seed, full, box, fine, max(9 / grid, 2))
    tip = 1 + np.float32(rng.normal(0, 0.22)) * u / length
    edge = mask - cv2.blur(mask, (2 * int(1.2 / grid) + 1,) * 2) * mask
    ridged = np.float32(look["ridge"] * carried) * (lines + np.float32(0.3) * ribs)
    relief = np.clip((tip + ridged + np.float32(0.12) * mottle), 0.05, 3)
    if look["whole"] and rng.random() < 0.6:  # paler base around the stalk
        relief *= 1 - np.float32(rng.uniform(0.1, 0.6)) * np.exp(-(((u + length / 2) / (0.18 * length)) ** 2))
    fold = (
        np.float32(rng.uniform(0.0, 0.35))
        * np.exp(-(((v - width * np.float32(rng.normal(0, 0.2))) / 2.2) ** 2))
        if rng.random() < 0.3
        else 0
    )
    relief = _coarse((relief + fold) * mask, fine)
    edge, cover = _coarse(edge, fine), _coarse(mask, fine)
    rim = np.float32(rng.uniform(0.05, 0.35))
    density = relief[..., None] * look["density"].astype(np.float32) + (edge * rim)[..., None]
    scatter = None
    if canvas.above:
        shine = _coarse((0.75 + 0.25 * tip + np.float32(0.8) * ridged) * mask, fine)
        scatter = np.clip(shine, 0, 2)[..., None] * look["colour"].astype(np.float32)
        density = density * 0.8 + cover[..., None] * np.float32(0.30)
    canvas.stamp(thing.layer, box, density, cover, thing.kind, phase=cover * 0.04, scatter=scatter)
    return box, cover


def _paint_solid(canvas: Canvas, thing: Thing) -> tuple[Box, np.ndarray] | None:
    drawn = _outline_mask(canvas, thing, thing.points, 1.0, whole=True)
    if drawn is None:
        return None
    full, box, mask, fine = drawn
    look, grid = thing.look, canvas.view.work_um / fine
    inner = cv2.distanceTransform(
        (cv2.copyMakeBorder(mask, 1, 1, 1, 1, cv2.BORDER_CONSTANT) > 0.5).astype(np.uint8), cv2.DIST_L2, 3
    )
    inner = inner[1:-1, 1:-1]
    deepest = max(float(inner.max()), 0.5)
    rise = np.minimum(inner / deepest, 1)
    depth = np.sqrt(np.maximum(1 - (1 - rise) ** 2, 0))
    body = look["flat"] + (1 - look["flat"]) * depth
    body += look["wall"] * np.exp(-((inner * grid / look["wall_um"]) ** 2)) - look["core"] * rise**2
    if look["grain"]:
        body = body * (1 + look["grain"] * _grain(thing.seed, full, box, fine, max(1.6 / grid, 1.5)))
    body = _coarse((np.maximum(body, 0.02) * mask).astype(np.float32), fine)
    cover, depth = _coarse(mask, fine), _coarse((depth * mask).astype(np.float32), fine)
    tone = np.asarray(look["density"], np.float32)
    density = body[..., None] * tone
    thick_um = 2 * deepest * grid
    scatter = None
    if canvas.above:
        glow = 10 ** (-2 * np.minimum(tone, 2)) * 0.25 + 0.02
        scatter = cover[..., None] * glow.astype(np.float32)
        density = density * 1.5
    canvas.stamp(
        thing.layer,
        box,
        density,
        cover,
        thing.kind,
        phase=depth * (look["index"] * min(thick_um, 12)),
        scatter=scatter,
    )
    return box, cover


def _paint_bubble(canvas: Canvas, thing: Thing) -> tuple[Box, np.ndarray] | None:
    look = thing.look
    drawn = _outline_mask(canvas, thing, thing.points, 3 * look["rim_um"] + 1, whole=True)
    if drawn is None:
        return None
    _, box, mask, fine = drawn
    grid = canvas.view.work_um / fine
    filled = (mask > 0.5).astype(np.uint8)
    inside = cv2.distanceTransform(filled, cv2.DIST_L2, 3) - cv2.distanceTransform(1 - filled, cv2.DIST_L2, 3)
    inside = (inside * grid).astype(np.float32)
    rng = np.random.default_rng(thing.seed)
    heading = rng.uniform(0, 2 * np.pi)
    slope_y, slope_x = np.gradient(cv2.GaussianBlur(inside, (0, 0), max(1.5 / grid, 0.8)))
    side = (slope_x * np.cos(heading) + slope_y * np.sin(heading)) / grid
    rim = look["rim_um"]
    dark = (
        np.exp(-(((inside - 0.6 * rim) / rim) ** 2))
        * look["dark"]
        * (1 + look["lean"] * np.clip(side, -1, 1))
    )
    bright = np.exp(-(((inside - 2.0 * rim) / rim) ** 2)) * (inside > 0) + 0.7 * np.exp(
        -(((inside + 1.2 * rim) / rim) ** 2)
    )
    body = dark - look["bright"] * 0.6 * bright + look["inner"] * mask
    body = _coarse(body.astype(np.float32), fine)
    density = np.repeat(body[..., None], 3, axis=2)
    canvas.stamp(thing.layer, box, density, _coarse(mask, fine), thing.kind, scatter=None)
    return box, _coarse(mask, fine)


def _paint_strand(canvas: Canvas, thing: Thing) -> tuple[Box, np.ndarray] | None:
    look = thing.look
    rng = np.random.default_rng(thing.seed)
    n = len(thing.points)
    along = np.linspace(0, 1, n)
    width = look["width_um"] * (1 - look["taper"] * along**1.5 * 0.9)
    if look.get("wave"):  # a ribbon that twists
        width = width * (
            1 - look["wave"] * (0.5 + 0.5 * np.cos(along * rng.uniform(6, 40) + rng.uniform(0, 6)))
        )
    drawn = _outline_mask(canvas, thing, strip(thing.points, width), 2.0)
    if drawn is None:
        return None
    full, box, mask, fine = drawn
    grid = canvas.view.work_um / fine
    soft = cv2.GaussianBlur(mask, (0, 0), max(look["width_um"] / 4 / grid, 0.7))
    edge = mask * (1 - np.minimum(soft * 1.25, 1))
    core = mask * np.clip(soft * 2 - 1.0, 0, 1)
    body = mask * (1 + 0.1 * _grain(thing.seed, full, box, fine, max(6 / grid, 2)))
    if look.get("blot"):
        body = body * np.clip(
            1 + look["blot"] * _grain(thing.seed + 1, full, box, fine, max(10 / grid, 2)), 0, 3
        )
    tone = np.asarray(look["density"], np.float32)
    shape = body - look["core"] * core
    density = shape[..., None] * tone + (edge * look["edge"] * 0.5)[..., None]
    if look.get("tilt"):  # glue ridge: a bright and a dark side
        heading = rng.uniform(0, 2 * np.pi)
        slope_y, slope_x = _slopes(soft)
        lit = (slope_x * np.cos(heading) + slope_y * np.sin(heading)) * look["width_um"] / 4 / grid * 3
        density = density + (look["tilt"] * lit)[..., None]
    density = _coarse(density.astype(np.float32), fine)
    cover = _coarse(mask, fine)
    scatter = None
    if canvas.above and thing.kind != 6:
        glow = (10 ** (-1.6 * np.minimum(tone, 2)) * 0.4).astype(np.float32)
        scatter = cover[..., None] * glow
        density = density + cover[..., None] * np.float32(0.12)
    phase = look["index"] * min(look["width_um"], 10) * _coarse(soft * mask, fine)
    canvas.stamp(thing.layer, box, density, cover, thing.kind, phase=phase, scatter=scatter)
    return box, cover


_PAINTERS: dict[str, Callable[[Canvas, Thing], tuple[Box, np.ndarray] | None]] = {
    "spore": _paint_spore,
    "scale": _paint_scale,
    "solid": _paint_solid,
    "bubble": _paint_bubble,
    "strand": _paint_strand,
}

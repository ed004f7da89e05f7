"""The canvas, and everything on a print that is no spore."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.curves.functions import Array, Curve, draw_curve, draw_noise
from sporecount.simulate.curves.plan import Rng
from sporecount.simulate.truth import KIND_NAMES

KIND = {name: number for number, name in enumerate(KIND_NAMES)}
Mask = NDArray[np.bool_]
Box = tuple[slice, slice]
Waves = tuple[tuple[int, float], ...]
BlobLook = tuple[str, Sequence[float], Waves, float]
"""Kind, density per channel, (order, share) of the outline's waves, and graininess."""


class Canvas:
    """Light, kinds and owners of the pixels of a scene before blur; things are laid from the lowest up.

    `light` is linear and changed in place. Under `top_light` thick things shine in their own colour.
    """

    def __init__(self, light: Array, px_um: float, top_light: bool) -> None:
        shape = (int(light.shape[0]), int(light.shape[1]))
        self.light, self.px_um, self.top_light = light, px_um, top_light
        self.kinds: NDArray[np.uint8] = np.zeros(shape, np.uint8)
        self.owner: NDArray[np.int32] = np.full(shape, -1, np.int32)
        self.layers: NDArray[np.uint8] = np.zeros(shape, np.uint8)
        self.scaled: Mask = np.zeros(shape, bool)
        self.laid: dict[int, int] = {}

    def window(self, x: float, y: float, reach_um: float) -> tuple[Box, Array, Array] | None:
        """Cut a window around a place, with offsets from it in um; None where it misses the canvas."""
        rows, cols = self.kinds.shape
        reach = reach_um / self.px_um + 2
        x0, x1 = max(0, int(x - reach)), min(cols, int(x + reach) + 2)
        y0, y1 = max(0, int(y - reach)), min(rows, int(y + reach) + 2)
        if x0 >= x1 or y0 >= y1:
            return None
        dx = ((np.arange(x0, x1) - x) * self.px_um).astype(np.float32)[None]
        dy = ((np.arange(y0, y1) - y) * self.px_um).astype(np.float32)[:, None]
        return (slice(y0, y1), slice(x0, x1)), dx, dy

    def lay(
        self, box: Box, through: Array, inside: Mask, kind: int, owner: int = -1, clear: Mask | None = None
    ) -> None:
        """Lay a thing: light times `through`; spores below stay the topmost where it is `clear`."""
        self.light[box] *= through
        if clear is not None:
            inside = inside & ~(clear & (self.owner[box] >= 0))
        self.kinds[box][inside] = kind
        self.owner[box][inside] = owner
        if owner >= 0:
            self.layers[box] += inside

    def lay_centred(self, x: int, y: int, through: Array, inside: Mask, kind: int, owner: int) -> None:
        """Lay a patch of odd size around a pixel, cut at the canvas's edge."""
        rows, cols = self.kinds.shape
        reach = through.shape[0] // 2
        self.laid[owner] = int(inside.sum())
        top, left = max(0, reach - y), max(0, reach - x)
        bottom, right = min(2 * reach + 1, rows + reach - y), min(2 * reach + 1, cols + reach - x)
        if top < bottom and left < right:
            box = (slice(y - reach + top, y - reach + bottom), slice(x - reach + left, x - reach + right))
            part = (slice(top, bottom), slice(left, right))
            self.lay(box, through[part], inside[part], kind, owner)


SCALE_COLOURS = (
    (0.3, (0.16, 0.42, 1.0), (0.75, 0.36, 0.1)),  # orange
    (0.25, (0.42, 0.62, 0.9), (0.3, 0.18, 0.1)),  # brown
    (0.15, (1.05, 1.1, 1.15), (0.06, 0.06, 0.07)),  # black
    (0.12, (0.24, 0.25, 0.26), (0.85, 0.85, 0.82)),  # white
    (0.18, (0.1, 0.14, 0.22), (0.7, 0.62, 0.48)),  # pale
)
"""Share, density per channel in light from below, and colour in light from above."""


class ScaleLook:
    """How one sort of scale looks in a photo: curves along it and across it, ridges, teeth, colour."""

    def __init__(self, rng: Rng) -> None:
        colours = np.array([row[1:] for row in SCALE_COLOURS])
        mix = rng.uniform(0, 0.25)
        one = colours[rng.choice(len(colours), p=[row[0] for row in SCALE_COLOURS])]
        both = (one * (1 - mix) + mix * colours[rng.integers(len(colours))]).astype(np.float32)
        self.density = both[0] * np.float32(np.exp(rng.uniform(np.log(0.55), np.log(1.25))))
        self.shine = both[1]
        self.length_um = float(rng.uniform(105, 220))
        self.width_um = float(np.clip(self.length_um * rng.uniform(0.35, 0.75), 50, 118))
        half = [(0.08, 0.25), (0.55, 0.9), (0.85, 1), (0.9, 1), (0.7, 1)]
        self.half = draw_curve(rng, half, (0, 0.15, 0.4, 0.75, 1))
        self.along = draw_curve(rng, [(0.6, 1.4), (0.7, 1.2), (0.7, 1.2), (0.8, 1.2), (0.5, 1.3)])
        self.across = draw_curve(rng, [(0.8, 1.1), (0.8, 1.1), (0.8, 1.2), (0.8, 1.7)], (0, 0.5, 0.88, 1))
        self.ridge = draw_curve(rng, [(-1, 0), (-0.6, 0.4), (0.3, 1), (-0.6, 0.4), (-1, 0)])
        self.ridge_um = float(rng.uniform(1.5, 3.6))
        self.ridge_strength = float(rng.uniform(0.08, 0.45))
        self.rib_um = float(rng.uniform(0.6, 1.8))
        self.mottle_um = float(np.exp(rng.uniform(np.log(12), np.log(90))))
        self.mottle = float(rng.uniform(0.02, 0.17))
        self.teeth = int(rng.integers(0, 7))
        self.tooth_share = float(rng.uniform(0.04, 0.16))
        self.round_end = float(rng.uniform(0.0, 0.22))


def lay_scale(
    rng: Rng, canvas: Canvas, look: ScaleLook, x: float, y: float, piece_um: float | None = None
) -> bool:
    """Lay a scale, or a torn piece of about `piece_um` across; tell whether it is nearly whole."""
    size = float(np.clip(np.exp(rng.normal(0, 0.12)), 0.8, 1.2))
    length = float(np.clip(look.length_um * size, 100, 250))
    width = float(np.clip(look.width_um * size, 50, 120))
    spot = canvas.window(x, y, 0.62 * length if piece_um is None else 0.8 * piece_um)
    if spot is None:
        return False
    box, dx, dy = spot
    turn = rng.uniform(0, 2 * np.pi)
    cos, sin = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    u, v = dx * cos + dy * sin, dy * cos - dx * sin
    flakes = np.full(u.shape, 1e3, np.float32)
    if piece_um is not None:
        # Straight tears all around, and a place somewhere on the scale it comes from.
        n = int(rng.integers(4, 7))
        for direction in (np.arange(n) + rng.uniform(-0.35, 0.35, n)) * 2 * np.pi / n:
            away = piece_um / 2 * rng.uniform(0.5, 1)
            side = u * np.sin(direction) - v * np.cos(direction)
            bite = 0.05 * piece_um * np.sin(side * rng.uniform(0.1, 0.6))
            flakes = np.minimum(flakes, away + bite - u * np.cos(direction) - v * np.sin(direction))
        u, v = u + length * rng.uniform(-0.25, 0.25), v + width * rng.uniform(-0.3, 0.3)
    s = u / length + np.float32(0.5)
    v = v - np.float32(rng.normal(0, 0.12) * length) * (s - np.float32(0.5)) ** 2
    half = look.half(s) * np.float32(width / 2)
    q = np.abs(v) / half
    end = 1 - look.round_end * (2 * v / width) ** 2
    if look.teeth:
        end -= look.tooth_share * np.abs(((v / width + 0.5) * look.teeth) % 1 - 0.5) * 2
    distance = np.minimum(np.minimum(half - np.abs(v), (end - s) * length), s * length)
    whole = piece_um is None
    if whole and rng.random() < 0.3:
        cut = rng.uniform(0.35, 0.95)
        waves = (0.06, 0.17, 0.5, 1.1)
        jag = sum(rng.uniform(0, 0.004) / f * np.sin(v * f + rng.uniform(0, 6)) for f in waves)
        distance = np.minimum(distance, (cut + jag - s) * length)
        whole = cut > 0.7
    distance = np.minimum(distance, flakes)
    if piece_um is None:
        distance = np.maximum(distance, np.minimum(1.6 - np.abs(v), np.minimum(s + 0.1, 0.05 - s) * length))
    cover = np.clip(distance / canvas.px_um + 0.5, 0, 1)
    if cover.max() < 0.5:
        return False
    # Ridges finer than a pixel average out.
    seen = np.exp(-2 * (np.pi * 0.4 * canvas.px_um / np.array([look.ridge_um, look.rib_um])) ** 2)
    body = look.along(s) * look.across(q)
    body = body * (1 + look.ridge_strength * seen[0] * look.ridge((v / look.ridge_um) % 1))
    if seen[1] > 0.1:
        body *= 1 + 0.15 * look.ridge_strength * seen[1] * np.sin(2 * np.pi * u / look.rib_um)
    noise = draw_noise(
        rng, (u.shape[0] // 4 + 4, u.shape[1] // 4 + 4), 4 * canvas.px_um, look.mottle_um, 5, 1.2
    )
    body *= 1 + look.mottle * cv2.resize(noise, (u.shape[1], u.shape[0]), interpolation=cv2.INTER_CUBIC)
    density = look.density * np.float32(np.exp(rng.normal(0, 0.12)))
    through = np.power(np.float32(10), -np.maximum(body, 0.05)[..., None] * density * cover[..., None])
    glow = None
    if canvas.top_light:
        hide = (0.85 * cover)[..., None]
        glow = hide * look.shine * np.clip(0.4 + 0.6 * body, 0, 1.5)[..., None] * np.float32(0.9)
        through = np.repeat(1 - hide, 3, axis=2)
    clear = through[..., 1] > 0.5
    inside = cover > 0.5
    kind = KIND["scale" if piece_um is None else "scale piece"]
    canvas.lay(box, through.astype(np.float32), inside, kind, clear=clear)
    if glow is not None:
        canvas.light[box] += glow
    if piece_um is None:
        canvas.scaled[box] |= inside
    return whole


SMALL_UM = {
    "dust": (2.2, 0.6, 0.7, 14.0),
    "droplet": (4.2, 0.45, 1.2, 20.0),
    "pollen": (11.0, 0.3, 6.0, 22.0),
    "bubble": (6.0, 0.65, 1.5, 60.0),
}
"""Radius: usual, spread of its logarithm, least, most."""


def _blob(
    rng: Rng, canvas: Canvas, place: tuple[float, float], radius_um: float, look: BlobLook, curve: Curve
) -> None:
    """Lay a star-shaped thing: `curve` gives its density from rim to middle, the waves of `look` its outline."""
    kind, tint, waves, grain = look
    spot = canvas.window(*place, radius_um * 1.7)
    if spot is None:
        return
    box, dx, dy = spot
    r, theta = np.hypot(dx, dy), np.arctan2(dy, dx)
    shape = np.ones_like(r)
    for order, share in waves:
        shape += np.float32(share * rng.normal()) * np.cos(order * theta + np.float32(rng.uniform(0, 6.28)))
    outer = radius_um * np.maximum(shape, 0.3)
    cover = np.clip((outer - r) / canvas.px_um + 0.5, 0, 1)
    body = curve(1 - r / outer)
    if grain > 0:
        body = body * (1 + grain * draw_noise(rng, r.shape, canvas.px_um, radius_um, 1.0, 0.5))
    density = body[..., None] * cover[..., None] * np.array(tint, np.float32)
    through = np.power(np.float32(10), -density)
    canvas.lay(box, through.astype(np.float32), cover > 0.5, KIND[kind], clear=through[..., 1] > 0.75)


def lay_small(rng: Rng, canvas: Canvas, x: float, y: float, name: str) -> None:
    """Lay a "dust" grain, "droplet", "bubble" or "pollen" grain of a usual size."""
    middle, spread, low, high = SMALL_UM[name]
    radius = float(np.clip(middle * np.exp(rng.normal(0, spread)), low, high))
    kind, grain = name, 0.0
    waves: Waves = ((2, 0.02), (3, 0.015))
    if name == "dust":
        # Jagged and mostly dark.
        waves = tuple((k, rng.uniform(0.05, 0.4) / k) for k in (2, 3, 4, 5, 7, 11))
        curve = draw_curve(rng, [(0.2, 0.9), (0.2, 1.4), (0.2, 1.3)])
        brown = rng.uniform(0, 0.35)
        tint, grain = (1 - brown, 1.0, 1 + brown), rng.uniform(0, 0.4)
    elif name == "droplet":
        # A round lens without a wall, brown or yellow, darkening smoothly or to one bright spot.
        curve = draw_curve(rng, [(0.3, 0.9), (0.2, 0.7), (0.05, 0.5), (-0.15, 0.5)])
        red = rng.uniform(0.1, 0.6)
        tint, kind = (red, red + rng.uniform(0.06, 0.25), rng.uniform(0.9, 1.6)), "other"
    elif name == "bubble":
        # A black ring without colour, and a clear or bright middle.
        thick = rng.uniform(0.06, 0.3)
        ranges = [(0.3, 1.3), (0.2, 1.1), (-0.12, 0.03), (-0.05, 0.04), (-0.15, 0.03)]
        curve = draw_curve(rng, ranges, (0, thick * 0.5, thick, (1 + thick) / 2, 1))
        tint = (1.0, 1.0, 1.0)
        if radius > 14 and rng.random() < 0.6:
            waves = tuple((k, 0.3 / k**1.3) for k in (2, 3, 4, 5))
    else:
        # A thick, often spiny or netted wall.
        curve = draw_curve(rng, [(0.4, 0.9), (0.5, 1.1), (0.2, 0.7), (0.15, 0.7)])
        tint = (rng.uniform(0.2, 0.5), rng.uniform(0.4, 0.7), rng.uniform(1, 1.5))
        waves = ((int(rng.integers(9, 22)), rng.uniform(0, 0.09)), (2, 0.03), (3, 0.03))
        grain = rng.uniform(0.1, 0.5)
    _blob(rng, canvas, (x, y), radius, (kind, tint, waves, grain), curve)


def lay_mould(rng: Rng, canvas: Canvas, x: float, y: float) -> None:
    """Lay a chain or bunch of small round mould spores, grey-green or smoky, each far smaller than a lemon."""
    curve = draw_curve(rng, [(0.3, 0.8), (0.2, 0.7), (0.1, 0.6)])
    tint = (rng.uniform(0.9, 1.2), rng.uniform(0.7, 0.9), rng.uniform(0.9, 1.2))
    radius = rng.uniform(1.3, 2.7)
    way, bend = rng.uniform(0, 6.28), rng.normal(0, 0.3)
    for _ in range(int(rng.integers(2, 13))):
        size = radius * rng.uniform(0.85, 1.15)
        _blob(rng, canvas, (x, y), size, ("other", tint, ((2, 0.06),), 0.0), curve)
        way += bend + rng.normal(0, 0.25)
        x, y = x + 1.9 * radius * np.cos(way) / canvas.px_um, y + 1.9 * radius * np.sin(way) / canvas.px_um


THREADS = {
    "hair": (2.5, 9, 0.0025),
    "hair end": (1.2, 4, 0.006),
    "fibre": (2, 9, 0.012),
    "ruled line": (25, 90, 0.0),
}
"""Least and most radius in um, and how much they bend."""


def lay_thread(rng: Rng, canvas: Canvas, x: float, y: float, name: str) -> None:
    """Lay a "hair", "hair end", "fibre" or "ruled line" through a place."""
    px = canvas.px_um
    rows, cols = canvas.kinds.shape
    low, high, wander = THREADS[name]
    radius = rng.uniform(low, high)
    run = 1.3 * np.hypot(rows, cols) * px
    if name == "hair end":
        run = rng.uniform(18, 90)
    elif name == "fibre":
        run = min(run, rng.uniform(120, 1500))
    steps = 160
    bend = np.cumsum(rng.normal(0, wander, steps)) + rng.normal(0, wander * 2)
    way = rng.uniform(0, 6.28) + np.cumsum(bend * run / steps / 12)
    path = np.cumsum(np.stack([np.cos(way), np.sin(way)], axis=1), axis=0) * run / steps / px
    path += np.array([x, y]) - path[steps // 2]
    pad = radius * 1.3 / px + 3
    x0, y0 = (max(0, int(n)) for n in path.min(axis=0) - pad)
    x1, y1 = (min(m, int(n)) for m, n in zip((cols, rows), path.max(axis=0) + pad + 2, strict=True))
    if x1 - x0 < 3 or y1 - y0 < 3:
        return
    drawn = np.full((y1 - y0, x1 - x0), 255, np.uint8)
    cv2.polylines(drawn, [np.round((path - [x0, y0]) * 16).astype(np.int32)], False, 0, 1, cv2.LINE_8, 4)
    distance: Array = cv2.distanceTransform(drawn, cv2.DIST_L2, 5) * px
    # Takes the steps of pixels off the path.
    distance = cv2.GaussianBlur(distance, (0, 0), 1.0)
    wide: Array = np.full(distance.shape, radius, np.float32)
    if name == "fibre":
        # Flat cotton and paper fibres twist: they look wide here and narrow there.
        small = draw_noise(rng, ((y1 - y0) // 8 + 3, (x1 - x0) // 8 + 3), 8 * px, 160, 50, 1.0)
        wide = wide * np.clip(1 + 0.3 * cv2.resize(small, distance.shape[::-1]), 0.35, 1.7)
    elif name == "hair end":
        chord = path[-1] - path[0]
        gx, gy = np.arange(x0, x1) - path[0, 0], np.arange(y0, y1) - path[0, 1]
        share = (gx[None] * chord[0] + gy[:, None] * chord[1]) / (chord @ chord)
        wide *= np.clip(1 - share, 0.05, 1).astype(np.float32) ** rng.uniform(0.2, 1)
    cover: Array = np.clip((wide - distance) / px + 0.5, 0, 1)
    if name == "fibre":
        body = draw_curve(rng, [(0.15, 0.6), (0, 0.35), (-0.08, 0.2), (-0.08, 0.3)])(1 - distance / wide)
        tint = np.ones(3) if rng.random() < 0.8 else rng.uniform(0.1, 1.6, 3)
    elif name == "ruled line":
        body = np.full(distance.shape, rng.uniform(0.15, 0.6), np.float32)
        body = body * (1 + 0.25 * draw_noise(rng, (y1 - y0, x1 - x0), px, 120, 12, 1.2))
        tint = np.array([rng.uniform(0.6, 1.4), 0.8, rng.uniform(0.3, 0.8)])
        cover = np.clip((wide - distance) / 15 + 0.5, 0, 1)
    else:
        body = draw_curve(rng, [(0.3, 1.2), (0.2, 1.1), (0.05, 0.9)])(1 - distance / wide)
        brown = rng.uniform(0, 0.5)
        tint = np.array([1 - brown, 1, 1 + brown])
    density = (body * cover)[..., None] * tint.astype(np.float32)
    through = np.power(np.float32(10), -density).astype(np.float32)
    kind = {"hair": "hair", "hair end": "hair", "fibre": "fibre"}.get(name, "other")
    box = (slice(y0, y1), slice(x0, x1))
    canvas.lay(box, through, cover > 0.5, KIND[kind], clear=through[..., 1] > 0.6)

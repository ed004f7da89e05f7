"""Everything on a print that is no spore: scales, hairs, fibres, bubbles, droplets, pollen, mould, dust."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.shading.bodies import Look, shade
from sporecount.simulate.shading.canvas import Array, Canvas

SCALE_TINTS = {
    "orange": ((0.12, 0.6, 1.6), 0.3, 0.9),
    "brown": ((0.6, 0.95, 1.4), 0.5, 1.6),
    "black": ((0.9, 1.0, 1.1), 1.2, 3.0),
    "white": ((0.9, 1.0, 1.1), 0.1, 0.4),
    "pale": ((0.6, 0.9, 1.5), 0.06, 0.25),
}


@dataclass(frozen=True)
class ScaleLook:
    """One kind of scale on a print: tint, density, ridges, shape of the end."""

    tint: tuple[float, float, float]
    density: float
    ridge_um: float
    ridge: float
    teeth: int
    tooth: float
    border: float
    mottle: float


def draw_scale_look(rng: np.random.Generator) -> ScaleLook:
    """One kind of butterfly scale."""
    tint, low, high = SCALE_TINTS[str(rng.choice(list(SCALE_TINTS), p=[0.28, 0.24, 0.16, 0.16, 0.16]))]
    r = rng.uniform
    red, green, blue = (float(t * r(0.85, 1.15)) for t in tint)
    return ScaleLook(
        tint=(red, green, blue),
        density=float(np.exp(r(np.log(low), np.log(high)))),
        ridge_um=r(1.6, 3.0),
        ridge=r(0.05, 0.4),
        teeth=int(rng.integers(2, 7)),
        tooth=r(0.03, 0.16),
        border=r(0.0, 0.35),
        mottle=r(0.05, 0.4),
    )


def cloud(rng: np.random.Generator, shape: tuple[int, ...], cell_px: float) -> Array:
    """Smooth noise between about -1 and 1 with lumps of `cell_px`."""
    small = (max(2, int(shape[0] / cell_px) + 2), max(2, int(shape[1] / cell_px) + 2))
    grains = rng.normal(0, 0.5, small).astype(np.float32)
    return np.asarray(cv2.resize(grains, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC), np.float32)


def lay_scale(
    rng: np.random.Generator, canvas: Canvas, look: ScaleLook, x: float, y: float, piece_um: float
) -> bool:
    """Lay a scale, or a torn piece of about `piece_um` where that is above 0; whether it is nearly whole."""
    length, width = rng.uniform(100, 230), rng.uniform(50, 105)
    turn = rng.uniform(0, 2 * np.pi)
    got = canvas.grid(x, y, piece_um if piece_um else 0.75 * length)
    if got is None:
        return False
    window, dx, dy = got
    # A piece is a random spot of a scale.
    u = dx * np.cos(turn) + dy * np.sin(turn) + (rng.uniform(-0.4, 0.5) * length if piece_um else 0.0)
    v = dy * np.cos(turn) - dx * np.sin(turn) + (rng.uniform(-0.4, 0.4) * width if piece_um else 0.0)
    along = u / length + 0.5
    belly, skew = rng.uniform(0.35, 0.75), rng.uniform(-0.12, 0.12)
    v = v + skew * length * (along - 0.5) ** 2
    cut = np.full(v.shape, -np.inf, np.float32)
    half = 0.5 * width * np.clip(1 - np.abs((along - 0.62) / 0.62) ** 2.4, 0, 1) ** belly
    wave = np.abs(((v / width + 0.5) * look.teeth) % 1 - 0.5) * 2
    end = 1 - look.tooth * (1 - wave) - 0.25 * np.abs(v / width) ** 2 * rng.uniform(0, 1.5)
    out = np.maximum(np.abs(v) - half, (along - end) * length)
    if piece_um:
        # Torn along a few crooked lines, more readily along the ridges.
        ragged = rng.uniform(0.02, 0.12) * piece_um * cloud(rng, out.shape, 0.3 * piece_um / canvas.px_um)
        way = turn
        for _ in range(int(rng.integers(3, 6))):
            torn = dx * np.cos(way) + dy * np.sin(way) - piece_um * rng.uniform(0.2, 0.65)
            out = np.maximum(out, torn + ragged)
            way += rng.uniform(0.9, 1.9)
        out = np.maximum(out, np.hypot(dx, dy) - 0.8 * piece_um)
    elif rng.random() < 0.3:
        way = rng.uniform(0, np.pi)
        ragged = 0.06 * length * cloud(rng, out.shape, 8 / canvas.px_um)
        cut = (dx * np.cos(way) + dy * np.sin(way)) - rng.uniform(0.0, 0.4) * length + ragged
    out, px = np.maximum(out, cut), canvas.px_um
    cover = np.clip(0.5 - out / px, 0, 1).astype(np.float32)
    if not piece_um:
        stalk = np.maximum(np.abs(v) - 2.0, np.maximum(-(u + 0.62 * length), u + 0.48 * length))
        cover = np.maximum(cover, np.clip(0.5 - np.maximum(stalk, cut) / px, 0, 1)).astype(np.float32)
    if cover.max() < 0.5:
        return False
    # A pixel averages ridges that are finer than itself.
    fade = np.exp(-0.5 * (np.pi * 0.6 * px / look.ridge_um) ** 2)
    ridges = look.ridge * fade * np.cos(2 * np.pi * v / look.ridge_um + 0.4 * np.sin(along * 5))
    ribs = 0.3 * look.ridge * fade**4 * np.cos(2 * np.pi * u / (0.5 * look.ridge_um))
    level = look.density * (1 + ridges + ribs + look.mottle * cloud(rng, out.shape, 14 / px))
    level *= 0.75 + 0.5 * rng.uniform(0.3, 1) * np.clip(along, 0, 1)
    level = np.clip(level, 0.02, None) * cover
    grey = look.border * np.exp(-0.5 * ((out + 0.8) / 0.9) ** 2) * cover
    through = np.exp(-(level[..., None] * np.asarray(look.tint, np.float32) + grey[..., None]))
    # What lies under a pale scale is still plain to see.
    hides = 0.0 if look.density < 0.45 else (0.4 if look.density < 0.8 else 1.0)
    canvas.lay(window, through, cover, "scale piece" if piece_um else "scale", hides)
    return not piece_um


def _look(rng: np.random.Generator, **fixed: float | tuple[float, float, float]) -> Look:
    values: dict = {
        "tint": (0.9, 1.0, 1.1),
        "density": 0.3,
        "hollow": 0.5,
        "rim": rng.uniform(0.1, 0.8),
        "rim_um": 0.7,
        "halo": rng.uniform(-0.05, 0.2),
        "halo_um": 0.8,
        "middle": 0.0,
        "middle_size": 0.5,
        "side": 0.2 * rng.random() ** 2,
        "gloss": 0.0,
    }
    values.update(fixed)
    return Look(**values)


def lay_blob(
    rng: np.random.Generator,
    canvas: Canvas,
    look: Look,
    x: float,
    y: float,
    radius_um: float,
    kind: str,
    aspect: float,
    waves: tuple[tuple[int, float], ...],
    hides: float,
) -> None:
    """Lay a roundish body whose border waves in and out."""
    got = canvas.grid(x, y, 1.5 * radius_um * max(aspect, 1) + 3)
    if got is None:
        return
    window, dx, dy = got
    fine = int(np.clip(np.ceil(canvas.px_um / 0.4), 1, 4)) if radius_um < 15 else 1
    if fine > 1:
        sub = (np.arange(fine) + 0.5) / fine - 0.5
        dx = (dx[:, :, None] + sub * canvas.px_um).reshape(1, -1).astype(np.float32)
        dy = (dy[:, :, None] + sub * canvas.px_um).reshape(-1, 1).astype(np.float32)
    turn = rng.uniform(0, np.pi)
    a, b = radius_um * np.sqrt(aspect), radius_um / np.sqrt(aspect)
    u, v = dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn)
    rho = np.hypot(u / a, v / b)
    edge = np.ones_like(rho)
    way = np.arctan2(v / b, u / a)
    for order, size in waves:
        edge = edge + np.float32(size) * np.cos(order * way + np.float32(rng.uniform(0, 6.3)))
    out = ((rho - edge) * radius_um).astype(np.float32)
    flank = (dx * canvas.lamp[0] + dy * canvas.lamp[1]) / (np.hypot(dx, dy) + 1e-3)
    spot = (dx / radius_um - 0.4 * canvas.lamp[0]) ** 2 + (dy / radius_um - 0.4 * canvas.lamp[1]) ** 2
    cover = np.clip(0.5 - out * (fine / canvas.px_um), 0, 1).astype(np.float32)
    through = shade(look, out, (rho / edge).astype(np.float32), flank, spot, cover)
    rows, cols = cover.shape[0] // fine, cover.shape[1] // fine
    through = through.reshape(rows, fine, cols, fine, 3).mean((1, 3))
    canvas.lay(window, through, cover.reshape(rows, fine, cols, fine).mean((1, 3)), kind, hides)


def lay_small(rng: np.random.Generator, canvas: Canvas, name: str, x: float, y: float) -> None:
    """One small thing: dust, droplet, pollen, mould or bubble."""
    r = rng.uniform
    gloss, size = r(0.2, 0.8) if canvas.from_above else 0.0, np.exp(rng.normal())
    if name == "dust":
        tint = (r(0.6, 1.0), 1.0, r(1.0, 1.4))
        look = _look(rng, density=r(0.4, 2.5), tint=tint, rim=r(0, 0.4), gloss=0.3 * gloss)
        waves: tuple[tuple[int, float], ...] = tuple((k, r(0, 0.7 / k)) for k in (2, 3, 4, 5, 7))
        lay_blob(rng, canvas, look, x, y, np.clip(2.2 * size**0.6, 0.6, 14), name, r(1, 2.6), waves, 1.0)
    elif name == "droplet":
        tint = (r(0.2, 0.6), r(0.8, 1.0), r(1.2, 2.2))
        look = _look(
            rng,
            tint=tint,
            density=r(0.02, 1.3),
            hollow=r(0.3, 1),
            rim=r(0.1, 0.9),
            gloss=gloss,
            rim_um=r(0.4, 1.6),
            middle=r(-0.1, 0.5),
            middle_size=r(0.2, 0.7),
        )
        waves = ((2, r(0, 0.08)), (3, r(0, 0.06)))
        lay_blob(rng, canvas, look, x, y, np.clip(5 * size**0.5, 1.3, 30), "other", r(1, 1.25), waves, 0.3)
    elif name == "pollen":
        tint = (r(0.2, 0.5), 0.85, 1.9)
        look = _look(
            rng,
            tint=tint,
            density=r(0.25, 1.4),
            hollow=r(0, 0.5),
            rim=r(0.2, 0.9),
            rim_um=r(0.7, 1.6),
            middle=r(-0.2, 0.25),
            gloss=0.5 * gloss,
        )
        waves = ((int(rng.integers(10, 22)), 0.08 * rng.random() ** 2), (3, r(0, 0.08)))
        lay_blob(rng, canvas, look, x, y, np.clip(10 * size**0.3, 5, 22), name, r(1, 1.3), waves, 1.0)
    elif name == "bubble":
        radius = np.clip(6 * size**0.7, 1.5, 60)
        look = _look(
            rng,
            density=r(0, 0.08),
            rim=r(0.5, 2.2),
            rim_um=r(0.06, 0.16) * radius + 0.3,
            halo_um=1.2,
            middle=r(0, 0.35),
            middle_size=r(0.3, 0.8),
            halo=r(0, 0.35),
            gloss=gloss,
        )
        waves = ((2, 0.1 * rng.random() ** 2), (3, 0.03 * rng.random()), (5, 0.02 * rng.random() ** 2))
        lay_blob(rng, canvas, look, x, y, radius, name, r(1, 1.3), waves, 0.4)
    else:
        # Mould: a loose heap or a chain of small even cells, round or rod-like, greenish or dark.
        cell, aspect, way = r(1.2, 3.0), rng.choice([1.05, 2.2]), r(0, 6.3)
        tint = (0.9, r(0.7, 1.0), 1.2)
        look = _look(rng, tint=tint, density=r(0.15, 1.2), rim_um=0.4, middle=0.1, gloss=0.3 * gloss)
        for _ in range(int(rng.integers(2, 14))):
            lay_blob(rng, canvas, look, x, y, cell * r(0.85, 1.15), "other", aspect, (), 0.8)
            way += rng.normal(0, 0.7)
            step = 1.8 * cell * np.sqrt(aspect) / canvas.px_um
            x, y = x + step * np.cos(way), y + step * np.sin(way)


def lay_thread(rng: np.random.Generator, canvas: Canvas, name: str, x: float, y: float) -> None:
    """Lay a hair (round, even) or a paper or cotton fibre (flat, twisted), through a point or ending there."""
    rows, cols = canvas.kinds.shape
    px = np.float32(canvas.px_um)
    turn = rng.uniform(0, 2 * np.pi)
    dx = (np.arange(cols, dtype=np.float32) - np.float32(x))[None, :] * px
    dy = (np.arange(rows, dtype=np.float32) - np.float32(y))[:, None] * px
    cos, sin = np.float32(np.cos(turn)), np.float32(np.sin(turn))
    u, v = dx * cos + dy * sin, dy * cos - dx * sin
    hair, phase = name == "hair", rng.uniform(0, 6.3)
    wave, period = (0.0, 100.0) if hair else (rng.uniform(0, 14), rng.uniform(80, 300))
    half = rng.uniform(1.5, 6) if hair else rng.uniform(3, 11)
    most = 0.3 / (px * cols)
    bow = float(np.clip(rng.normal(0, 0.0005 if hair else 0.0018), -most, most))
    swing = u * (2 * np.pi / period) + phase
    off = v - bow * u * u - wave * np.sin(swing)
    off /= np.sqrt(1 + (2 * bow * u + wave * 2 * np.pi / period * np.cos(swing)) ** 2)
    mine = np.abs(off) < half + 3
    if rng.random() < 0.6:
        mine &= u > 0
    if not mine.any():
        return
    here_rows, here_cols = np.flatnonzero(mine.any(1)), np.flatnonzero(mine.any(0))
    window = slice(here_rows[0], here_rows[-1] + 1), slice(here_cols[0], here_cols[-1] + 1)
    at = np.flatnonzero(mine[window].ravel())
    across, along = off[window].ravel()[at], u[window].ravel()[at]
    twist = 1.0 if hair else 0.55 + 0.45 * np.abs(np.cos(along / rng.uniform(25, 70) + phase))
    here = half * twist * (np.clip(along / 60, 0.15, 1) if hair and rng.random() < 0.5 else 1.0)
    out = np.abs(across) - here
    cover = np.clip(0.5 - out / px, 0, 1)
    density = rng.uniform(0.3, 2.0) if hair else rng.uniform(0.03, 0.3)
    tint = np.array((0.7, 1.0, 1.3) if hair else (0.9, 1.0, rng.uniform(0.9, 1.2)), np.float32)
    edge, shine = rng.uniform(0.1, 0.8), rng.uniform(0.0, 0.5)
    grey = edge * np.exp(-0.5 * ((out + 0.9) / 0.8) ** 2) - 0.15 * np.exp(-0.5 * ((out - 0.9) / 0.7) ** 2)
    grey = grey - shine * cover * np.exp(-0.5 * (across / (0.3 * here)) ** 2)
    body = density * cover * (1 + 0.15 * np.sin(along / 3.1))
    shape = mine[window].shape
    through, full = np.ones((*shape, 3), np.float32), np.zeros(shape, np.float32)
    through.reshape(-1, 3)[at] = np.exp(-(body[:, None] * tint + grey[:, None]))
    full.reshape(-1)[at] = cover
    canvas.lay(window, through, full, name, 1.0 if hair else 0.8)

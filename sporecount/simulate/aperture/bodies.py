"""Spores, scales and their torn pieces."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.aperture.scene import PIECE, SCALE, SPORE, Array, Scene, frame, soft_noise


@dataclass(frozen=True)
class Brood:
    """What the spores of one sample have in common.

    Parameters
    ----------
    length_um, spread : float
        Mean length and its coefficient of variation.
    ratio : float
        Mean length over width.
    point : float
        Exponent of the cosine that bounds the outline: 0.5 nearly an ellipse, 1 sharply pointed.
    shell : float
        0 an evenly coloured body, towards 1 a coloured shell around a pale inside.
    od : ndarray of shape (3,)
        Optical density through the middle for red, green, blue.
    path : float
        Refractive step against the glue.
    """

    length_um: float
    spread: float
    ratio: float
    point: float
    shell: float
    od: Array
    path: float


def draw_brood(rng: np.random.Generator) -> Brood:
    """Draw the common looks of a sample's spores."""
    green = rng.uniform(0.11, 0.5)
    red = green * rng.uniform(0.26, 0.52)
    blue = green * rng.uniform(1.5, 2.5)
    return Brood(
        length_um=rng.uniform(9.0, 15.0),
        spread=rng.uniform(0.035, 0.08),
        ratio=rng.uniform(1.38, 1.72),
        point=rng.uniform(0.58, 0.88),
        shell=rng.uniform(0.0, 0.7),
        od=np.array([red, green, blue], np.float32),
        path=rng.uniform(0.02, 0.07),
    )


@dataclass
class Seat:
    """Place and measures of one spore, in pixels of the canvas and um."""

    x_px: float
    y_px: float
    length_um: float
    width_um: float
    angle_deg: float
    dark: float
    below: bool


def seat_spore(rng: np.random.Generator, brood: Brood, x_px: float, y_px: float, below: bool) -> Seat:
    """Draw the measures of a spore for a place."""
    length = brood.length_um * float(np.clip(rng.normal(1, brood.spread), 0.78, 1.25))
    ratio = brood.ratio * float(np.clip(rng.normal(1, 0.05), 0.87, 1.14))
    return Seat(x_px, y_px, length, length / ratio, rng.uniform(0, 180), float(rng.lognormal(0, 0.13)), below)


def lay_spore(scene: Scene, brood: Brood, seat: Seat, number: int, grain: float) -> tuple[int, float]:
    """Draw a spore; give the pixels of its outline and the mean density that it adds in green.

    `grain` roughens its inside.
    """
    over = 3 if scene.um_per_px > 0.3 else 2
    spot = frame(scene, seat.x_px, seat.y_px, seat.length_um / 2, seat.angle_deg, over)
    if spot is None:
        return 0, 0.0
    box, u, v, reduce = spot
    half, wide = seat.length_um / 2, seat.width_um / 2
    t = np.minimum(np.abs(u) / np.float32(half), 1)
    bound = np.maximum(np.cos(np.float32(np.pi / 2) * t), 0) ** np.float32(brood.point)
    across = np.abs(v) / np.maximum(np.float32(wide) * bound, 1e-4)
    inside = (across < 1) & (t < 1)
    outer = np.sqrt(np.maximum(1 - across * across, 0)) * bound
    core = np.sqrt(np.maximum(1 - (across / 0.72) ** 2, 0)) * np.maximum(bound - 0.25, 0) / 0.75 * 0.72
    body = np.where(inside, outer - np.float32(brood.shell) * core + np.float32(0.12), 0)
    if grain:
        body = body * (1 + np.float32(grain) * np.sin(u * 2.9 + v * 1.3 + number) * np.cos(v * 3.3 - number))
    thick = reduce(body)
    cover = reduce(inside.astype(np.float32))
    od = thick[..., None] * (brood.od * np.float32(seat.dark))
    own = cover > 0.5
    before = float(scene.light[box][own, 1].mean()) if own.any() else 1.0
    scene.lay(
        box,
        od,
        cover,
        SPORE,
        owner=number,
        path_um=reduce(outer * inside) * np.float32(brood.path * seat.width_um),
        lift_um=0.3 * seat.width_um,
        opaque=0.12,
        sheen=0.02,
    )
    after = float(scene.light[box][own, 1].mean()) if own.any() else 1.0
    return int(own.sum()), float(np.log10(max(before, 1e-4) / max(after, 1e-4)))


SCALE_INKS = {
    "orange": (0.10, 0.42, 0.95),
    "black": (0.95, 1.05, 1.15),
    "brown": (0.40, 0.62, 0.92),
    "grey": (0.32, 0.36, 0.42),
    "pale": (0.08, 0.10, 0.15),
    "yellow": (0.06, 0.14, 0.48),
}


@dataclass(frozen=True)
class Plumage:
    """What the scales of one print have in common: inks with their shares, size and ridge spacing."""

    inks: tuple[str, ...]
    shares: tuple[float, ...]
    length_um: float
    ratio: float
    ridge_um: float


def draw_plumage(rng: np.random.Generator) -> Plumage:
    """Draw the scales' common looks."""
    shares = rng.dirichlet(np.full(len(SCALE_INKS), 0.7))
    return Plumage(
        tuple(SCALE_INKS),
        tuple(float(s) for s in shares),
        rng.uniform(65, 135),
        rng.uniform(1.5, 3.2),
        rng.uniform(1.4, 2.6),
    )


def lay_scale(
    rng: np.random.Generator,
    scene: Scene,
    looks: Plumage,
    x_px: float,
    y_px: float,
    size: float = 1.0,
    cut: bool = False,
) -> bool:
    """Draw a scale with stalk, teeth and ridges, or with `cut` a piece of it; tell whether it was drawn."""
    length = looks.length_um * size * float(np.clip(rng.normal(1, 0.18), 0.55, 1.6))
    wide = length / looks.ratio * float(np.clip(rng.normal(1, 0.15), 0.6, 1.5)) / 2
    over = 2 if length / scene.um_per_px < 260 else 1
    if scene.um_per_px > 1.2:
        over = 3
    spot = frame(scene, x_px, y_px, length * 0.62, rng.uniform(0, 360), over)
    if spot is None:
        return False
    box, u, v, reduce = spot
    t = np.clip(u / np.float32(length) + np.float32(0.5), 0, 1)
    v = v - np.float32(rng.normal(0, 0.06) * length) * (t - 0.5) ** 2
    shoulder = rng.uniform(0.10, 0.35)
    rise = np.clip((t - 0.07) / shoulder, 0, 1)
    rise = np.sin(rise * np.float32(np.pi / 2)) ** np.float32(rng.uniform(0.5, 1.2))
    taper = 1 - np.float32(rng.uniform(0, 0.45)) * t ** np.float32(rng.uniform(1.5, 4))
    bound = np.maximum(wide * rise * taper, np.where(t < 0.13, np.float32(rng.uniform(0.8, 1.8)), 0))
    across = v / np.maximum(bound, 1e-3)
    teeth = int(rng.integers(0, 7))
    depth = rng.uniform(0.03, 0.16) if teeth else 0.0
    saw = np.abs(((across * 0.5 + 0.5) * max(teeth, 1) + rng.uniform(0, 1)) % 1 - 0.5) * 2
    crown = 1 - np.float32(rng.uniform(0.02, 0.12)) * across**2 - np.float32(depth) * saw
    inside = (np.abs(across) < 1) & (t > 0.002) & (t < crown)
    if cut:
        angle, offset = rng.uniform(0, 2 * np.pi), rng.uniform(-0.15, 0.3) * length
        jag = soft_noise(rng, u.shape, rng.uniform(3, 9) / scene.um_per_px * over) * np.float32(
            rng.uniform(0.6, 2.5)
        )
        inside &= (u * np.float32(np.cos(angle)) + v * np.float32(np.sin(angle)) + jag) > offset
    ink = rng.choice(np.array(looks.inks), p=looks.shares)
    tone = np.array(SCALE_INKS[str(ink)], np.float32) * np.float32(rng.lognormal(0, 0.22))
    tone *= rng.uniform(0.88, 1.12, 3).astype(np.float32)
    lines = np.cos(across * np.float32(np.pi * 2 * wide / looks.ridge_um))
    ribs = np.cos(u * np.float32(2 * np.pi / rng.uniform(0.9, 2.2)))
    spots = soft_noise(rng, u.shape, rng.uniform(2.5, 12) / scene.um_per_px * over)
    rim = np.exp(-(((1 - np.abs(across)) * bound / np.float32(1.4)) ** 2))
    texture = (
        1
        + np.float32(rng.uniform(0.12, 0.4)) * lines
        + np.float32(rng.uniform(0, 0.12)) * ribs
        + np.float32(rng.uniform(0.05, 0.22)) * spots
        + np.float32(rng.uniform(0.1, 0.5)) * rim
        + np.float32(rng.uniform(0.2, 0.9)) * (t < 0.12)
    )
    texture = np.where(inside, np.maximum(texture, 0.1), 0)
    cover = reduce(inside.astype(np.float32))
    kept = float(cover.sum()) * scene.um_per_px**2 / (1.5 * length * wide)
    scene.lay(
        box,
        reduce(texture)[..., None] * tone,
        cover,
        PIECE if cut and kept < 0.5 else SCALE,
        path_um=cover * np.float32(rng.uniform(0.05, 0.25)),
        lift_um=rng.uniform(0, 4.0),
        opaque=0.92,
        sheen=float(rng.uniform(0, 0.12)),
    )
    return not (cut and kept < 0.5)


def lay_piece(
    rng: np.random.Generator, scene: Scene, looks: Plumage, x_px: float, y_px: float, size_um: float
) -> None:
    """Draw an angular torn piece of a scale, `size_um` across, as a polygon with ridges."""
    spot = frame(scene, x_px, y_px, size_um, 0.0, 3 if scene.um_per_px > 0.3 else 2)
    if spot is None:
        return
    box, u, v, reduce = spot
    corners = int(rng.integers(4, 9))
    turn = np.sort(rng.uniform(0, 2 * np.pi, corners))
    reach = size_um / 2 * rng.uniform(0.55, 1.15, corners)
    stretch, tilt = rng.uniform(0.4, 1.0), rng.uniform(0, np.pi)
    along, off = reach * np.cos(turn), reach * np.sin(turn) * stretch
    px = along * np.cos(tilt) - off * np.sin(tilt)
    py = along * np.sin(tilt) + off * np.cos(tilt)
    pitch = float(u[0, 1] - u[0, 0])
    points = np.stack([(px - u[0, 0]) / pitch, (py - v[0, 0]) / pitch], axis=1)
    mask = np.zeros(u.shape, np.uint8)
    cv2.fillPoly(mask, [np.round(points * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    inside = mask.astype(np.float32) / 255
    ink = rng.choice(np.array(looks.inks), p=looks.shares)
    tone = np.array(SCALE_INKS[str(ink)], np.float32) * np.float32(rng.lognormal(-0.1, 0.35))
    way = rng.uniform(0, np.pi)
    lines = np.cos(
        (u * np.float32(np.cos(way)) + v * np.float32(np.sin(way))) * np.float32(2 * np.pi / looks.ridge_um)
    )
    body = inside * (1 + np.float32(rng.uniform(0.1, 0.45)) * lines)
    cover = reduce(inside)
    scene.lay(
        box,
        reduce(body)[..., None] * tone,
        cover,
        PIECE,
        path_um=cover * np.float32(rng.uniform(0, 0.2)),
        lift_um=rng.uniform(0, 4),
        opaque=0.85,
        sheen=float(rng.uniform(0, 0.1)),
    )

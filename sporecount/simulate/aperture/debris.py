"""What else lies on a print: hairs, fibres, bubbles, glue, pollen, dust, mould, droplets, ink."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.aperture.scene import (
    BUBBLE,
    DUST,
    FIBRE,
    HAIR,
    OTHER,
    POLLEN,
    Array,
    Scene,
    frame,
    soft_noise,
)


def _wander(
    rng: np.random.Generator, x: float, y: float, length: float, bend: float, steps: int = 40
) -> Array:
    """Draw a smooth curve of `steps` points through (x, y); `bend`: its turning over its length, radians."""
    turns = np.cumsum(rng.normal(0, bend / np.sqrt(steps), steps)) + np.linspace(
        0, rng.normal(0, bend), steps
    )
    heading = rng.uniform(0, 2 * np.pi) + turns
    line = np.stack([np.cumsum(np.cos(heading)), np.cumsum(np.sin(heading))], axis=1) * (length / steps)
    return (line - line[steps // 2] + np.array([x, y])).astype(np.float32)


def _ribbon(
    scene: Scene, line: Array, half_px: Array, over: int
) -> tuple[tuple[slice, slice], list[Array]] | None:
    """Fill a ribbon around a line at four nested widths (full, 3/4, 1/2, 1/4); give box and covers."""
    rows, cols = scene.shape
    reach = float(half_px.max()) + 3
    x0, y0 = np.maximum(line.min(axis=0) - reach, 0).astype(int)
    x1, y1 = np.minimum(line.max(axis=0) + reach + 2, [cols, rows]).astype(int)
    if x1 - x0 < 2 or y1 - y0 < 2:
        return None
    way = np.gradient(line, axis=0)
    normal = (
        np.stack([-way[:, 1], way[:, 0]], axis=1) / np.maximum(np.linalg.norm(way, axis=1), 1e-6)[:, None]
    )
    covers = []
    for share in (1.0, 0.75, 0.5, 0.25):
        side = normal * (half_px * share)[:, None]
        outline = np.concatenate([line + side, (line - side)[::-1]])
        fine = (outline - [x0, y0] + 0.5) * over - 0.5
        mask = np.zeros(((y1 - y0) * over, (x1 - x0) * over), np.uint8)
        cv2.fillPoly(mask, [np.round(fine * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        if over > 1:
            mask = cv2.resize(mask, (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA)
        covers.append(mask.astype(np.float32) / 255)
    return (slice(y0, y1), slice(x0, x1)), covers


def lay_hair(rng: np.random.Generator, scene: Scene, x_px: float, y_px: float) -> None:
    """Draw a tapering dark hair, or a broken end of one."""
    size = scene.um_per_px
    length = (rng.uniform(15, 60) if rng.random() < 0.25 else rng.uniform(100, 700)) / size
    line = _wander(rng, x_px, y_px, length, rng.uniform(0.05, 0.9))
    half = rng.uniform(1.0, 3.6) / size * np.linspace(1, rng.uniform(0.15, 0.9), len(line))
    made = _ribbon(scene, line, half, 2 if size > 0.35 else 1)
    if made is None:
        return
    box, (full, wide, mid, core) = made
    ink = np.array([0.5, 0.68, 0.85], np.float32) * np.float32(rng.uniform(0.5, 1.5))
    body = (
        0.9 * full
        + 0.25 * (full - wide)
        - np.float32(rng.uniform(0, 0.5)) * mid
        - np.float32(rng.uniform(0, 0.2)) * core
    )
    scene.lay(
        box,
        np.maximum(body, 0)[..., None] * ink,
        full,
        HAIR,
        path_um=wide * np.float32(0.15),
        lift_um=rng.uniform(0, 8),
        opaque=0.9,
        sheen=0.03,
    )


def lay_fibre(rng: np.random.Generator, scene: Scene, x_px: float, y_px: float, strong: float) -> None:
    """Draw a fibre of paper or cloth: pale with darker edges, `strong` times as dark as usual."""
    size = scene.um_per_px
    cloth = rng.random() < 0.2
    line = _wander(rng, x_px, y_px, rng.uniform(250, 1600) / size, rng.uniform(0.3, 2.2), 60)
    half = np.maximum(
        rng.uniform(4, 14) / size * (1 + 0.25 * np.sin(np.linspace(0, rng.uniform(2, 14), len(line)))), 1.0
    )
    made = _ribbon(scene, line, half, 1)
    if made is None:
        return
    box, (full, wide, mid, core) = made
    if cloth:
        ink = np.array([(0.6, 0.35, 0.12), (0.15, 0.5, 0.4), (0.4, 0.4, 0.42)][rng.integers(3)], np.float32)
    else:
        ink = np.array([0.12, 0.14, 0.18], np.float32) * np.float32(rng.uniform(0.5, 1.3))
    body = 0.35 * full + np.float32(rng.uniform(0.5, 1.3)) * (full - wide) + 0.2 * mid - 0.3 * core
    scene.lay(
        box,
        body[..., None] * ink * np.float32(strong),
        full,
        FIBRE,
        path_um=(wide + mid) * np.float32(0.2),
        lift_um=rng.uniform(-6, 10),
        opaque=0.4,
        sheen=0.05,
    )


def lay_bubble(rng: np.random.Generator, scene: Scene, x_px: float, y_px: float, radius_um: float) -> None:
    """Draw an air bubble in the glue: dark ring, bright line inside it, clear middle."""
    spot = frame(
        scene, x_px, y_px, radius_um * 1.15, rng.uniform(0, 180), 2 if radius_um / scene.um_per_px < 60 else 1
    )
    if spot is None:
        return
    box, u, v, reduce = spot
    r = np.hypot(u, v * np.float32(rng.uniform(1.0, 1.2)))
    r = r * (1 + np.float32(rng.uniform(0, 0.05)) * np.cos(2 * np.arctan2(v, u) + rng.uniform(0, 6)))
    band = max(0.7, radius_um * rng.uniform(0.05, 0.16))
    ring = np.exp(-(((r - radius_um * 0.93) / band) ** 2))
    line = np.exp(-(((r - radius_um * 0.93 + 2.2 * band) / (0.8 * band)) ** 2))
    middle = np.exp(-((r / (0.25 * radius_um)) ** 2)) if radius_um < 12 else np.float32(0)
    lean = 1 + np.float32(rng.uniform(0, 0.6)) * u / np.float32(radius_um)
    od = (
        ring * np.float32(rng.uniform(0.3, 1.0)) * lean
        - line * np.float32(rng.uniform(0.03, 0.12))
        - middle * 0.08
    )
    grey = np.array([1, 1, 1.04], np.float32)
    cover = reduce((r < radius_um).astype(np.float32))
    scene.lay(
        box,
        reduce(od)[..., None] * grey,
        cover,
        BUBBLE,
        path_um=reduce(-np.maximum(1 - (r / radius_um) ** 2, 0)),
    )


def lay_glue(rng: np.random.Generator, scene: Scene, strong: float, share: float) -> None:
    """Emboss wavy ridges of glue over about `share` of the canvas."""
    size, shape = scene.um_per_px, scene.shape
    field = soft_noise(rng, shape, rng.uniform(90, 260) / size) + 0.25 * soft_noise(
        rng, shape, rng.uniform(25, 60) / size
    )
    where = soft_noise(rng, shape, 500 / size)
    where = np.clip((where - np.quantile(where[::7, ::7], 1 - share)) * 4, 0, 1)
    slope = np.maximum(np.hypot(*(np.gradient(field))), 1e-4)
    away = field / slope * np.float32(size)
    wide = np.float32(rng.uniform(2.5, 7))
    away = np.clip(away, -60, 60)
    shade = -away / wide * np.exp(-((away / wide) ** 2)) * 2.3
    lamp = rng.uniform(0, 2 * np.pi)
    gy, gx = np.gradient(cv2.GaussianBlur(field, (0, 0), 3))
    lean = np.cos(np.arctan2(gy, gx) - lamp).astype(np.float32)
    od = (shade * (0.4 + 0.6 * lean) * where * strong).astype(np.float32)
    full = (slice(0, shape[0]), slice(0, shape[1]))
    scene.light *= np.power(np.float32(10), -od)[..., None]
    scene.path_um[full] += np.exp(-((away / wide) ** 2)) * where * np.float32(0.5)


def lay_pollen(rng: np.random.Generator, scene: Scene, x_px: float, y_px: float, radius_um: float) -> None:
    """Draw a round pollen grain, smooth or with spines, thick walled."""
    spot = frame(scene, x_px, y_px, radius_um * 1.3, rng.uniform(0, 180), 3 if scene.um_per_px > 0.3 else 2)
    if spot is None:
        return
    box, u, v, reduce = spot
    turn = np.arctan2(v, u)
    spines = int(rng.integers(10, 22))
    height = rng.uniform(0.06, 0.2) if radius_um > 8 and rng.random() < 0.6 else 0.0
    edge = radius_um * (
        1
        + np.float32(height) * np.abs(np.cos(turn * spines / 2)) ** 3
        + np.float32(0.03) * np.cos(3 * turn + rng.uniform(0, 6))
    )
    r = np.hypot(u, v * np.float32(rng.uniform(1.0, 1.12))) / edge
    inside = r < 1
    wall = np.exp(-(((r - 0.9) / 0.09) ** 2))
    dome = np.sqrt(np.maximum(1 - r * r, 0))
    grain = soft_noise(rng, u.shape, max(2.0, 0.14 * min(u.shape)))
    body = inside * (0.45 * dome + np.float32(rng.uniform(0.3, 0.9)) * wall + np.float32(0.08) * grain * dome)
    ink = (
        np.array([0.10, 0.20, 0.62], np.float32)
        if rng.random() < 0.7
        else np.array([0.3, 0.36, 0.4], np.float32)
    )
    scene.lay(
        box,
        np.maximum(reduce(body), 0)[..., None] * ink * np.float32(rng.uniform(0.6, 1.5)),
        reduce(inside.astype(np.float32)),
        POLLEN,
        path_um=reduce(dome * inside) * np.float32(0.4),
        lift_um=radius_um * 0.5,
        opaque=0.6,
        sheen=0.05,
    )


def lay_dust(rng: np.random.Generator, scene: Scene, x_px: float, y_px: float, size_um: float) -> None:
    """Draw an irregular dark grain."""
    spot = frame(scene, x_px, y_px, size_um * 0.9, rng.uniform(0, 180), 3 if scene.um_per_px > 0.3 else 2)
    if spot is None:
        return
    box, u, v, reduce = spot
    turn = np.arctan2(v * np.float32(rng.uniform(1, 1.9)), u)
    edge = np.ones_like(turn)
    for k in range(2, 8):
        edge += np.float32(rng.normal(0, 0.42 / k)) * np.cos(k * turn + np.float32(rng.uniform(0, 6.3)))
    r = np.hypot(u, v * np.float32(rng.uniform(1, 1.9))) / np.maximum(edge * size_um / 2, 0.2)
    body = np.clip((1.05 - r) * np.float32(rng.uniform(1.5, 6)), 0, 1)
    ink = np.array([1, 1, 1], np.float32) * np.float32(rng.uniform(0.25, 1.4))
    ink *= np.array(
        [(1, 1, 1), (0.6, 0.9, 1.2), (1.1, 0.9, 0.9), (0.85, 0.9, 1.0)][rng.integers(4)], np.float32
    )
    cover = reduce((r < 1).astype(np.float32))
    scene.lay(box, reduce(body)[..., None] * ink, cover, DUST, lift_um=rng.uniform(0, 6), opaque=0.8)


def lay_droplet(rng: np.random.Generator, scene: Scene, x_px: float, y_px: float, radius_um: float) -> None:
    """Draw a round brown droplet without a wall, brightest in its middle, like a small lens."""
    spot = frame(scene, x_px, y_px, radius_um * 1.1, rng.uniform(0, 180), 3 if scene.um_per_px > 0.3 else 2)
    if spot is None:
        return
    box, u, v, reduce = spot
    r = np.hypot(u, v * np.float32(rng.uniform(1, 1.08))) / np.float32(radius_um)
    inside = r < 1
    dome = np.sqrt(np.maximum(1 - r * r, 0))
    ink = np.array([0.16, 0.34, 0.62], np.float32) * np.float32(rng.uniform(0.5, 1.5))
    lens = np.exp(-((r / 0.3) ** 2)) * np.float32(rng.uniform(0, 0.25))
    edge = np.exp(-(((r - 0.94) / 0.07) ** 2)) * np.float32(rng.uniform(0.1, 0.5))
    body = reduce(dome * inside)[..., None] * ink + reduce(edge - lens)[..., None] * np.float32(0.6)
    scene.lay(
        box,
        body,
        reduce(inside.astype(np.float32)),
        OTHER,
        path_um=reduce(dome * inside) * np.float32(0.35),
        opaque=0.3,
        sheen=0.08,
    )


def lay_mould(rng: np.random.Generator, scene: Scene, x_px: float, y_px: float) -> None:
    """Draw a chain or heap of small dark mould cells, sometimes on a thread."""
    size = scene.um_per_px
    cell = rng.uniform(1.2, 2.6)
    count = int(rng.integers(2, 18))
    chain = rng.random() < 0.6
    line = _wander(rng, x_px, y_px, count * cell * 1.9 / size, 1.6, max(count, 2))
    if rng.random() < 0.4:
        thread = _wander(rng, x_px, y_px, rng.uniform(40, 160) / size, 1.2)
        made = _ribbon(scene, thread, np.full(len(thread), max(0.6, 0.7 / size)), 2 if size > 0.35 else 1)
        if made is not None:
            box, (full, _, mid, _) = made
            scene.lay(
                box, (full - 0.5 * mid)[..., None] * np.array([0.12, 0.12, 0.16], np.float32), full, OTHER
            )
    ink = np.array([0.42, 0.40, 0.55], np.float32) * np.float32(rng.uniform(0.5, 1.4))
    for k in range(count):
        cx, cy = line[k] if chain else rng.normal([x_px, y_px], cell * np.sqrt(count) / size * 0.8)
        spot = frame(scene, float(cx), float(cy), cell * 1.3, rng.uniform(0, 180), 3)
        if spot is None:
            continue
        box, u, v, reduce = spot
        r = np.hypot(u / np.float32(rng.uniform(1, 1.25)), v) / np.float32(cell)
        dome = np.sqrt(np.maximum(1 - r * r, 0))
        scene.lay(
            box,
            reduce(0.3 * (r < 1) + 0.7 * dome)[..., None] * ink,
            reduce((r < 1).astype(np.float32)),
            OTHER,
            opaque=0.6,
        )


def lay_line(rng: np.random.Generator, scene: Scene, ink: Array, wide_um: float) -> None:
    """Draw a straight line across the canvas: a pen stroke, or the cut edge of the tape."""
    rows, cols = scene.shape
    start = np.array([rng.uniform(0, cols), rng.uniform(0, rows)])
    heading = rng.uniform(0, np.pi)
    way = np.array([np.cos(heading), np.sin(heading)]) * (rows + cols)
    line = (start + np.linspace(-1, 1, 40)[:, None] * way).astype(np.float32)
    made = _ribbon(scene, line, np.full(40, max(0.7, wide_um / scene.um_per_px / 2)), 1)
    if made is None:
        return
    box, (full, _, mid, _) = made
    grain = 1 + 0.25 * soft_noise(rng, full.shape, 8 / scene.um_per_px)
    scene.lay(box, ((0.8 * full + 0.2 * mid) * grain)[..., None] * ink, full, OTHER)

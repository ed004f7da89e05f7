"""Butterfly scales grown from a stalk, and the shards into which they crack."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.spatial import cKDTree

from tests.recipes.pilgrim.palette import SCALE, Rng, varied
from tests.recipes.pilgrim.scene import Patch, Scene, clouds, own_grid, pitch_for


def grow_scale(rng: Rng, um_per_px: float, colour: str | None = None) -> Patch:
    """Grow a scale: a profile opens from the stalk, ridges follow it, cross-ribs tie them, teeth end it."""
    pitch = pitch_for(um_per_px)
    if rng.random() < 0.6:
        length, width = rng.uniform(75, 130), rng.uniform(38, 65)
    else:
        length, width = rng.uniform(60, 320), rng.uniform(26, 70)
    u_um, v_um = own_grid(length / 2 + 14, width / 2 + 6, pitch)
    u = u_um / length + 0.5  # 0 at the stalk, 1 at the far end
    opening = np.clip(u, 0, 1) ** rng.uniform(0.3, 0.6)
    narrowing = 1 - rng.uniform(0.0, 0.5) * np.clip(u, 0, 1) ** rng.uniform(2, 5)
    half = 0.5 * width * opening * narrowing + 1e-3
    bend = rng.normal(0, 0.05) * width * (u - 0.5) ** 2 * 4
    v = (v_um - bend) / half
    teeth = int(rng.integers(0, 7))
    lobe = np.abs(np.sin(np.pi * teeth * (v + 1) / 2 + 0.3)) if teeth else 1 - np.abs(v) ** 2.5
    end = 1 - rng.uniform(0.05, 0.16) + rng.uniform(0.05, 0.16) * lobe - 0.06 * np.abs(v) ** 3
    edge_um = np.minimum((1 - np.abs(v)) * half, (end - u) * length)
    edge_um = np.minimum(edge_um, u * length)
    stalk = np.minimum(
        1.6 - np.abs(v_um - bend), np.minimum(u_um + length / 2 + 11, 6 - u_um - length / 2 + 3)
    )
    edge_um = np.maximum(edge_um, np.where(u < 0.1, stalk, -9))
    cover = np.clip(edge_um / pitch + 0.5, 0, 1)
    ridges = np.cos(2 * np.pi * v * half.max() / rng.uniform(1.6, 3.0))
    ribs = np.cos(2 * np.pi * u_um / rng.uniform(1.2, 2.2) + 2 * np.sin(v * 9))
    fold = np.exp(-(((v - rng.uniform(-0.5, 0.5)) / 0.12) ** 2)) * rng.uniform(0, 0.35)
    name = colour or str(rng.choice(list(SCALE), p=[0.28, 0.3, 0.22, 0.2]))
    strength = {"black": (0.55, 1.6), "brown": (0.25, 0.8), "orange": (0.2, 0.6), "pale": (0.03, 0.16)}[name]
    seen = np.exp(-((um_per_px / 0.9) ** 2))  # what is finer than a pixel averages out
    weave = 1 + seen * (0.4 * ridges + 0.22 * ribs) + fold + 0.05 * clouds(u.shape, 14 / pitch, rng)
    rim = 1 + 0.5 * np.exp(-np.maximum(edge_um, 0) / 1.2) * rng.uniform(0.2, 1)
    density = cover * weave * rim * rng.uniform(*strength) * (0.8 + 0.35 * u)
    height = cover * (1.6 + seen * 0.35 * ridges + fold * 3)
    body = varied(SCALE[name], rng)
    return Patch(cover, np.maximum(density, 0), height, pitch, body, "scale", scatter=0.75)


def crack(scale: Patch, rng: Rng) -> list[Patch]:
    """Crack a scale along wandering lines into shards of every size."""
    rows, cols = scale.cover.shape
    span_um = float(np.exp(rng.uniform(np.log(5), np.log(34))))
    seeds = max(6, int(rows * cols * scale.pitch_um**2 / span_um**2))
    # seeds crowd around a blow, so that small shards come with large ones
    blow = rng.uniform((0, 0), (rows, cols))
    at = rng.uniform((0, 0), (rows, cols), (seeds, 2))
    at += (blow - at) * rng.uniform(0, 0.75, (seeds, 1)) ** 2
    y, x = np.mgrid[0:rows, 0:cols].astype(np.float32)
    wander = 0.13 * span_um / scale.pitch_um
    lump = max(span_um / 3 / scale.pitch_um, 1.5)
    y += wander * clouds((rows, cols), lump, rng)
    x += wander * clouds((rows, cols), lump, rng)
    ways = np.array([rng.uniform(0.45, 1.0), 1.0])  # cracks run along the ridges more readily
    cell = (
        cKDTree(at * ways[::-1]).query(np.dstack((y, x)).reshape(-1, 2) * ways[::-1])[1].reshape(rows, cols)
    )
    cell[scale.cover < 0.5] = -1
    shards = []
    for number in rng.permutation(np.unique(cell[cell >= 0])):
        ys, xs = np.nonzero(cell == number)
        size_um = float(np.hypot(np.ptp(ys), np.ptp(xs))) * scale.pitch_um
        if len(ys) * scale.pitch_um**2 < 8 or not 4 <= size_um <= 80:
            continue
        box = (slice(max(ys.min() - 2, 0), ys.max() + 3), slice(max(xs.min() - 2, 0), xs.max() + 3))
        mask = np.pad((cell[box] == number).astype(np.float32), 2)
        mask = cv2.GaussianBlur(mask, (0, 0), max(0.25 / scale.pitch_um, 0.5))
        layers = [np.pad(layer[box], 2, mode="edge") * mask for layer in scale[1:3]]
        lip = 1 + rng.uniform(0, 0.5) * np.clip(1 - 2 * np.abs(mask - 0.6), 0, 1)
        shards.append(
            scale._replace(cover=mask, density=layers[0] * lip, height_um=layers[1], kind="scale piece")
        )
        if len(shards) >= 24:
            break
    return shards


def strew_scales(scene: Scene, count: int, rng: Rng) -> None:
    """Lay whole scales, and count those that lie in the view with their middle."""
    for _ in range(count):
        x, y = scene.somewhere(rng, 40.0)
        scene.lay(grow_scale(rng, scene.um_per_px), x, y, float(rng.uniform(0, 360)))
        scene.scales += int(0 <= x < scene.shape[1] and 0 <= y < scene.shape[0])


def strew_shards(scene: Scene, count: int, rng: Rng) -> None:
    """Break scales until there are shards enough; some stay near each other, most drift away."""
    left = count
    for _ in range(40):
        shards = crack(grow_scale(rng, scene.um_per_px), rng)[:left]
        home, spread = scene.somewhere(rng), rng.uniform(40, 400) / scene.um_per_px
        for shard in shards:
            x, y = scene.somewhere(rng) if rng.random() < 0.5 else rng.normal(home, spread)
            scene.lay(shard, float(x), float(y), float(rng.uniform(0, 360)))
        left -= len(shards)
        if left <= 0:
            return

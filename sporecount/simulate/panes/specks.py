"""Small things that are no spores: pollen, dust, mould spores, droplets, bubbles of the adhesive."""

from __future__ import annotations

import numpy as np

from sporecount.simulate.panes.canvas import Patch, Scene, cloud


def _spot(rng: np.random.Generator, scene: Scene, reach_um: float) -> Patch:
    rows, cols = scene.shape
    fine = 2 if reach_um < 12 and scene.um_per_px > 0.5 else 1
    return scene.patch(rng.uniform(0, cols), rng.uniform(0, rows), reach_um, rng.uniform(0, 360), fine)


def pollen(rng: np.random.Generator, scene: Scene) -> None:
    """Draw a pollen grain: a large ball with spines, furrows or a net, yellow to grey."""
    size = rng.uniform(19, 46)
    patch = _spot(rng, scene, 0.66 * size)
    r, t = np.hypot(patch.u, patch.v * rng.choice([1.0, 1.0, 1.18])), np.arctan2(patch.v, patch.u)
    edge = np.full(r.shape, size / 2, np.float32)
    form = rng.choice(["spines", "furrows", "net"])
    if form == "spines":
        edge += rng.uniform(0.03, 0.1) * size * np.abs(np.cos(rng.integers(7, 12) * t)) ** 3
    elif form == "furrows":
        edge *= 1 - 0.08 * np.abs(np.cos(1.5 * t + 1)) ** 6
    body = patch.inside(edge - r)
    ball = np.sqrt(np.maximum(1 - (r / edge) ** 2, 0))
    rind = np.exp(-np.maximum(edge - r, 0) / rng.uniform(0.8, 1.8))
    dark = body * (0.5 * ball + rng.uniform(0.4, 1.1) * rind) * rng.uniform(0.15, 0.6)
    if form == "furrows":
        dark = dark * (1 - 0.5 * np.exp(-((patch.v / (0.09 * size)) ** 2)) * (np.abs(patch.u) < 0.38 * size))
    elif form == "net":
        dark = dark * np.clip(1 + 0.25 * cloud(rng, r.shape, 2.2 * patch.fine / patch.px_um), 0.3, 2)
    colour = np.array([rng.uniform(0.5, 0.9), 1.0, rng.uniform(1.3, 2.8)])
    path = patch.shrink(ball * body) * size * rng.uniform(0.02, 0.04)
    scene.lay(patch.corner, "pollen", patch.shrink(body), colour, patch.shrink(dark), path, haze=0.4)


def dust(rng: np.random.Generator, scene: Scene) -> None:
    """Draw a grain of dust: a splinter of mineral, a flake, or soot."""
    size = np.clip(rng.lognormal(np.log(7), 0.65), 1.5, 45)
    patch = _spot(rng, scene, 0.9 * size)
    depth = np.full(patch.u.shape, 1e3, np.float32)
    slender = rng.uniform(0.4, 1)
    for turn in np.linspace(0, 2 * np.pi, rng.integers(4, 8), endpoint=False):
        t = turn + rng.uniform(-0.4, 0.4)
        cut = rng.uniform(0.22, 0.5) * size - patch.u * np.cos(t) - patch.v / slender * np.sin(t)
        depth = np.minimum(depth, cut)
    depth += 0.05 * size * cloud(rng, depth.shape, 0.25 * size * patch.fine / patch.px_um)
    body = patch.inside(depth)
    lump = np.clip(np.maximum(depth, 0) / (0.2 * size), 0, 1) ** 0.5
    grey = rng.random()
    if grey < 0.4:  # soot and soil: nearly opaque
        dark, index, colour = body * rng.uniform(0.5, 1.3), 0.02, np.array([0.95, 1.0, 1.05])
    elif grey < 0.75:  # clear mineral: bends light, absorbs little
        dark, index, colour = body * rng.uniform(0.02, 0.12), 0.07, np.array([0.9, 1.0, 1.1])
    else:  # flakes of skin and frass: brownish, uneven
        uneven = np.clip(1 + 0.4 * cloud(rng, depth.shape, 1.5 * patch.fine / patch.px_um), 0, 2)
        dark, index, colour = body * uneven * rng.uniform(0.15, 0.6), 0.03, np.array([0.75, 1.0, 1.3])
    path = patch.shrink(body * lump) * 0.5 * size * index
    haze, raised = rng.uniform(0.05, 0.5), rng.random() < 0.25
    scene.lay(
        patch.corner, "dust", patch.shrink(body), colour, patch.shrink(dark), path, raised=raised, haze=haze
    )


def conidia(rng: np.random.Generator, scene: Scene) -> None:
    """Draw a few spores of mould: round, 3 to 5.5 µm, in a chain or heap."""
    rows, cols = scene.shape
    x, y, way = rng.uniform(0, cols), rng.uniform(0, rows), rng.uniform(0, 2 * np.pi)
    size, chain = rng.uniform(3, 5.5), rng.random() < 0.6
    level = rng.uniform(0.1, 0.5)
    colour = np.array([rng.uniform(0.9, 1.2), 1.0, rng.uniform(0.95, 1.2)])
    for _ in range(int(rng.integers(3, 14))):
        patch = scene.patch(x, y, 0.6 * size, 0, 2 if scene.um_per_px > 0.3 else 1)
        r = np.hypot(patch.u, patch.v) / (size / 2)
        ball, body = np.sqrt(np.maximum(1 - r**2, 0)), patch.inside((1 - r) * size / 2)
        dark = patch.shrink(body * (0.5 + 0.5 * r)) * level
        path = patch.shrink(ball) * size * 0.04
        scene.lay(patch.corner, "other", patch.shrink(body), colour, dark, path, haze=0.15)
        way = way + 0.3 * rng.standard_normal() if chain else rng.uniform(0, 2 * np.pi)
        x += size / scene.um_per_px * np.cos(way) * (1 if chain else 1.3)
        y += size / scene.um_per_px * np.sin(way) * (1 if chain else 1.3)


def droplet(rng: np.random.Generator, scene: Scene) -> None:
    """Draw a clear droplet of oil or water: a low cap, round or a little stretched."""
    size = np.clip(rng.lognormal(np.log(9), 0.55), 2.5, 40)
    patch = _spot(rng, scene, 0.62 * size)
    r = np.hypot(patch.u, patch.v * rng.uniform(1, 1.12)) / (size / 2)
    cap, body = np.maximum(1 - r**2, 0), patch.inside((1 - r) * size / 2)
    path = patch.shrink(cap) * size * rng.uniform(0.008, 0.03)
    dark = patch.shrink(body) * rng.uniform(0.0, 0.04)
    colour = np.array([0.7, 1.0, rng.uniform(1.2, 3)])
    scene.lay(patch.corner, "other", patch.shrink(body), colour, dark, path, haze=0.02)


def bubble(rng: np.random.Generator, scene: Scene, strength: float) -> None:
    """Draw a bubble of air beneath the tape: a flat void with a steep rim."""
    size = np.clip(rng.lognormal(np.log(26), 0.6), 6, 220)
    patch = _spot(rng, scene, 0.64 * size)
    t = np.arctan2(patch.v, patch.u)
    wobble = sum(rng.normal(0, 0.035) * np.cos(k * t + rng.uniform(0, 6)) for k in (2, 3, 4))
    edge = size / 2 * (1 + wobble * min(1.0, size / 40))
    r = np.hypot(patch.u, patch.v)
    body = patch.inside(edge - r)
    deep = np.minimum(size * 0.12, 7)
    void = np.sqrt(np.clip((edge - r) / (0.5 * size), 0, 1)) * deep
    path = -patch.shrink(void) * 0.3 * strength
    scene.lay(
        patch.corner, "bubble", patch.shrink(body), np.ones(3), 0.01 * patch.shrink(body), path, haze=0.08
    )


def grime(rng: np.random.Generator, scene: Scene, strength: float) -> None:
    """Roughen the adhesive: soft waves of its thickness, and a dusting of powder below a few µm."""
    px = scene.um_per_px
    waves = 0.6 * cloud(rng, scene.shape, rng.uniform(15, 40) / px) + 0.4 * cloud(rng, scene.shape, 6 / px)
    scene.print.path += np.float32(0.02 * strength) * waves
    powder = cloud(rng, scene.shape, max(1.5, rng.uniform(1.2, 2.2) / px))
    patchy = np.clip(1 + 0.6 * cloud(rng, scene.shape, 150 / px), 0, 3)
    dark = np.float32(0.05 * strength) * patchy * np.maximum(powder - rng.uniform(1.9, 2.6), 0)
    scene.print.density += dark[..., None] * np.array([0.85, 1.0, 1.15], np.float32)
    scene.above += dark

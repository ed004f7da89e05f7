"""Bookkeeping of the truth: what of each spore can be seen in the finished photo."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.spatial import cKDTree

from sporecount.simulate.camera import Phone
from sporecount.simulate.canvas import Box, Canvas, cut
from sporecount.simulate.painters import spore_stamp
from sporecount.simulate.parting import LEAST_SHARE, outline_seen
from sporecount.simulate.scene import Scene, radius_towards
from sporecount.simulate.shapes import lemon_area_um2
from sporecount.simulate.things import KIND, Thing
from sporecount.simulate.truth import SporeTruth

LEAST_VISIBLE = 0.5
MOST_BLUR = 0.45  # of the spore's length
MOST_BLUR_IN_CLUMP = 0.4  # of the spore's width, where three or more touch: beyond, their edges run together
MOST_BLUR_IN_HEAP = 0.3  # of the spore's width, where eight or more do
LEAST_CONTRAST = 0.03  # optical density
LEAST_STEP = 4.0  # levels of 255 that the spore darkens its place by
LEAST_SIGNAL = 6.0  # contrast over its standard error from the photo's noise


@dataclass
class PaintedSpore:
    """A spore as it was painted: its box on the drawing grid, its cover, and what was clear there then."""

    thing: Thing
    box: Box
    cover: np.ndarray
    clear: np.ndarray


def visible_share(canvas: Canvas, spore: PaintedSpore, seen: np.ndarray) -> float:
    """Share of a spore's outline that nothing painted later hides, inside the photo and the round view."""
    grid, own = cut(canvas.shape, spore.box)
    left = canvas.clear[grid] / np.maximum(spore.clear, 1e-6)
    total = float(spore.cover.sum())
    return float((spore.cover[own] * np.minimum(left, 1) * seen[grid]).sum() / max(total, 1e-6))


def blurred_contrast(look: dict, blur_um: float) -> float:
    """Mean optical density (of R, G, B) within a spore's outline over the ring around it, after blur."""
    length = look["length_um"]
    step = length / 14
    side = np.arange(-20, 21, dtype=np.float32) * np.float32(step)
    u, v = side[None, :], side[:, None]
    body, mask, _ = spore_stamp(u, v, look)
    density = cv2.GaussianBlur(body.astype(np.float32), (0, 0), max(blur_um / step, 0.05))
    far = (u / length) ** 2 + (v / (0.5 * length + 0.5 * look["width_um"])) ** 2
    ring = (far > 0.45) & (far < 1.0) & (mask < 0.5)
    inside = float((density * mask).sum() / max(mask.sum(), 1))
    return (inside - float(density[ring].mean())) * float(np.mean(look["amber"]))


def clump_sizes(spores: list[Thing]) -> np.ndarray:
    """Size of the touching group of each spore."""
    if not spores:
        return np.zeros(0, int)
    places = np.array([(s.x_um, s.y_um) for s in spores])
    parent = list(range(len(spores)))

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    reach = max(s.look["length_um"] for s in spores) + 0.3
    for i, j in cKDTree(places).query_pairs(reach):
        heading = float(np.arctan2(places[j, 1] - places[i, 1], places[j, 0] - places[i, 0]))
        gap = (
            np.hypot(*(places[j] - places[i]))
            - radius_towards(spores[i], heading)
            - radius_towards(spores[j], heading)
        )
        if gap < 0.3:
            parent[root(i)] = root(j)
    roots = [root(i) for i in range(len(spores))]
    _, back, count = np.unique(roots, return_inverse=True, return_counts=True)
    return count[back]


def spore_truth(
    canvas: Canvas,
    scene: Scene,
    painted: list[PaintedSpore],
    *,
    light: np.ndarray,
    blur_um: np.ndarray,
    seen: np.ndarray,
    on_scale: list[bool],
    phone: Phone,
    rgb: np.ndarray,
) -> tuple[SporeTruth, ...]:
    """Truth of all spores whose centre lies in the photo.

    Parameters
    ----------
    canvas : Canvas
    scene : Scene
    painted : list of PaintedSpore
    light : ndarray of shape (h, w)
        Green light on the drawing grid, before noise, 1 at the empty support.
    blur_um : ndarray of shape (h', w')
        Every 16th pixel of the drawing grid.
    seen : ndarray of shape (h, w)
        Round view on the drawing grid.
    on_scale : list of bool
    phone : Phone
    rgb : ndarray of shape (H, W, 3)
        The finished photo.
    """
    view = canvas.view
    everyone = [t for t in scene.things if t.kind == KIND["spore"]]
    sizes = {id(t): int(n) for t, n in zip(everyone, clump_sizes(everyone), strict=True)}
    out = []
    table = np.array(
        [
            (
                *view.to_photo(np.array([[p.thing.x_um, p.thing.y_um]]))[0],
                0.5 * p.thing.look["length_um"] / view.um_per_px,
                0.5 * p.thing.look["width_um"] / view.um_per_px,
                np.deg2rad(p.thing.angle_deg),
            )
            for p in painted
        ]
    ).reshape(-1, 5)
    followed = outline_seen(rgb, table)
    for spore, scaled, share in zip(painted, on_scale, followed, strict=True):
        look, thing = spore.thing.look, spore.thing
        x, y = view.to_photo(np.array([[thing.x_um, thing.y_um]]))[0]
        if not (0 <= round(x) < view.width_px and 0 <= round(y) < view.height_px):
            continue
        wx, wy = view.to_work(np.array([[thing.x_um, thing.y_um]]))[0]
        row = int(np.clip(round(wy), 0, canvas.shape[0] - 1))
        col = int(np.clip(round(wx), 0, canvas.shape[1] - 1))
        blur = float(blur_um[min(row // 16, blur_um.shape[0] - 1), min(col // 16, blur_um.shape[1] - 1)])
        clump = sizes[id(thing)]
        visible = visible_share(canvas, spore, seen)
        contrast = blurred_contrast(look, blur) * (1.5 if canvas.above else 1.0)
        contrast = float(np.log10((1 + phone.veil) / (10**-contrast + phone.veil)))  # stray light fills it up
        level = max(float(light[row, col]), 1e-3)
        noise = phone.noise * np.sqrt(level + 0.02 / phone.level**2) / level / 2.3
        pixels = lemon_area_um2(look["length_um"], look["width_um"], look["pointed"]) / view.um_per_px**2
        signal = contrast * np.sqrt(max(pixels, 1)) / noise
        near = (
            rgb[max(round(y) - 1, 0) : round(y) + 2, max(round(x) - 1, 0) : round(x) + 2]
            .reshape(-1, 3)
            .mean(0)
        )
        countable = (
            visible >= LEAST_VISIBLE
            and blur <= MOST_BLUR * look["length_um"]
            and contrast >= LEAST_CONTRAST
            and signal >= LEAST_SIGNAL
            and float(seen[row, col]) > 0.5
            and float(near.max()) * 2.3 / phone.gamma * contrast >= LEAST_STEP
            and (clump < 3 or blur <= MOST_BLUR_IN_CLUMP * look["width_um"])
            and (clump < 8 or blur <= MOST_BLUR_IN_HEAP * look["width_um"])
            and (clump < 3 or share >= LEAST_SHARE)
            and float(near.min()) < 247
        )
        out.append(
            SporeTruth(
                x_px=float(x),
                y_px=float(y),
                length_um=look["length_um"],
                width_um=look["width_um"],
                angle_deg=thing.angle_deg % 180.0,
                visible=round(visible, 4),
                blur_um=blur,
                contrast=float(contrast),
                on_scale=scaled,
                clump=clump,
                countable=bool(countable),
            )
        )
    return tuple(out)

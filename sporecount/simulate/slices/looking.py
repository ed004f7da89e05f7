"""From the filled stack to the light before the phone: waves from below, or shaded bodies from above."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.slices.conditions import Conditions
from sporecount.simulate.slices.stack import Map, Stack
from sporecount.simulate.slices.travel import GLUE, images, lamp_directions, lost_by_bending
from sporecount.simulate.truth import KIND_NAMES

Rng = np.random.Generator
LN10 = np.float32(np.log(10))


def focus_planes(height: Map, depth_um: float) -> NDArray[np.float64]:
    """Up to three heights that stand for all that are in focus somewhere."""
    low, high = float(height.min()), float(height.max())
    if high - low < 0.7 * depth_um:
        return np.array([float(height.mean())])
    return np.linspace(low, high, 2 if high - low < 2.5 * depth_um else 3)


def blend(pictures: Map, planes: NDArray[np.float64], height: Map) -> Map:
    """Take at each place the mean of the two pictures whose focus is nearest."""
    if len(planes) == 1:
        return pictures[0]
    at = (height - planes[0]) / (planes[1] - planes[0])
    return sum(
        one * np.clip(1 - np.abs(at - k), 0, 1).astype(np.float32)[..., None]
        for k, one in enumerate(pictures)
    )


def blur_um(height_um: float | Map, here: Conditions) -> float | Map:
    """Give the standard deviation of the blur so far from focus: the objective's own, and the cone of light.

    0.21 wavelength over aperture is the Gaussian of the same width as Airy's disc; a cone's disc has half its
    radius as deviation. A lamp cone narrower than the aperture blurs less.
    """
    used = here.aperture * (0.45 + 0.55 * min(here.condenser, 1.0))
    return np.hypot(0.215 * 0.55 / here.aperture, 0.5 * np.abs(height_um) * used / GLUE)


def from_below(rng: Rng, stack: Stack, ground: Map, height: Map, here: Conditions) -> Map:
    """Carry the light of a lamp beneath through the stack, mixed from a few planes of focus."""
    depth = 0.55 / here.aperture**2 * GLUE
    planes = focus_planes(height, depth)
    lamp = here.condenser * lamp_directions(here.directions, here.decentred, float(rng.uniform(0, 6.28)))
    pictures = images(
        stack.density, stack.path_um, stack.grid.step_um, here.aperture, lamp, planes, here.colour_shift_um
    )
    # Each direction stands for its neighbours, too, whose images lie a little aside when out of focus.
    share = here.condenser / np.sqrt(here.directions)
    for k, plane in enumerate(planes):
        aside = 0.5 * abs(plane) * here.aperture * share / GLUE / stack.grid.step_um
        if aside > 0.35:
            pictures[k] = cv2.GaussianBlur(pictures[k], (0, 0), aside)
    return _fill_lamp(stack, blend(pictures, planes, height)) * ground


def _fill_lamp(stack: Stack, light: Map) -> Map:
    """Close the image of the lamp that a small bubble shows: it comes as one dot for each direction."""
    step = stack.grid.step_um
    mask = (stack.kind == KIND_NAMES.index("bubble")).astype(np.uint8)
    _, label, stats, _ = cv2.connectedComponentsWithStats(mask)
    small = stats[:, cv2.CC_STAT_AREA] * step**2 < np.pi * 18**2
    small[0] = False
    if not small.any():
        return light
    share = cv2.GaussianBlur(small[label].astype(np.float32), (0, 0), 1.0)[..., None]
    return light + share * (cv2.GaussianBlur(light, (0, 0), max(1.0 / step, 1.5)) - light)


def from_above(rng: Rng, stack: Stack, ground: Map, height: Map, here: Conditions) -> Map:
    """Show bodies on a bright card under a lamp at the side: colour by twice the way through, gloss, shadow."""
    step = stack.grid.step_um
    dense = stack.density.sum(axis=0)
    top = cv2.GaussianBlur(np.clip(stack.top_um, -7, 18), (0, 0), max(0.9 / step, 0.6))
    gx = cv2.Sobel(top, cv2.CV_32F, 1, 0, ksize=3, scale=1 / (8 * step))
    gy = cv2.Sobel(top, cv2.CV_32F, 0, 1, ksize=3, scale=1 / (8 * step))
    way, low = rng.uniform(0, 2 * np.pi), rng.uniform(0.35, 0.9)
    lamp_x, lamp_y = float(np.cos(way)), float(np.sin(way))
    towards = (gx * lamp_x + gy * lamp_y) * np.float32(low)
    lit = np.clip(1 - 0.35 * np.tanh(towards), 0.4, 1.5)
    solid = (1 - cv2.exp(-2.3 * dense.mean(axis=2))).astype(np.float32)
    shift = 7.0 * low / step
    move = np.array([[1, 0, shift * lamp_x], [0, 1, shift * lamp_y]], np.float32)
    moved = cv2.warpAffine(solid, move, solid.shape[::-1])
    shadow = 1 - rng.uniform(0.3, 0.7) * cv2.GaussianBlur(moved, (0, 0), 3.0 / step)
    edges = 0.55 + 0.45 * lost_by_bending(stack.path_um.sum(axis=0), step, 0.5)
    ridges = cv2.GaussianBlur(stack.path_um.sum(axis=0), (0, 0), 0.6)
    grain = 1 + 5 * (ridges - cv2.GaussianBlur(ridges, (0, 0), max(4 / step, 1)))
    of_top = np.array(stack.clouds, np.float32)[stack.topmost]
    cloud = cv2.GaussianBlur(of_top, (0, 0), max(0.5 / step, 0.5))[..., None]
    through = cv2.exp(-1.7 * LN10 * dense) * ground * (shadow * edges)[..., None]
    back = 0.62 * cv2.exp(-1.1 * LN10 * dense) * np.float32(0.95)
    # A broad gloss where the surface leans to the lamp, a glint where it mirrors it.
    sheen = cv2.GaussianBlur(np.array(stack.sheens, np.float32)[stack.topmost], (0, 0), max(0.5 / step, 0.5))
    lean = np.hypot(gx + low * lamp_x, gy + low * lamp_y)
    gloss = 0.75 * np.exp(-((lean / 0.55) ** 2)) + 0.35
    mirror = np.hypot(gx + 0.45 * lamp_x, gy + 0.45 * lamp_y)
    gloss += np.where(sheen.min(axis=2) > 0.09, 5 * np.exp(-((mirror / 0.16) ** 2)), 0).astype(np.float32)
    light = (
        through * (1 - cloud)
        + back * cloud * lit[..., None]
        + sheen * (gloss * np.clip(grain, 0.2, 2.5))[..., None]
    )
    planes = focus_planes(height, 0.55 / here.aperture**2 * GLUE)
    pictures = np.stack([cv2.GaussianBlur(light, (0, 0), float(blur_um(p, here)) / step) for p in planes])
    return blend(pictures, planes, height)

"""The stack of bodies under the lens, and how the light comes out of it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.lamps.style import LUMA, Array, Light, log_uniform
from sporecount.simulate.truth import KIND_NAMES

KIND = {name: number for number, name in enumerate(KIND_NAMES)}
SEEN_THROUGH = 0.45
"""A spore is still seen through bodies that leave more than this of its contrast."""


@dataclass(frozen=True)
class Patch:
    """One body on its own small grid, with bare room around it."""

    density: Array  # (h, w, 3), by absorption
    height_um: Array  # (h, w), bulge that bends the light
    inside: Array  # (h, w), coverage from 0 to 1
    bend: float = 1.0  # refraction against the glue: 1 for a dense body, below 0 for air
    white: float = 0.05  # share of the light that the body throws back
    gloss: float = 0.3  # strength of mirror spots


class Bench:
    """Grids that the bodies are laid on, from the ground up."""

    def __init__(self, shape: tuple[int, int], px_um: float, light: Light) -> None:
        self.px_um = px_um
        self.light = light
        self.clear = np.ones((*shape, 3), np.float32)
        self.gain = np.ones(shape, np.float32)
        self.glow = np.zeros((*shape, 3), np.float32)
        self.veil = np.ones(shape, np.float32)
        self.kinds = np.zeros(shape, np.uint8)
        self.owner = np.full(shape, -1, np.int32)
        self.scaled = np.zeros(shape, bool)

    def lay(
        self, patch: Patch, top: int, left: int, kind: str, *, focus: float = 0.0, owner: int = -1
    ) -> bool:
        """Lay a body with its patch's corner at (`top`, `left`); whether any of it fell on the bench.

        `focus` is the sign and strength of the lens effect: bright middles above 0, dark ones below.
        """
        rows, cols = patch.inside.shape
        r0, c0 = max(top, 0), max(left, 0)
        r1, c1 = min(top + rows, self.gain.shape[0]), min(left + cols, self.gain.shape[1])
        if r0 >= r1 or c0 >= c1:
            return False
        here = (slice(r0, r1), slice(c0, c1))
        cut = (slice(r0 - top, r1 - top), slice(c0 - left, c1 - left))
        gain, spot = self._relief(patch, focus)
        inside = patch.inside[cut]
        passed = np.exp(-2.302585 * patch.density[cut]) * (1 - patch.white * inside)[..., None]
        self.clear[here] *= passed
        self.gain[here] *= gain[cut]
        if self.light.below < 1:
            own = (patch.white * inside * np.clip(gain[cut], 0.5, 1.5))[..., None] * passed
            self.glow[here] = self.glow[here] * passed**2 + own + spot[cut][..., None]
        body = inside > 0.5
        if kind == "spore":
            self.veil[here][body] = 1
            self.owner[here][body] = owner
            self.kinds[here][body] = KIND[kind]
            return True
        if kind == "scale":
            self.scaled[here] |= body
        lets = passed @ LUMA
        # Light thrown back by the body itself washes out what lies beneath it.
        washed = 1 / (1 + (1 - self.light.below) * 3 * patch.white / (lets**2 + 0.05)) if patch.white else 1.0
        self.veil[here] *= 1 - inside * (1 - np.clip(2 * lets, 0, 1) * washed)
        hides = body & ((self.owner[here] < 0) | (self.veil[here] < SEEN_THROUGH))
        self.kinds[here][hides] = KIND[kind]
        return True

    def _relief(self, patch: Patch, focus: float) -> tuple[Array, Array]:
        """Gain by bending of light, and mirror spots, from the body's height."""
        px = self.px_um
        soft = cv2.GaussianBlur(patch.height_um, (0, 0), max(0.4, 0.45 / px))
        slope_x = cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3, scale=1 / (8 * px))
        slope_y = cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3, scale=1 / (8 * px))
        curve = cv2.Laplacian(soft, cv2.CV_32F, ksize=1, scale=1 / px**2)
        steep = slope_x**2 + slope_y**2
        light = self.light
        gain = 1 - 0.5 * np.tanh(2 * light.crisp * focus * patch.bend * curve)
        gain *= 1 - light.rim * abs(patch.bend) * steep / (steep + 1.2)
        gain *= 1 + np.clip(patch.bend * (light.slant[0] * slope_x + light.slant[1] * slope_y), -0.4, 0.6)
        if light.below == 1 or patch.gloss == 0:
            return gain, np.zeros_like(gain)
        if light.name == "ring":
            off = (np.sqrt(steep) - 0.5) ** 2
        else:
            far = np.hypot(*light.shade_um) + 1e-6
            aim_x, aim_y = (0.5 * shade / far for shade in light.shade_um)
            off = (slope_x - aim_x) ** 2 + (slope_y - aim_y) ** 2
        spot = (1 - light.below) * light.gloss * patch.gloss * np.exp(-off / 0.02) * patch.inside
        return gain, spot.astype(np.float32)


def clouds(rng: np.random.Generator, shape: tuple[int, int], grain_px: float) -> Array:
    """Smooth noise with about unit spread and features of about `grain_px`."""
    if grain_px > 32:
        eighth = clouds(rng, (shape[0] // 8 + 1, shape[1] // 8 + 1), grain_px / 8)
        return np.asarray(cv2.resize(eighth, shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)
    small = tuple(int(np.ceil(n / grain_px)) + 4 for n in shape)
    coarse = rng.standard_normal(small, np.float32)
    zoom = max(grain_px, 1.0)
    grown = cv2.resize(coarse, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_CUBIC)
    cut = grown[: shape[0], : shape[1]]
    # Cubic growth keeps about 0.7 of the spread; the cut itself may be too small to measure it on.
    return np.asarray(cut / (0.7 if zoom > 1 else 1.0), np.float32)


def _felt(rng: np.random.Generator, shape: tuple[int, int], px_um: float) -> Array:
    """Matted paper fibres, about -1 to 1, drawn coarsely as they lie below the plane of focus."""
    step = max(1.0, 2.0 / px_um)
    rows, cols = (int(n / step) + 2 for n in shape)
    sheet = np.zeros((rows, cols), np.float32)
    number = int(min(700, 60 + shape[0] * shape[1] * px_um**2 / 900))
    for _ in range(number):
        x, y, turn = rng.uniform(0, cols), rng.uniform(0, rows), rng.uniform(0, np.pi)
        half, bow = rng.uniform(60, 500) / px_um / step / 2, rng.normal(0, 0.3)
        t = np.linspace(-1, 1, 9)
        bowed = turn + bow * t
        line = np.stack([x + t * half * np.cos(bowed), y + t * half * np.sin(bowed)], axis=1)
        wide = max(1, round(rng.uniform(8, 25) / px_um / step))
        one = float(rng.normal(0, 1))
        cv2.polylines(sheet, [np.round(line * 8).astype(np.int32)], False, one, wide, cv2.LINE_AA, 3)
    soft = cv2.GaussianBlur(sheet, (0, 0), float(rng.uniform(1.2, 4.0)))
    return np.asarray(cv2.resize(soft, shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)


def draw_ground(
    rng: np.random.Generator, shape: tuple[int, int], px_um: float, ground: str
) -> tuple[Array, Array]:
    """Draw what lies under the tape: its colour, and the density of its texture in three channels."""
    colours = {
        "glass": (0.9, 0.9, 0.9),
        "white card": (0.85, 0.85, 0.83),
        "cream paper": (0.82, 0.75, rng.uniform(0.5, 0.65)),
        "grey card": (0.45, 0.45, 0.44),
        "lined paper": (0.85, 0.85, 0.84),
        "dark glass": (0.16, 0.15, 0.14),
    }
    colour = np.array(colours[ground], np.float32) * np.float32(rng.uniform(0.9, 1.05))
    glassy = "glass" in ground
    strong = log_uniform(rng, 0.002, 0.012) if glassy else log_uniform(rng, 0.006, 0.05)
    density = np.zeros(shape, np.float32)
    for grain_um, share in ((4, 0.35), (14, 0.6), (60, 0.8), (220, 0.8)):
        density += np.float32(strong * share * rng.uniform(0.2, 1.2)) * clouds(
            rng, shape, max(1, grain_um / px_um)
        )
    if not glassy:
        density += np.float32(log_uniform(rng, 0.008, 0.06)) * _felt(rng, shape, px_um)
    full = np.repeat(density[..., None], 3, axis=2)
    if ground == "lined paper":
        ink = np.array(
            [(0.28, 0.12, 0.04), (0.04, 0.25, 0.2), (0.2, 0.2, 0.2)][int(rng.integers(3))], np.float32
        )
        across = rng.uniform(-0.3, 0.3) + np.pi / 2 * rng.integers(2)
        y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
        place = (x - shape[1] * rng.uniform(0.1, 0.9)) * np.cos(across)
        place += (y - shape[0] * rng.uniform(0.1, 0.9)) * np.sin(across)
        ragged = sum(clouds(rng, shape, max(1, grain_um / px_um)) for grain_um in (7, 18, 50)) * np.float32(
            rng.uniform(2, 7) / px_um
        )
        inked = 1 / (1 + np.exp((np.abs(place) + ragged - rng.uniform(25, 110) / px_um) * px_um / 4))
        full += inked[..., None].astype(np.float32) * ink * np.float32(rng.uniform(0.3, 1.2))
    return colour, full


def light_up(bench: Bench, colour: Array, ground: Array) -> Array:
    """Send the light through the stack, or down to the ground and back up, and add both: linear light."""
    light = bench.light
    bare = np.exp(-2.302585 * ground) * colour
    lit = bare * bench.clear
    scene = np.zeros_like(lit)
    if light.below > 0:
        scene = lit * bench.gain[..., None] * (np.float32(light.below) * light.hue_below)
    if light.below < 1:
        px = bench.px_um
        shift = np.array([[1, 0, light.shade_um[0] / px], [0, 1, light.shade_um[1] / px]], np.float32)
        shade = cv2.GaussianBlur(bench.clear, (0, 0), max(0.5, light.shade_soft_um / px))
        size = bench.gain.shape[::-1]
        shade = cv2.warpAffine(shade, shift, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        # Card glows from within, so that a shadow on it is never quite black.
        back = lit * (0.25 + 0.75 * shade) * np.sqrt(bench.gain)[..., None] + bench.glow
        scene = scene + back * (np.float32(1 - light.below) * light.hue_above)
    return np.asarray(scene, np.float32)
